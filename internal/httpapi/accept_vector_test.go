package httpapi_test

import (
	"fmt"
	"testing"

	"byrelog.example/api"
)

// The published vectors of indices.md section 2 that bear on what the service
// answers, with author, year and source number beside each check.
//
// Left out, because they would test nothing of ours:
//   - V5, V10, V11, V36 and V37 are arithmetic on figures that no index gives
//     (survival at a constant risk, efficiency times accuracy, the slip from a
//     missed heat, means of top herds without their counts).
//   - V7 and V8 belong to an index that imitates USDA's; there is none.
//   - V14, V21, V22, V25, V29, V41, V42, V43, V46, V47 describe populations:
//     spreads, ranges and means without the records they came from. V26 stands
//     for V25's mode.
//   - V16's first stages lie before any index's own (embryo to day 42, then
//     fetus); its chain is checked in the arithmetic's own tests.
//   - V23, V24, V38, V39 and V40 compare methods of finding heat and of
//     diagnosis by tests (progesterone, half-days, blood) that no index uses.
//   - V28, V32, V49 and V50 are about cleaning other people's records; V44 and
//     V45 about scales that the log does not convert.

// cows is how the cows of a herd are called, by number.
func cows(i int) string { return fmt.Sprint(i + 1) }

// V1 and V2: California demonstration project (S2): cows that wait 50 days;
// one conceives on day 120 (4 cycles, rounded up: 1 in 4), one is open on day
// 90 (2 cycles, rounded to the nearest: 0 in 2). Pooled, 1 in 6 (derived from
// its own rule of pooling).
func TestAcceptV1V2CowCycles(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "cycles", shortWait)
	on := "2024-06-30"
	first, second := "2024-01-10", after(on, -90)
	f.calved("1", first).bred("1", after(first, 120)).pregnant("1", after(first, 120+35), 35)
	f.calved("2", second).until(on)
	ask := func(from, to string) *api.IndexAnswer {
		return f.index("pregnancy_risk_cow_cycles", question{from: from, to: to, on: on})
	}
	a := ask(first, first)
	counted(t, "V1", a.Numerator, a.Denominator, 1, 4)
	percent(t, "V1", a.Value, 25)
	a = ask(second, second)
	counted(t, "V2", a.Numerator, a.Denominator, 0, 2)
	percent(t, "V2", a.Value, 0)
	a = ask(first, on)
	counted(t, "V1 and V2 pooled", a.Numerator, a.Denominator, 1, 6)
	percent(t, "V1 and V2 pooled", a.Value, 16.7)
}

// oneWindow is a herd of which n cows are eligible in the window from
// 2024-03-04 on, the first bred of them are served in it, and the first
// pregnant of those conceive; the other served ones are diagnosed open.
func oneWindow(t *testing.T, c *api.ClientWithResponses, herd string, n, bred, pregnant int) *farm {
	t.Helper()
	f := newFarm(t, c, herd, shortWait)
	for i := range n {
		f.calved(cows(i), "2024-01-01")
		if i < bred {
			f.bred(cows(i), "2024-03-10")
			if i < pregnant {
				f.pregnant(cows(i), "2024-04-14", 35)
			} else {
				f.open(cows(i), "2024-04-14")
			}
		}
	}
	return f.until("2024-12-01")
}

var firstWindow = question{from: "2024-03-04", to: "2024-03-24", on: "2024-12-01"}

func (f *farm) windowRisks() (pregnancy, insemination, conception *api.IndexAnswer) {
	f.t.Helper()
	return f.index("pregnancy_risk_21d", firstWindow), f.index("insemination_risk_21d", firstWindow), f.index("conception_risk", firstWindow)
}

// V3: trade-press worked example (S4b): of 100 eligible cows 25 conceive,
// pregnancy 25 %; of 100 bred 35 conceive, conception 35 %. V4: pregnancy is
// insemination times conception within one window (relation of S57): 60, 50
// and 40 % with 50 % make 30, 25 and 20. V34: extension example (S75): of 100
// cows 90 are served and 54 conceive: conception 60 %, pregnancy 54 %.
func TestAcceptV3V4V34Window(t *testing.T) {
	t.Parallel()
	c := serve(t)
	for _, w := range []struct {
		id             string
		bred, pregnant int
		conception     float64
	}{{"v3-eligible", 50, 25, 50}, {"v3-bred", 100, 35, 35}, {"v4-60", 60, 30, 50}, {"v4-50", 50, 25, 50}, {"v4-40", 40, 20, 50}, {"v34", 90, 54, 60}} {
		pr, ir, cr := oneWindow(t, c, w.id, 100, w.bred, w.pregnant).windowRisks()
		counted(t, w.id+" insemination", ir.Numerator, ir.Denominator, w.bred, 100)
		counted(t, w.id+" conception", cr.Numerator, cr.Denominator, w.pregnant, w.bred)
		percent(t, w.id+" conception", cr.Value, w.conception)
		counted(t, w.id+" pregnancy", pr.Numerator, pr.Denominator, w.pregnant, 100)
		percent(t, w.id+" pregnancy", pr.Value, float64(w.pregnant))
		near(t, w.id+" product", pointer(*ir.Value**cr.Value), *pr.Value, 1e-12)
	}
}

// V6: Denis-Robichaud et al. 2016, J Dairy Sci (S58): over farms with mean
// insemination 44.1, conception 40.5 and pregnancy risk 17.6 %, the product of
// the means is 17.9, not 17.6. Two farms with these means (constructed here);
// pooling counts, and so gives 17.6.
func TestAcceptV6MeansDoNotMultiply(t *testing.T) {
	t.Parallel()
	c := serve(t)
	var means [3]float64
	for _, w := range []struct {
		herd           string
		bred, pregnant int
	}{{"often-bred", 492, 174}, {"seldom-bred", 390, 178}} {
		pr, ir, cr := oneWindow(t, c, w.herd, 1000, w.bred, w.pregnant).windowRisks()
		near(t, w.herd+": within one herd and window the product holds", pointer(*ir.Value**cr.Value), *pr.Value, 1e-12)
		for k, a := range []*api.IndexAnswer{ir, cr, pr} {
			means[k] += *a.Value / 2
		}
	}
	percent(t, "V6 mean insemination risk", &means[0], 44.1)
	percent(t, "V6 mean conception risk", &means[1], 40.5)
	percent(t, "V6 mean pregnancy risk", &means[2], 17.6)
	percent(t, "V6 product of the means", pointer(means[0]*means[1]), 17.9)
	rsp, err := c.GetSummaryWithResponse(t.Context(), &api.GetSummaryParams{
		Herds: &[]string{"often-bred", "seldom-bred"}, Keys: &[]string{"pregnancy_risk_21d"},
		From: pointer(date(firstWindow.from)), To: pointer(date(firstWindow.to)), On: pointer(date(firstWindow.on)),
	})
	if err != nil {
		t.Fatal(err)
	}
	pool := rsp.JSON200.Pool[0]
	counted(t, "V6 pooled", pool.Numerator, pool.Denominator, 352, 2000)
	percent(t, "V6 pooled", pool.Value, 17.6)
}

// intervals is a herd with one cow for each interval between two services.
func intervals(t *testing.T, c *api.ClientWithResponses, herd string, days ...int) *farm {
	t.Helper()
	f := newFarm(t, c, herd, shortWait)
	for i, d := range days {
		f.calved(cows(i), "2024-01-01").bred(cows(i), "2024-03-01").bred(cows(i), after("2024-03-01", d))
	}
	return f.until("2024-12-01")
}

// V9: Selk 2009, Oklahoma State (S16): a mean interval of 25 days makes a
// detection of 21/25 = 84 %. (Its 24-day test has no index.) V12: Remnant
// 2019, PhD, Nottingham (S1): the profile of the best quarter of herd-years, 6
// / 40 / 16 / 19 / 19 %, normal to double returns 2.1 to 1. V26: Kentucky
// station 1928 to 1946 (S72): a mean of 32.4 days with a mode of 22, so that
// 21 over the mean says 65 % of herds that return as they should.
func TestAcceptV9V12V26Intervals(t *testing.T) {
	t.Parallel()
	c := serve(t)
	q := question{on: "2024-12-01"}
	a := intervals(t, c, "v9", 20, 25, 30).index("inter_service_interval", q)
	near(t, "V9 mean", a.Value, 25, 0)
	percent(t, "V9", a.Measures["heat_detection_by_interval"], 84)

	var days []int
	for _, k := range []struct{ n, days int }{{3, 2}, {3, 17}, {20, 18}, {20, 24}, {8, 25}, {8, 35}, {10, 36}, {9, 48}, {19, 49}} {
		for range k.n {
			days = append(days, k.days)
		}
	}
	f := intervals(t, c, "v12", days...)
	a = f.index("inter_service_interval", q)
	for i, want := range []float64{6, 40, 16, 19, 19} {
		percent(t, "V12 "+a.Rows[i].Label, a.Rows[i].Value, want)
	}
	a = f.index("return_interval_share", q)
	counted(t, "V12 normal returns", a.Numerator, a.Denominator, 40, 100)
	near(t, "V12 ratio", a.Measures["normal_to_double"], 2.1, 0.05)

	a = intervals(t, c, "v26", 22, 22, 22, 22, 22, 21, 23, 44, 60, 66).index("inter_service_interval", q)
	near(t, "V26 mean", a.Value, 32.4, 1e-9)
	near(t, "V26 mode", a.Measures["mode"], 22, 0)
	near(t, "V26 21 over the mean", a.Measures["heat_detection_by_interval"], 0.65, 0.005)
}

// V13: Norman et al. 2009, J Dairy Sci 92:2259 (S59): gestation by breed, for
// heifers and cows. Due dates are whole days, so the rounded mean counts.
func TestAcceptV13GestationByBreed(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "breeds", `{}`)
	bred := "2024-03-01"
	want := map[string][2]float64{
		"holstein": {277.8, 279.4}, "jersey": {278.4, 280.0}, "milking_shorthorn": {279.3, 281.1},
		"ayrshire": {281.6, 281.7}, "guernsey": {284.8, 285.7}, "brown_swiss": {287.2, 287.5},
		"mixed": {280, 280}, // in no table: USDA's text (S23)
	}
	for breed := range want {
		f.add("heifer "+breed, "2022-06-01", "arrival", fmt.Sprintf(`{"how":"born","born_on":"2022-06-01","sex":"female","breed":%q}`, breed))
		f.add("cow "+breed, "2023-10-01", "arrival", fmt.Sprintf(`{"how":"purchased","parity":1,"sex":"female","breed":%q}`, breed))
		f.calved("cow "+breed, "2023-12-01")
		for _, who := range []string{"heifer ", "cow "} {
			f.bred(who+breed, bred).pregnant(who+breed, after(bred, 35), 35)
		}
	}
	f.until("2024-05-01")
	for breed, days := range want {
		for i, who := range []string{"heifer ", "cow "} {
			v := f.cow(who+breed, "2024-05-01")
			if v.Pregnant == nil {
				t.Errorf("V13 %s%s is not pregnant", who, breed)
				continue
			}
			same(t, "V13 "+who+breed+" is due", shown(v.Pregnant.DueOn), after(bred, int(days[i]+0.5)))
			same(t, "V13 "+who+breed+" days", v.Pregnant.GestationDays, int(days[i]+0.5))
		}
	}
	rsp, err := f.c.ListPoliciesWithResponse(t.Context(), f.name)
	if err != nil {
		t.Fatal(err)
	}
	table := *rsp.JSON200.Policies[len(rsp.JSON200.Policies)-1].Policy.GestationByBreed
	for breed, days := range want {
		if g, ok := table[breed]; breed != "mixed" && (!ok || g.Heifer != days[0] || g.Cow != days[1]) {
			t.Errorf("V13 %s: the policy says %+v, want %v", breed, g, days)
		}
	}
}

// A table of the herd's own replaces the built-in one whole: a breed that it
// does not name has the herd's general length.
func TestAcceptOwnGestation(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "own-table", `{"gestation_days":283,"gestation_by_breed":{"jersey":{"heifer":279,"cow":282}}}`)
	for _, breed := range []string{"jersey", "holstein"} {
		f.add(breed, "2023-10-01", "arrival", fmt.Sprintf(`{"how":"purchased","parity":1,"sex":"female","breed":%q}`, breed))
		f.calved(breed, "2023-12-01").bred(breed, "2024-03-01").pregnant(breed, "2024-04-05", 35)
	}
	f.until("2024-05-01")
	for breed, days := range map[string]int{"jersey": 282, "holstein": 283} {
		v := f.cow(breed, "2024-05-01")
		if v.Pregnant == nil || v.Pregnant.GestationDays != days || shown(v.Pregnant.DueOn) != after("2024-03-01", days) {
			t.Errorf("%s: %+v, want %d days", breed, v.Pregnant, days)
		}
	}
}

// V15: Fernandez-Novo et al. 2020, Animals 10:925 (S21): 6,696 of 19,437
// services held, 34.4 % (34.4498; the paper prints 34.3), and 822 of the 6,696
// were lost, 12.3 %. All of them are loaded: trust the counts, not the print.
func TestAcceptV15CountsRatherThanPrint(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "counts", `{}`)
	const services, held, lost = 19_437, 6_696, 822
	for i := range services {
		c := cows(i)
		f.bred(c, "2024-01-10")
		switch {
		case i >= held:
			f.open(c, "2024-02-20")
			continue
		case i < lost:
			f.pregnant(c, "2024-02-14", 35).add(c, "2024-03-20", "pregnancy_loss", `{}`)
		default:
			f.pregnant(c, "2024-02-14", 35).calved(c, after("2024-01-10", 280))
		}
	}
	f.until("2024-12-01")
	q := question{from: "2024-01-01", to: "2024-01-31", on: "2024-12-01"}
	a := f.index("conception_risk", q)
	counted(t, "V15", a.Numerator, a.Denominator, held, services)
	percent(t, "V15", a.Value, 34.4)
	near(t, "V15", a.Value, 0.344498, 1e-6)
	near(t, "V15 lost later", a.Measures["lost_later"], lost, 0)
	near(t, "V15 net of losses", a.Measures["net_of_losses"], float64(held-lost)/services, 1e-12)
	near(t, "V15 services per conception", f.index("services_per_conception", q).Value, float64(services)/held, 1e-12)
	// Whether her first calving is still to come was not known of any of them
	// when they were bred: both strata are asked.
	num, den := 0, 0
	for _, strata := range []api.GetIndexParamsStrata{"cows", "heifers"} {
		p := q.params()
		p.Strata = &strata
		rsp, err := f.c.GetIndexWithResponse(t.Context(), f.name, "pregnancy_loss_risk", p)
		if err != nil {
			t.Fatal(err)
		}
		num += *rsp.JSON200.Indices[0].Numerator
		den += *rsp.JSON200.Indices[0].Denominator
	}
	counted(t, "V15 loss", &num, &den, lost, held)
	percent(t, "V15 loss", pointer(float64(num)/float64(den)), 12.3)
}

// loss is one group of pregnancies: how many, lost by day 42, and later.
type loss struct {
	n, embryo, fetus int
}

// lossHerd tells the pregnancies of a group, conceived on one day, diagnosed
// on day 30 and again on day 60.
func (f *farm) lossGroup(name, conceived string, g loss) {
	for i := range g.n {
		c := name + cows(i)
		f.calved(c, after(conceived, -100)).bred(c, conceived).pregnant(c, after(conceived, 30), 30)
		switch {
		case i < g.embryo:
			f.open(c, after(conceived, 40))
		case i < g.embryo+g.fetus:
			f.pregnant(c, after(conceived, 60), 60).add(c, after(conceived, 150), "pregnancy_loss", `{"seen":"abortion"}`)
		default:
			f.pregnant(c, after(conceived, 60), 60).calved(c, after(conceived, 280))
		}
	}
}

// V18: Romano et al., JAVMA (S63), 928 cattle: embryonic then fetal loss,
// conditional on surviving: 12.4 then 2.4 % of 476 make 14.5; 9.1 then 3.8 of
// 230 make 12.6; 9.5 then 5.9 of 222 make 14.9 %; pooled 14.1 %. The counts are
// the whole numbers nearest to the printed shares.
func TestAcceptV18ConditionalLoss(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "losses", `{}`)
	groups := []struct {
		name, conceived      string
		loss                 loss
		embryo, fetus, total float64
	}{
		{"control", "2024-01-10", loss{476, 59, 10}, 12.4, 2.4, 14.5},
		{"one-slip", "2024-01-20", loss{230, 21, 8}, 9.1, 3.8, 12.6},
		{"two-slip", "2024-01-30", loss{222, 21, 12}, 9.5, 5.9, 14.9},
	}
	for _, g := range groups {
		f.lossGroup(g.name, g.conceived, g.loss)
	}
	f.until("2024-12-15")
	for _, g := range groups {
		q := question{from: g.conceived, to: g.conceived, on: "2024-12-15"}
		a := f.index("pregnancy_loss_risk", q)
		e, s := row(t, a, "embryo"), row(t, a, "fetus")
		counted(t, "V18 embryo, "+g.name, e.Numerator, e.Denominator, g.loss.embryo, g.loss.n)
		counted(t, "V18 fetus, "+g.name, s.Numerator, s.Denominator, g.loss.fetus, g.loss.n-g.loss.embryo)
		counted(t, "V18 total, "+g.name, a.Numerator, a.Denominator, g.loss.embryo+g.loss.fetus, g.loss.n)
		near(t, "V18 embryo, "+g.name, e.Value, g.embryo/100, 0.001)
		near(t, "V18 fetus, "+g.name, s.Value, g.fetus/100, 0.001)
		near(t, "V18 total, "+g.name, a.Value, g.total/100, 0.001)
		near(t, "V18 chained, "+g.name, a.Measures["stages_chained"], *e.Value+(1-*e.Value)**s.Value, 1e-12)
		near(t, "V18 the chain is the total where all were followed, "+g.name, a.Measures["stages_chained"], *a.Value, 1e-12)
	}
	a := f.index("pregnancy_loss_risk", question{from: "2024-01-01", to: "2024-01-31", on: "2024-12-15"})
	counted(t, "V18 pooled", a.Numerator, a.Denominator, 131, 928)
	percent(t, "V18 pooled", a.Value, 14.1)
	// Before their term none of them counts as lost or carried: losses are
	// known at once, calvings are not.
	a = f.index("pregnancy_loss_risk", question{from: "2024-01-01", to: "2024-01-31", on: "2024-08-01"})
	if a.Value != nil || !a.Provisional || *a.Denominator != 0 || row(t, a, "fetus").Value != nil {
		t.Errorf("before term: %s of %s, provisional %v", shown(a.Numerator), shown(a.Denominator), a.Provisional)
	}
	e := row(t, a, "embryo")
	counted(t, "V18 embryo stage, known before term", e.Numerator, e.Denominator, 101, 928)
}

// V19: Romano and Kraemer, JAVMA (S64), 580 cattle: 40 of 271 palpated lost,
// 14.8 %; 47 of 309 not palpated, 15.2 %.
func TestAcceptV19Loss(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "palpated-or-not", `{}`)
	f.lossGroup("palpated", "2024-01-10", loss{271, 30, 10})
	f.lossGroup("not", "2024-01-20", loss{309, 37, 10})
	f.until("2024-12-15")
	for day, w := range map[string]struct {
		num, den int
		share    float64
	}{"2024-01-10": {40, 271, 14.8}, "2024-01-20": {47, 309, 15.2}} {
		a := f.index("pregnancy_loss_risk", question{from: day, to: day, on: "2024-12-15"})
		counted(t, "V19", a.Numerator, a.Denominator, w.num, w.den)
		percent(t, "V19", a.Value, w.share)
	}
}

// V30: technical note 2013, J Dairy Sci 96:1264 (S9): services of the last 70
// days before the herd's own last date are too recent: counted at once they
// read 60 % where in truth it is 42 %. Here of 100 services 30 are known to
// have held and 20 to have failed when records end; later it is 42 of 100.
func TestAcceptV30Maturity(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "recent", shortWait)
	for i := range 100 {
		c := cows(i)
		f.calved(c, "2024-01-01").bred(c, "2024-03-10")
		switch {
		case i < 30:
			f.pregnant(c, "2024-04-14", 35)
		case i < 50:
			f.open(c, "2024-04-14")
		}
	}
	f.until("2024-05-18") // 69 days after the services
	q := question{from: "2024-03-04", to: "2024-03-24", on: "2024-11-01"}
	a := f.index("conception_risk", q)
	counted(t, "V30 too early", a.Numerator, a.Denominator, 30, 50)
	percent(t, "V30 too early", a.Value, 60)
	near(t, "V30 too early, immature", a.Measures["immature"], 50, 0)
	same(t, "V30 too early, provisional", a.Provisional, true)
	same(t, "V30 of services old enough", shown(a.Measures["of_mature_services"]), "null")
	pr := f.index("pregnancy_risk_21d", q)
	if pr.Value != nil || !pr.Provisional {
		t.Errorf("V30: the window's risk is given as %s", shown(pr.Value))
	}
	// The cut lies 70 days before the herd's own last date, not before today.
	for i := 50; i < 100; i++ {
		if i < 62 {
			f.pregnant(cows(i), "2024-05-19", 70)
		} else {
			f.open(cows(i), "2024-05-19")
		}
	}
	f.until("2024-06-01") // a day before 03-24 + 70
	a = f.index("conception_risk", q)
	counted(t, "V30 in the end", a.Numerator, a.Denominator, 42, 100)
	percent(t, "V30 in the end", a.Value, 42)
	percent(t, "V30 of services old enough", a.Measures["of_mature_services"], 42)
	same(t, "V30 in the end, provisional", a.Provisional, false)
	same(t, "V30 window, a day too early", shown(f.index("pregnancy_risk_21d", q).Value), "null")
	pr = f.until("2024-06-02").index("pregnancy_risk_21d", q)
	counted(t, "V30 window", pr.Numerator, pr.Denominator, 42, 100)
}

// V31: blood-typed paternity (S20): of 50 calves 21, 16 and 13 came of the
// first, second and third insemination of one heat, so the sire of merged
// breedings is not known, though the day is.
func TestAcceptV31MergedSires(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "sires", shortWait)
	for i, sires := range [][2]string{{"b1", "b2"}, {"b1", "b1"}} {
		c := cows(i)
		f.calved(c, "2024-01-01")
		f.add(c, "2024-03-10", "breeding", fmt.Sprintf(`{"method":"ai","sire":%q}`, sires[0]))
		f.add(c, "2024-03-11", "breeding", fmt.Sprintf(`{"method":"ai","sire":%q}`, sires[1]))
		f.pregnant(c, "2024-04-20", 40)
	}
	f.until("2024-12-01")
	for i, differ := range []bool{true, false} {
		v := f.cow(cows(i), "2024-05-01")
		if len(v.Services) != 1 || v.Services[0].Breedings != 2 || v.Services[0].SiresDiffer != differ || v.Services[0].Conceived == nil {
			t.Errorf("V31 cow %s: %+v, want one service of two breedings, sires differ %v", v.Animal, v.Services, differ)
		}
	}
	a := f.index("conception_risk", question{on: "2024-12-01", by: "sire"})
	counted(t, "V31 several sires", row(t, a, "(several)").Numerator, row(t, a, "(several)").Denominator, 1, 1)
	counted(t, "V31 one sire", row(t, a, "b1").Numerator, row(t, a, "b1").Denominator, 1, 1)
}

// V33: Johnson 2025, K-State (S74): of 100 cows 60 % conceive in each of three
// cycles: 60, then 24 of 40, then 10 (9.6) of 16: 94 of 100.
func TestAcceptV33RunDown(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "run-down", shortWait)
	from := "2024-03-04"
	for i := range 100 {
		c := cows(i)
		f.calved(c, "2024-01-01")
		for cycle, until := range []int{60, 84, 94} {
			day := after(from, 21*cycle+5)
			f.bred(c, day)
			if i < until {
				f.pregnant(c, after(day, 35), 35)
				break
			}
		}
	}
	f.until("2024-12-01")
	a := f.index("pregnancy_risk_21d", question{from: from, to: after(from, 62), on: "2024-12-01", anchor: from})
	for i, w := range [][2]int{{60, 100}, {24, 40}, {10, 16}} {
		counted(t, fmt.Sprint("V33 cycle ", i+1), a.Rows[i].Numerator, a.Rows[i].Denominator, w[0], w[1])
	}
	calf := f.index("in_calf_by_200d", question{from: "2024-01-01", to: "2024-01-31", on: "2024-12-01"})
	counted(t, "V33 in calf", calf.Numerator, calf.Denominator, 94, 100)
}

// V35: Meadows et al. 2005, J Dairy Sci 88:1244 (S42): a day open costs $0.44,
// $1.37 and $1.71 on days 130, 160 and 190; linear between (derived), 0.905 on
// day 145 and 1.54 on day 175. The curve is the herd's own policy.
func TestAcceptV35CostCurve(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "curve", `{"open_cost":{"currency":"USD","curve":[{"days":130,"cost":0.44},{"days":160,"cost":1.37},{"days":190,"cost":1.71}]}}`)
	calved := "2024-01-01"
	f.calved("1", calved).until(after(calved, 400))
	for days, want := range map[int]float64{129: 0, 130: 0.44, 145: 0.905, 160: 1.37, 175: 1.54, 190: 1.71} {
		a := f.index("cost_of_open_days", question{on: after(calved, days)})
		near(t, fmt.Sprint("V35 on day ", days), a.Value, want, 1e-9)
	}
}

// Off the shelf (section 0; common practice, no source): 200 cows open past
// day 115 cost 400 to 600 dollars a day, as a range and not as one figure. On
// day 115 itself a cow costs nothing yet.
func TestAcceptCostOfOpenDays(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "open-cows", `{}`)
	on := "2024-12-01"
	for i := range 200 {
		f.calved(cows(i), after(on, -116))
	}
	f.calved("fresh", after(on, -115)).calved("stopped", after(on, -200)).add("stopped", "2024-08-01", "breeding_stop", `{}`)
	f.until(on)
	a := f.index("cost_of_open_days", question{on: on})
	near(t, "low", a.Measures["low_per_day"], 400, 1e-9)
	near(t, "high", a.Measures["high_per_day"], 600, 1e-9)
	counted(t, "cows that cost, of the open ones", a.Numerator, a.Denominator, 200, 201)
	if a.Value != nil || shown(a.NullReason) != "range" || a.Interval == nil || a.Interval.Low != 400 || a.Interval.High != 600 {
		t.Errorf("value %s (%s), interval %+v, want the range 400 to 600", shown(a.Value), shown(a.NullReason), a.Interval)
	}
}

// Pregnant per month (section 0; common practice, no source: 8 % of the
// milking cows a month): 100 cows of which 8 conceive every month for a year
// make 8 % a month, and not 96 % of the herd. Dry cows stand in the second
// denominator only. 1.11 derives 7.6 % a month for a calving interval of 400
// days.
func TestAcceptPregnantPerMonthOverAYear(t *testing.T) {
	t.Parallel()
	f := newFarm(t, serve(t), "steady", `{}`)
	for i := range 100 {
		c := cows(i)
		f.calved(c, "2022-11-01")
		if i >= 96 {
			continue
		}
		day := fmt.Sprintf("2023-%02d-10", i/8+1)
		f.bred(c, day).pregnant(c, after(day, 35), 35)
	}
	for i := range 25 { // and 25 dry cows all year
		c := "dry" + cows(i)
		f.calved(c, "2022-01-01").add(c, "2022-11-01", "dry_off", `{}`)
	}
	f.until("2024-06-01")
	a := f.index("pregnant_per_month", question{from: "2023-01-01", to: "2023-12-31", on: "2024-06-01"})
	counted(t, "over the year", a.Numerator, a.Denominator, 96, 1200)
	near(t, "a month", a.Value, 0.08, 1e-9)
	near(t, "of all cows", a.Measures["of_all_cows"], 96.0/1500, 1e-9)
	near(t, "target", a.Measures["target"], 0.08, 0)
	near(t, "8 % meets a target of 8 %", a.Measures["target_met"], 1, 0)
	if a.Interval == nil || a.Interval.Low > 0.08 || a.Interval.High < 0.08 || a.Interval.High > 0.1 {
		t.Errorf("interval %+v, want one around 0.08", a.Interval)
	}
	for _, r := range a.Rows {
		counted(t, r.Label, r.Numerator, r.Denominator, 8, 100)
		near(t, r.Label, r.Value, 0.08, 1e-9)
	}
	same(t, "months", len(a.Rows), 12)
	by := f.index("pregnant_per_month", question{from: "2023-01-01", to: "2023-12-31", on: "2024-06-01", by: "lactation_group"})
	num, den := 0, 0
	for _, r := range by.Rows {
		num, den = num+*r.Numerator, den+*r.Denominator
	}
	counted(t, "groups together", &num, &den, 96, 1200)
	f.policy("2023-01-01", `{"monthly_pregnant_target":0.09}`)
	a = f.index("pregnant_per_month", question{from: "2023-01-01", to: "2023-12-31", on: "2024-06-01"})
	near(t, "a target of the herd's own", a.Measures["target"], 0.09, 0)
	near(t, "8 % misses a target of 9 %", a.Measures["target_met"], 0, 0)
}
