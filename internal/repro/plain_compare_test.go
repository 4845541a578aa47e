package repro_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/simherd"
)

var plainIndices = map[string]func(h *plainHerd, p repro.Params) *plainAnswer{
	"pregnancy_risk_21d":     func(h *plainHerd, p repro.Params) *plainAnswer { return h.windows21(p, false) },
	"insemination_risk_21d":  func(h *plainHerd, p repro.Params) *plainAnswer { return h.windows21(p, true) },
	"conception_risk":        (*plainHerd).conception,
	"days_to_first_service":  (*plainHerd).firstService,
	"days_open":              (*plainHerd).daysOpen,
	"inter_service_interval": (*plainHerd).intervals,
}

// cowsOnly are the indices that say nothing of heifers.
var cowsOnly = []string{"days_to_first_service", "days_open"}

// disagreement compares the two implementations over one log and one question;
// "" if they agree.
func disagreement(t failer, log []*event.Event, ps repro.Policies, p repro.Params, r rules) string {
	t.Helper()
	h := fold(log, ps)
	filled, err := p.Fill()
	if err != nil {
		t.Fatalf("%v", err)
	}
	plain := plainly(log, ps, filled.On, filled.Merge, r)
	var out []string
	for _, key := range []string{"pregnancy_risk_21d", "insemination_risk_21d", "conception_risk", "days_to_first_service", "days_open", "inter_service_interval"} {
		if filled.Strata == repro.StrataHeifers && slices.Contains(cowsOnly, key) {
			continue
		}
		got := ask(t, h, key, filled)
		want := plainIndices[key](plain, filled)
		for _, d := range differences(&got, want) {
			out = append(out, key+": "+d)
		}
	}
	return strings.Join(out, "\n")
}

func differences(got *repro.Answer, want *plainAnswer) []string {
	var out []string
	differ := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	seen := map[string]int{}
	for _, l := range want.lines {
		seen[l]++
	}
	for _, e := range got.Evidence {
		seen[line(e.Animal, e.Lactation, e.From, e.To, e.Days, e.Counted, e.Reason)]--
	}
	for l, n := range seen {
		if n > 0 {
			differ("plain has %s", l)
		}
		if n < 0 {
			differ("repro has %s", l)
		}
	}
	slices.Sort(out)
	if got.Denominator != nil && *got.Denominator != want.denominator {
		differ("denominator %d, plain %d", *got.Denominator, want.denominator)
	}
	if got.Numerator != nil && *got.Numerator != want.numerator {
		differ("numerator %d, plain %d", *got.Numerator, want.numerator)
	}
	value := func(what string, g *float64, w float64, ok bool) {
		if (g != nil) != ok || ok && math.Abs(*g-w) > 1e-9 {
			if g == nil {
				differ("%s: none, plain %v", what, w)
				return
			}
			differ("%s: %v, plain %v (%v)", what, *g, w, ok)
		}
	}
	switch {
	case got.Unit == repro.Share:
		value("value", got.Value, float64(want.numerator)/max(1, float64(want.denominator)), want.denominator > 0)
	case got.Key == "inter_service_interval":
		sum := 0
		for _, d := range want.days {
			sum += d
		}
		value("value", got.Value, float64(sum)/max(1, float64(len(want.days))), len(want.days) > 0)
	case len(want.days) > 0:
		value("value", got.Value, middle(want.days), true)
	default:
		value("value", got.Value, 0, false)
	}
	for name, w := range want.measures {
		value(name, got.Measures[name], w, true)
	}
	if _, ok := want.measures["survival_events"]; ok {
		w, ok := want.measures["survival_median"]
		value("survival_median", got.Measures["survival_median"], w, ok)
	}
	for _, row := range got.Rows {
		if want.classes != nil && row.Counts["intervals"] != want.classes[row.Label] {
			differ("%s: %d intervals, plain %d", row.Label, row.Counts["intervals"], want.classes[row.Label])
		}
		if want.windows != nil {
			c := row.Counts
			if g := [4]int{c["eligible"], c["bred"], c["pregnant"], c["pregnant_outside_eligible"]}; g != want.windows[row.Label] {
				differ("%s: eligible, bred, pregnant, outside %v, plain %v", row.Label, g, want.windows[row.Label])
			}
		}
	}
	return out
}

func plainHerds(t testing.TB) int {
	t.Helper()
	s := os.Getenv("BYRELOG_PLAIN_HERDS")
	if s == "" {
		return 1200
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("BYRELOG_PLAIN_HERDS is %q: not a number of herds", s)
	}
	return n
}

// The two implementations agree over random herds, line by line of the
// evidence. BYRELOG_PLAIN_HERDS sets how many (1,200).
func TestPlainAgrees(t *testing.T) {
	counted := map[string]int{}
	for seed := range uint64(plainHerds(t)) {
		log, ps := nastyHerd(seed)
		n := &nasty{r: rand.New(rand.NewPCG(seed, 99))}
		for range 2 {
			p := n.params()
			if d := disagreement(t, log, ps, p, definitions()); d != "" {
				t.Fatalf("herd %d, asked %+v:\n%s\n%s", seed, p, d, written(log))
			}
		}
		if seed%20 == 0 {
			for key, plain := range plainIndices {
				p, _ := (repro.Params{From: firstDay, To: lastDay, On: lastDay}).Fill()
				for _, l := range plain(plainly(log, ps, p.On, p.Merge, definitions()), p).lines {
					counted[key+": "+l[strings.LastIndex(l, ":")+2:]]++
				}
			}
		}
	}
	// What the herds do not contain is not compared.
	for _, want := range []string{
		"pregnancy_risk_21d: numerator, pregnant", "pregnancy_risk_21d: numerator, pregnant_lost_later",
		"pregnancy_risk_21d: denominator, bred", "pregnancy_risk_21d: denominator, bred_result_unknown", "pregnancy_risk_21d: denominator, eligible",
		"pregnancy_risk_21d: excluded, pregnant_outside_eligible", "pregnancy_risk_21d: excluded, few_risk_days",
		"pregnancy_risk_21d: excluded, provisional_window", "pregnancy_risk_21d: excluded, calving_unknown",
		"conception_risk: numerator, diagnosed_pregnant", "conception_risk: numerator, calved", "conception_risk: numerator, pregnant_lost_later",
		"conception_risk: denominator, bred_again", "conception_risk: denominator, diagnosed_open", "conception_risk: denominator, left_infertile",
		"conception_risk: excluded, left_undiagnosed", "conception_risk: excluded, bred_while_pregnant", "conception_risk: excluded, bull_run",
		"conception_risk: excluded, immature", "conception_risk: excluded, no_result",
		"days_to_first_service: denominator, served", "days_to_first_service: excluded, not_served", "days_to_first_service: excluded, left_not_served",
		"days_to_first_service: excluded, bull_run", "days_open: denominator, open_closed", "days_open: excluded, open_running",
		"days_open: excluded, open_censored", "inter_service_interval: numerator, interval", "inter_service_interval: excluded, after_loss",
		"inter_service_interval: excluded, bull_run",
	} {
		if counted[want] == 0 {
			t.Errorf("no herd has %s", want)
		}
	}
}

// And over small invented herds with recording noise.
func TestPlainAgreesOnInventedHerds(t *testing.T) {
	for seed := range uint64(max(6, plainHerds(t)/200)) {
		p := simherd.Default(12)
		p.Seed, p.First, p.Last = seed+1, firstDay, lastDay
		p.Renumber = seed%2 == 0
		p.Noise = simherd.Noise{Late: 0.1, LateMax: 21, Doubled: 0.05, Missing: 0.05, Swapped: 0.02, Corrected: 0.05}
		log, _, err := simherd.Generate(p, "mill-lane")
		if err != nil {
			t.Fatal(err)
		}
		n := &nasty{r: rand.New(rand.NewPCG(seed, 99))}
		ps := n.policies()
		if d := disagreement(t, log, ps, n.params(), definitions()); d != "" {
			t.Fatalf("herd %d:\n%s", seed, d)
		}
	}
}

// The comparison notices when a definition is changed: each of these makes the
// plain implementation wrong in one point.
func TestPlainCanFail(t *testing.T) {
	for name, mutate := range map[string]func(r *rules){
		"a stage reaches further":               func(r *rules) { r.reach += 14 },
		"stage and date agree sooner":           func(r *rules) { r.agree = 3 },
		"losses seen earlier":                   func(r *rules) { r.lossAge -= 12 },
		"shorter gestations fit":                func(r *rules) { r.gestationMin -= 20 },
		"longer gestations fit":                 func(r *rules) { r.gestationMax += 12 },
		"the usual gestation is narrower":       func(r *rules) { r.usual = 3 },
		"a calving reported twice counts":       func(r *rules) { r.sameCalving = 0 },
		"windows of 22 days":                    func(r *rules) { r.window = 22 },
		"at risk on the day of the loss":        func(r *rules) { r.lossDayFree = true },
		"a conception shortens the exposure":    func(r *rules) { r.shortens = true },
		"a bull serves":                         func(r *rules) { r.bullServes = true },
		"an examination too early counts":       func(r *rules) { r.openAtAll = true },
		"dry cows are at risk":                  func(r *rules) { r.dryAtRisk = true },
		"a pregnancy lost closes the days open": func(r *rules) { r.lossCloses = true },
		"intervals from first breedings":        func(r *rules) { r.startToStart = true },
	} {
		t.Run(name, func(t *testing.T) {
			r := definitions()
			mutate(&r)
			for seed := range uint64(3000) {
				log, ps := nastyHerd(seed)
				p := (&nasty{r: rand.New(rand.NewPCG(seed, 99))}).params()
				if disagreement(t, log, ps, p, r) != "" {
					return
				}
			}
			t.Error("no herd of 3,000 shows it")
		})
	}
}
