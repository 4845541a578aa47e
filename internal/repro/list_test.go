package repro_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
)

func list(t failer, h *repro.Herd, name, on, pen string, days int) repro.List {
	t.Helper()
	l, err := h.List(name, day(on), repro.ListOptions{Pen: pen, Days: days})
	if err != nil {
		t.Fatalf("list %s: %v", name, err)
	}
	return l
}

// rows writes a list as "animal:code" in its order.
func rows(l repro.List) string {
	out := make([]string, len(l.Rows))
	for i, r := range l.Rows {
		out[i] = r.Animal + ":" + r.Code
	}
	return strings.Join(out, " ")
}

func left(l repro.List) string {
	out := make([]string, len(l.LeftOut))
	for i, x := range l.LeftOut {
		if x.Text == "" {
			out[i] = "(no text) "
		}
		out[i] += fmt.Sprintf("%s=%d", x.Reason, x.Count)
	}
	return strings.Join(out, " ")
}

// X15 of indices.md section 3: J was bred on 05-20. On 06-10 (day 21) she is
// on the returns list; on 06-20 (day 31) she is due for ultrasound (28 days)
// and not for palpation (35).
func TestX15Lists(t *testing.T) {
	h := constructed(t)
	equal(t, "X15 returns on 06-10", rows(list(t, h, repro.ListReturns, "2024-06-10", "", 0)), "J:normal_return")
	equal(t, "X15 diagnose on 06-10", rows(list(t, h, repro.ListDiagnose, "2024-06-10", "", 0)), "A:confirm C:confirm_late G:confirm H:confirm_late") // conceived 03-31 and 04-03: day 71 and 68
	equal(t, "X15 returns on 06-20", rows(list(t, h, repro.ListReturns, "2024-06-20", "", 0)), "")
	d := list(t, h, repro.ListDiagnose, "2024-06-20", "", 0)
	equal(t, "X15 diagnose on 06-20", rows(d), "A:confirm_late C:confirm_late G:confirm_late H:confirm_late J:result_unknown K:confirm") // conceived 04-20: day 61
	methods := ""
	j := d.Rows[4]
	for _, m := range j.Methods {
		methods += m.Method + " from " + m.From.String() + "; "
	}
	equal(t, "X15 methods", methods, "ultrasound from 2024-06-17; blood from 2024-06-17; milk from 2024-06-17; ")
	equal(t, "X15 why", j.Text, "bred 31 days ago, result not known: due for ultrasound, blood, milk")
	equal(t, "since", j.Since, day("2024-06-17"))
	of := func(l repro.List) repro.ListRow {
		t.Helper()
		i := slices.IndexFunc(l.Rows, func(r repro.ListRow) bool { return r.Animal == "J" })
		if i < 0 {
			t.Fatalf("J is not on it: %s", rows(l))
		}
		return l.Rows[i]
	}
	equal(t, "palpation from day 35", len(of(list(t, h, repro.ListDiagnose, "2024-06-24", "", 0)).Methods), 4)
	equal(t, "a week ahead", of(list(t, h, repro.ListDiagnose, "2024-06-10", "", 7)).Text, "bred 21 days ago, result not known: due for ultrasound from 2024-06-17, blood from 2024-06-17, milk from 2024-06-17")
}

// X12 of indices.md section 3: due and dry-off dates.
func TestX12Lists(t *testing.T) {
	h := constructed(t)
	calve := list(t, h, repro.ListCalve, "2024-12-28", "", 8)
	equal(t, "due by 01-05", rows(calve), "C:due H:due A:due")
	equal(t, "A is due", calve.Rows[2].DueOn, day("2025-01-05"))
	equal(t, "past due", rows(list(t, h, repro.ListCalve, "2025-01-06", "", 2)), "C:past_due H:past_due A:past_due G:due")
	dry := list(t, h, repro.ListDryOff, "2024-11-06", "", repro.Zero)
	equal(t, "dry off by 11-06", rows(dry), "C:dry_off H:dry_off A:dry_off")
	equal(t, "A is to be dried off", dry.Rows[2].Since, day("2024-11-06"))
	equal(t, "fewer than 40 days", rows(list(t, h, repro.ListDryOff, "2024-11-19", "", repro.Zero)), "C:dry_off_late H:dry_off A:dry_off G:dry_off")
}

func penned(s *story, animal, on, pen string) *story {
	s.add(animal, on, &event.Move{Pen: pen})
	return s
}

// The rules are those of indices.md 1.14; the waiting period is 50 days.
func TestBreedAndExamineLists(t *testing.T) {
	const on = "2024-04-22"
	fresh := func() *story { return tell(t).calved("1", "2024-01-01") }
	for _, w := range []struct {
		name           string
		s              *story
		breed, examine string
		left           string // of the breed list
		verdict        repro.Verdict
	}{
		{"nothing seen", fresh(), "", "", "", ""},
		{"in heat", fresh().heat("1", on, event.InHeat), "1:in_heat", "", "", repro.Yes},
		{"in heat within the waiting period", tell(t).calved("1", "2024-04-01").heat("1", on, event.InHeat), "", "", "waiting_period=1", ""},
		{"in heat yesterday", fresh().heat("1", "2024-04-21", event.InHeat), "", "", "in_heat_yesterday=1", ""},
		{"in heat yesterday and bred", fresh().heat("1", "2024-04-21", event.InHeat).bred("1", "2024-04-21"), "", "", "", ""},
		{"in heat and bred today", fresh().heat("1", on, event.InHeat).bred("1", on), "", "", "same_heat=1", ""},
		{"suspect", fresh().heat("1", on, event.Suspect), "", "1:suspect_heat", "", ""},
		{"suspect yesterday", fresh().heat("1", "2024-04-21", event.Suspect), "", "1:suspect_heat", "", ""},
		{"suspect two days ago", fresh().heat("1", "2024-04-20", event.Suspect), "", "", "", ""},
		{"suspect, found in heat", fresh().heat("1", on, event.Suspect).palpated("1", on, event.InHeat), "1:palpated_in_heat", "", "", repro.Yes},
		{"suspect, found not in heat", fresh().heat("1", on, event.Suspect).palpated("1", on, event.NotInHeat), "", "", "", ""},
		{"suspect a day after breeding", fresh().bred("1", "2024-04-21").heat("1", on, event.Suspect), "", "", "", ""},
		{"bred 21 days ago, in heat", fresh().bred("1", "2024-04-01").heat("1", on, event.InHeat), "1:in_heat", "", "", repro.Yes},
		{"bred 10 days ago, in heat", fresh().bred("1", "2024-04-12").heat("1", on, event.InHeat), "1:short_return", "1:short_return", "", repro.ExamineFirst},
		{"bred 52 days ago, in heat", fresh().bred("1", "2024-03-01").heat("1", on, event.InHeat), "1:bred_result_unknown", "1:bred_result_unknown", "", repro.ExamineFirst},
		{"calving not recorded, in heat", tell(t).heat("1", on, event.InHeat), "1:calving_unknown", "1:calving_unknown", "", repro.ExamineFirst},
		{"pregnant, in heat", fresh().bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35).heat("1", on, event.InHeat), "", "1:heat_while_pregnant", "pregnant=1", ""},
		{"pregnant, suspect", fresh().bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35).heat("1", on, event.Suspect), "", "1:heat_while_pregnant", "", ""},
		{"pregnant, palpated in heat", fresh().bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35).palpated("1", on, event.InHeat), "", "", "pregnant=1", ""},
		{"pregnant, and nothing seen", fresh().bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35), "", "", "", ""},
		{"gone", fresh().heat("1", on, event.InHeat).left("1", on, ""), "", "", "", ""},
	} {
		t.Run(w.name, func(t *testing.T) {
			h := w.s.until(on).herd()
			b, x := list(t, h, repro.ListBreed, on, "", 0), list(t, h, repro.ListExamine, on, "", 0)
			equal(t, "breed", rows(b), w.breed)
			equal(t, "left out", left(b), w.left)
			equal(t, "examine", rows(x), w.examine)
			if w.breed != "" {
				r := b.Rows[0]
				equal(t, "verdict", r.Verdict, w.verdict)
				if unknown := w.verdict == repro.ExamineFirst; unknown != strings.Contains(r.Text, "examine her first") || unknown != (len(r.Examine) > 0) {
					t.Errorf("a state that is not known is not said: %+v", r)
				}
			}
		})
	}
	s := fresh()
	s.heat("1", on, event.InHeat)
	s.events[len(s.events)-1].Half = event.AM
	s.events[len(s.events)-1].Data = &event.Heat{Verdict: event.InHeat, Signs: []string{"standing"}}
	r := list(t, s.until(on).herd(), repro.ListBreed, on, "", 0).Rows[0]
	if !strings.Contains(r.Text, "this afternoon") { // S44
		t.Errorf("no hint of the a.m.-p.m. rule: %s", r.Text)
	}
	s = fresh()
	s.heat("1", on, event.InHeat)
	s.events[len(s.events)-1].Half = event.AM
	s.events[len(s.events)-1].Data = &event.Heat{Verdict: event.InHeat, FoundBy: "chalk", Chalk: event.Rubbed}
	if r := list(t, s.until(on).herd(), repro.ListBreed, on, "", 0).Rows[0]; strings.Contains(r.Text, "a.m.") { // its beginning is up to a day old
		t.Errorf("chalk times a breeding: %s", r.Text)
	}
	s = fresh()
	s.heat("1", "2024-04-21", event.InHeat)
	s.events[len(s.events)-1].Half = event.PM
	equal(t, "yesterday afternoon's, not bred", rows(list(t, s.until(on).herd(), repro.ListBreed, on, "", 0)), "1:in_heat")
	s.bred("1", "2024-04-21")
	equal(t, "yesterday afternoon's, bred", rows(list(t, s.until(on).herd(), repro.ListBreed, on, "", 0)), "")
	// The fault that ended the service: tone and mucus were looked up as a way of finding heats.
	s = fresh().heat("1", on, event.Suspect)
	s.add("1", on, &event.Palpation{Verdict: event.InHeat, Tone: "strong", Mucus: "clear"})
	equal(t, "felt", list(t, s.until(on).herd(), repro.ListBreed, on, "", 0).Rows[0].Text, "found in heat by palpation today, strong tone, mucus clear")
	h := fresh().heat("1", "2024-04-21", event.InHeat).until(on).herd()
	equal(t, "breed with yesterday's", rows(list(t, h, repro.ListBreed, on, "", 1)), "1:in_heat")
	h = fresh().heat("1", "2024-04-18", event.Suspect).until(on).herd()
	equal(t, "suspects of four days", rows(list(t, h, repro.ListExamine, on, "", 4)), "1:suspect_heat")
	equal(t, "suspects of three days", rows(list(t, h, repro.ListExamine, on, "", 3)), "")
}

// What a rub would mean: the verdict of a heat read that day, by the rules of
// indices.md 1.14; the days of returns are those of S52 and S1.
func TestWalkList(t *testing.T) {
	const on = "2024-06-30"
	bred := func(n int) *story {
		return tell(t).calved("1", "2024-01-01").bred("1", (day(on) - event.Date(n)).String())
	}
	dry := bred(250)
	dry.add("1", on, &event.DryOff{})
	stopped := tell(t).calved("1", "2024-01-01")
	stopped.add("1", "2024-06-01", &event.BreedingStop{})
	for _, w := range []struct {
		code    string
		verdict repro.Verdict
		mark    string
		s       *story
	}{
		{"open", repro.Yes, "yellow", tell(t).calved("1", "2024-01-01")},
		{"open_expected", repro.Yes, "yellow", tell(t).calved("1", "2024-01-01").heat("1", "2024-06-09", event.InHeat)},
		{"open", repro.Yes, "yellow", tell(t).calved("1", "2024-01-01").heat("1", "2024-06-13", event.InHeat)},
		{"waiting_period", repro.No, "yellow", tell(t).calved("1", "2024-06-01")},
		{"same_heat", repro.No, "blue", bred(1)},
		{"short_return", repro.ExamineFirst, "blue", bred(17)},
		{"normal_return", repro.Yes, "blue", bred(18)},
		{"normal_return", repro.Yes, "blue", bred(24)},
		{"bred_result_unknown", repro.ExamineFirst, "blue", bred(25)},
		{"off_return", repro.ExamineFirst, "blue", bred(48)},
		{"bred_result_unknown", repro.ExamineFirst, "blue", bred(49)},
		{"pregnant", repro.ExamineFirst, "blue", bred(60).pregnant("1", "2024-06-10", 40)},
		{"pregnant", repro.No, "blue", bred(90).pregnant("1", "2024-06-10", 70)},
		{"after_loss", repro.No, "yellow", bred(80).pregnant("1", "2024-05-20", 39).open("1", "2024-06-20")},
		{"after_loss", repro.ExamineFirst, "yellow", bred(50).pregnant("1", "2024-06-18", 38).open("1", "2024-06-22")},
		{"open", repro.Yes, "yellow", bred(60).open("1", "2024-06-10")},
		{"stopped", repro.No, "", stopped},
		{"calving_unknown", repro.ExamineFirst, "yellow", tell(t).heat("1", "2024-06-01", event.NotInHeat)},
	} {
		p := repro.DefaultPolicy()
		p.WaitFirst, p.WaitLater, p.OpenMark, p.BredMark = 50, 50, "yellow", "blue"
		h := w.s.until(on).herd().WithPolicies(repro.Policies{{Policy: p}})
		l := list(t, h, repro.ListWalk, on, "", 0)
		if len(l.Rows) != 1 {
			t.Fatalf("%s: rows %s", w.code, rows(l))
		}
		r := l.Rows[0]
		equal(t, w.code+": code", r.Code, w.code)
		equal(t, w.code+": verdict", r.Verdict, w.verdict)
		equal(t, w.code+": mark", r.Mark, w.mark)
		equal(t, w.code+": colours of the herd", l.OpenMark+" "+l.BredMark, "yellow blue")
	}
	equal(t, "dry cows are not walked", left(list(t, dry.until(on).herd(), repro.ListWalk, on, "", 0)), "dry_no_walk=1")
	late := tell(t).calved("1", "2023-01-01").bred("1", "2023-11-01").pregnant("1", "2023-12-10", 39).until(on).herd()
	equal(t, "nor those near calving", left(list(t, late, repro.ListWalk, on, "", 0)), "near_calving=1")
	s := penned(penned(penned(tell(t), "10", on, "b2"), "9", on, "b2"), "7", on, "b10").born("8", on).until(on)
	l := list(t, s.herd(), repro.ListWalk, on, "", 0)
	equal(t, "order and calves", rows(l)+" / "+left(l), "9:calving_unknown 10:calving_unknown 7:calving_unknown / calf=1")
	equal(t, "no colours", strings.Join(l.Notes, ""), "the herd's policy states no mark colour for open and for bred cows")
	equal(t, "one pen", rows(list(t, s.herd(), repro.ListWalk, on, "b10", 0)), "7:calving_unknown")
	equal(t, "no such pen", strings.Join(list(t, s.herd(), repro.ListBreed, on, "b3", 0).Notes, ""), "no animal stands in a pen b3 on 2024-06-30; there are animals in: b2, b10")
}

func TestDiagnoseList(t *testing.T) {
	cow := func() *story { return tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01") }
	run := tell(t).calved("1", "2024-01-01")
	run.add("1", "2024-03-01", &event.Breeding{Method: event.Natural, Until: day("2024-04-01")})
	for _, w := range []struct {
		name, on, rows, left string
		methods              int
		s                    *story
	}{
		{"day 27", "2024-03-28", "", "", 0, cow()},
		{"day 28", "2024-03-29", "1:result_unknown", "", 3, cow()},
		{"day 28, blood and milk not before 60 days after calving", "2024-02-29", "", "", 0, tell(t).calved("1", "2024-01-01").bred("1", "2024-02-05")},
		{"day 34 and 59 after calving: ultrasound alone", "2024-02-29", "1:result_unknown", "", 1, tell(t).calved("1", "2024-01-01").bred("1", "2024-01-26")},
		{"day 35", "2024-04-05", "1:result_unknown", "", 4, cow()},
		{"found pregnant", "2024-04-20", "", "", 0, cow().pregnant("1", "2024-04-05", 35)},
		{"found open", "2024-04-20", "", "", 0, cow().open("1", "2024-04-05")},
		{"examined 6 days ago", "2024-04-05", "", "examined_this_week=1", 0, cow().palpated("1", "2024-03-30", event.NotInHeat)},
		{"examined 7 days ago", "2024-04-05", "1:result_unknown", "", 4, cow().palpated("1", "2024-03-29", event.NotInHeat)},
		{"bred again", "2024-04-20", "", "", 0, cow().bred("1", "2024-04-01")},
		{"day 59 of pregnancy", "2024-04-29", "", "", 0, cow().pregnant("1", "2024-04-05", 35)},
		{"day 60 of pregnancy", "2024-04-30", "1:confirm", "", 4, cow().pregnant("1", "2024-04-05", 35)},
		{"day 75 of pregnancy", "2024-05-15", "1:confirm", "", 4, cow().pregnant("1", "2024-04-05", 35)},
		{"day 76 of pregnancy", "2024-05-16", "1:confirm_late", "", 4, cow().pregnant("1", "2024-04-05", 35)},
		{"so late that she is to be dried off", "2024-10-20", "", "confirm_missed=1", 0, cow().pregnant("1", "2024-04-05", 35)},
		{"felt in heat since", "2024-04-20", "1:pregnancy_in_doubt", "", 2, cow().pregnant("1", "2024-04-05", 35).palpated("1", "2024-04-20", event.InHeat)},
		{"confirmed", "2024-05-10", "", "", 0, cow().pregnant("1", "2024-04-05", 35).pregnant("1", "2024-05-01", 61)},
		{"with a bull, day 27 after", "2024-04-28", "", "", 0, run},
		{"with a bull, day 28 after", "2024-04-29", "1:result_unknown", "", 3, run},
		{"a heifer gives no milk", "2024-04-05", "1:result_unknown", "", 3, tell(t).born("1", "2022-01-01").bred("1", "2024-03-01")},
	} {
		t.Run(w.name, func(t *testing.T) {
			l := list(t, w.s.until(w.on).herd(), repro.ListDiagnose, w.on, "", 0)
			equal(t, "rows", rows(l), w.rows)
			equal(t, "left out", left(l), w.left)
			if len(l.Rows) > 0 {
				equal(t, "methods", len(l.Rows[0].Methods), w.methods)
			}
		})
	}
}

func TestDueLists(t *testing.T) {
	cow := func() *story {
		return tell(t).calved("1", "2024-01-01").bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35) // due 280 days on: 12-06
	}
	l := list(t, cow().until("2024-11-15").herd(), repro.ListCalve, "2024-11-15", "", 0)
	equal(t, "21 days before", rows(l), "1:due")
	if !strings.Contains(l.Rows[0].Text, "not recorded as dried off") || len(l.Rows[0].Caution) != 3 { // zoonoses, transport, notice of abortion
		t.Errorf("%+v", l.Rows[0])
	}
	equal(t, "late in pregnancy since day 252 (S116)", l.Rows[0].Reasons[0].Since, day("2024-03-01")+252)
	equal(t, "22 days before", rows(list(t, cow().until("2024-11-14").herd(), repro.ListCalve, "2024-11-14", "", 0)), "")
	l = list(t, cow().until("2024-12-29").herd(), repro.ListCalve, "2024-12-29", "", 0)
	equal(t, "day 303", rows(l)+left(l), "overdue=1")
	s := cow()
	s.add("1", "2024-09-30", &event.Treatment{Class: "antibiotic", MilkWithheldUntil: day("2024-10-20")})
	l = list(t, s.until("2024-10-07").herd(), repro.ListDryOff, "2024-10-07", "", repro.Zero)
	equal(t, "60 days before", rows(l), "1:dry_off")
	equal(t, "withdrawal", l.Rows[0].Reasons[0].Code, repro.ReasonWithheldMilk)
	if !slices.ContainsFunc(l.Rows[0].Caution, func(c string) bool { return strings.Contains(c, "withheld") }) {
		t.Errorf("no caution of residues: %v", l.Rows[0].Caution)
	}
	dried := cow()
	dried.add("1", "2024-10-08", &event.DryOff{})
	equal(t, "dried off", rows(list(t, dried.until("2024-10-09").herd(), repro.ListDryOff, "2024-10-09", "", 0)), "")
	equal(t, "a heifer is not dried off", rows(list(t, tell(t).born("1", "2022-01-01").bred("1", "2024-03-01").pregnant("1", "2024-04-05", 35).until("2024-11-01").herd(), repro.ListDryOff, "2024-11-01", "", 30)), "")
}

func TestChecksList(t *testing.T) {
	s := tell(t).calved("1", "2023-01-01", "2023-07-01").calved("2", "2024-05-01").bred("2", "2024-05-06").until("2024-06-01")
	h := s.herd()
	l := list(t, h, repro.ListChecks, "2024-06-01", "", repro.Zero)
	found := slices.DeleteFunc(h.Findings(day("2024-06-01")), func(f repro.Finding) bool { return f.Severity == repro.SeverityNote })
	equal(t, "rows", len(l.Rows), len(found))
	for i, r := range l.Rows {
		if r.Finding == nil || r.Code != found[i].Code || r.Examine[0] == "" {
			t.Errorf("row %d: %+v", i, r)
		}
	}
	l = list(t, h, repro.ListChecks, "2024-06-01", "", 0)
	equal(t, "of 30 days", rows(l), "2:bred_very_soon")
	equal(t, "older ones and notes, counted", left(l), "note=2 older=1")
}

func TestListParameters(t *testing.T) {
	h := constructed(t)
	if _, err := h.List("hoof", day("2024-06-10"), repro.ListOptions{}); !errors.Is(err, repro.ErrUnknownList) {
		t.Errorf("unknown list: %v", err)
	}
	for _, w := range []struct {
		name string
		days int
	}{{repro.ListWalk, 1}, {repro.ListBreed, 2}, {repro.ListCalve, -2}, {repro.ListCalve, 1 << 40}} {
		if _, err := h.List(w.name, day("2024-06-10"), repro.ListOptions{Days: w.days}); !errors.Is(err, repro.ErrBadParameter) {
			t.Errorf("%s over %d days: %v", w.name, w.days, err)
		}
	}
	for _, d := range repro.Lists() {
		if d.Title == "" || d.Text == "" || len(d.Sources) == 0 || (d.MaxDays > 0) != (d.DaysAre != "") {
			t.Errorf("%+v", d)
		}
	}
}

// Every row's reason is true by a plain look at the animal's page, and nobody
// whose page says so is missing.
func TestListsAreTrue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := fold(drawLog(t, animals, 60), randomPolicies())
		on := firstDay + event.Date(rapid.IntRange(0, int(lastDay-firstDay)).Draw(t, "on"))
		views := map[string]*repro.CowView{}
		for _, a := range h.Animals(on) {
			if v, ok := h.Animal(a.Name, on); ok && v.Status.Code != repro.StatusGone {
				views[v.Name] = v
			}
		}
		for _, d := range repro.Lists() {
			days := rapid.IntRange(0, min(d.MaxDays, 40)).Draw(t, "days")
			asked := days
			if days == 0 {
				asked = repro.Zero
			}
			l := list(t, h, d.Name, on.String(), "", asked)
			seen := map[string]bool{}
			for i := range l.Rows {
				r := &l.Rows[i]
				if d.Name == repro.ListChecks {
					continue
				}
				v := views[r.Animal]
				if v == nil || seen[r.Animal] || v.Sex == event.Male || r.Text == "" || r.Word == "" || repro.Meaning(r.Code) == "" {
					t.Fatalf("%s: %+v of %+v", d.Name, r, v)
				}
				seen[r.Animal] = true
				if why := untrue(h, d.Name, r, v, days); why != "" {
					t.Fatalf("%s, %s on %s: %s\n%+v\n%+v", d.Name, r.Animal, on, why, r, v)
				}
			}
			for name, v := range views {
				if !seen[name] && belongs(h, d.Name, v, on, days) {
					t.Fatalf("%s on %s: %s is missing: %+v", d.Name, on, name, v)
				}
			}
		}
	})
}

// untrue says what of a row is not so.
func untrue(h *repro.Herd, name string, r *repro.ListRow, v *repro.CowView, days int) string {
	on := v.On
	e, _ := h.Eligibility(v.Name, on)
	heat := func(verdict string, back int) bool {
		return slices.ContainsFunc(v.Heats, func(x repro.HeatView) bool { return x.Verdict == verdict && int(on-x.On) <= back })
	}
	switch name {
	case repro.ListBreed:
		switch {
		case v.Pregnant != nil:
			return "she is recorded as pregnant"
		case !heat(event.InHeat, 1):
			return "nobody found her in heat"
		case e.Verdict == repro.No || e.Verdict != r.Verdict:
			return "her eligibility is " + string(e.Verdict)
		case v.BredOn != 0 && on-v.BredOn <= 1 && v.BredOn >= v.CalvedOn:
			return "she was bred in this heat"
		}
	case repro.ListExamine:
		switch {
		case !heat(event.Suspect, max(days, 1)) && !heat(event.InHeat, 1) && !heat(event.Unclear, 0):
			return "nobody saw a sign"
		case days <= 1 && e.Verdict != repro.ExamineFirst:
			return "her eligibility is " + string(e.Verdict)
		}
	case repro.ListDiagnose:
		if r.Code == repro.RowInDoubt {
			if v.Pregnant == nil || !slices.ContainsFunc(v.Heats, func(x repro.HeatView) bool {
				return x.Kind == "palpation" && x.Verdict == event.InHeat && x.On > v.Pregnant.LastSeenOn
			}) {
				return "her pregnancy is in no doubt"
			}
			return ""
		}
		for _, x := range v.Heats {
			if x.Kind == "palpation" && on-x.On < 7 {
				return "she was examined on " + x.On.String()
			}
		}
		if r.Code == repro.RowConfirm || r.Code == repro.RowConfirmLate {
			if p := v.Pregnant; p == nil || (*p.DaysPregnant > 75) != (r.Code == repro.RowConfirmLate) || *p.DaysPregnant+days < 60 || p.LastSeenOn >= p.ConceivedOn+60 {
				return "she needs no second check"
			}
			return ""
		}
		if v.Pregnant != nil {
			return "she is recorded as pregnant"
		}
		s := v.Services[len(v.Services)-1]
		if s.Outcome != repro.OutcomeImmature && s.Outcome != repro.OutcomeUnknown || int(on-s.LastOn)+days < 28 {
			return "her last service asks for none"
		}
	case repro.ListReturns:
		s := v.Services[len(v.Services)-1]
		from, to := int(on-s.LastOn), int(on-s.LastOn)+days
		if v.Pregnant != nil || !(from <= 24 && to >= 18 || from <= 48 && to >= 36) {
			return "no return is expected"
		}
	case repro.ListNotSeen:
		if v.Pregnant != nil || len(v.Services) > 0 && v.Services[len(v.Services)-1].On >= v.CalvedOn && v.CalvedOn != 0 || heat(event.InHeat, days-1) {
			return "she is bred, or seen in heat"
		}
	case repro.ListRepeat:
		if s := v.Services[len(v.Services)-1]; v.Pregnant != nil || s.Number < 3 || days > 0 && int(on-s.LastOn) > days {
			return "she is no repeat breeder"
		}
	case repro.ListLosses:
		if x := v.Losses[len(v.Losses)-1]; v.Pregnant != nil || int(on-x.DetectedOn) > days || v.BredOn > x.DetectedOn {
			return "she has no loss to look at"
		}
	case repro.ListCalve:
		if p := v.Pregnant; p == nil || p.DueOn == 0 || int(p.DueOn-on) > days || *p.DaysPregnant > 302 {
			return "she is not due"
		}
	case repro.ListDryOff:
		if p := v.Pregnant; p == nil || p.DryOffOn == 0 || int(p.DryOffOn-on) > days || v.Status.Code == repro.StatusDry {
			return "she is not to be dried off"
		}
	}
	return ""
}

// belongs tells whether an animal's page says plainly that she is to be on a
// list.
func belongs(h *repro.Herd, name string, v *repro.CowView, on event.Date, days int) bool {
	if v.Sex == event.Male || v.EnteredOn > on {
		return false
	}
	switch name {
	case repro.ListWalk:
		return v.Status.Code != repro.StatusCalf && v.Status.Code != repro.StatusDry && v.Pregnant == nil
	case repro.ListExamine:
		e, _ := h.Eligibility(v.Name, on)
		sign := slices.ContainsFunc(e.Reasons, func(r repro.Reason) bool {
			return slices.Contains([]string{repro.ReasonInHeat, repro.ReasonPalpatedHeat, repro.ReasonHeatPregnant, repro.ReasonPalpatedUnsure}, r.Code) && r.Since == on ||
				r.Code == repro.ReasonSuspect && int(on-r.Since) <= days
		})
		return e.Verdict == repro.ExamineFirst && sign
	case repro.ListBreed:
		e, _ := h.Eligibility(v.Name, on)
		today := slices.ContainsFunc(e.Reasons, func(r repro.Reason) bool {
			return (r.Code == repro.ReasonInHeat || r.Code == repro.ReasonPalpatedHeat) && r.Since == on
		})
		return e.Verdict == repro.Yes && today
	case repro.ListReturns:
		if v.Status.Code != repro.StatusBred || v.Services[len(v.Services)-1].Method == event.Natural {
			return false
		}
		d := int(on - v.BredOn)
		return d >= 18 && d <= 24 || d >= 36 && d <= 48
	case repro.ListRepeat:
		if s := len(v.Services) - 1; s >= 0 && v.Status.Code == repro.StatusBred && days == 0 {
			return v.Services[s].Number >= 4
		}
	case repro.ListCalve:
		return v.Pregnant != nil && v.Pregnant.DueOn != 0 && int(v.Pregnant.DueOn-on) <= days && *v.Pregnant.DaysPregnant <= 302
	case repro.ListDryOff:
		return v.Pregnant != nil && v.Pregnant.DryOffOn != 0 && int(v.Pregnant.DryOffOn-on) <= days && *v.Pregnant.DaysPregnant <= 302 && v.Status.Code != repro.StatusDry
	}
	return false
}

// What the walk list says a rub would mean is what Eligibility says when it is
// read.
func TestWalkForetells(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := drawLog(t, animals, 40)
		on := firstDay + event.Date(rapid.IntRange(0, int(lastDay-firstDay)).Draw(t, "on"))
		h := fold(log, randomPolicies())
		l := list(t, h, repro.ListWalk, on.String(), "", 0)
		if len(l.Rows) == 0 {
			return
		}
		r := rapid.SampledFrom(l.Rows).Draw(t, "row")
		v, _ := h.Animal(r.Animal, on)
		if slices.ContainsFunc(v.Heats, func(x repro.HeatView) bool { return x.On == on }) {
			return // the day's own readings stand beside the one that is made up
		}
		e := event.New(event.KindHeat, "random", r.Animal, on)
		e.ID, e.At, e.Data = uuid.New(), "23:59", &event.Heat{Verdict: event.InHeat}
		got, _ := fold(append(slices.Clone(log), e), randomPolicies()).Eligibility(r.Animal, on)
		if got.Verdict != r.Verdict {
			t.Fatalf("%s (%s): the walk list says %q, a heat read makes it %q: %+v", r.Animal, r.Code, r.Verdict, got.Verdict, got)
		}
	})
}
