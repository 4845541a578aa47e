package repro_test

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/simherd"
)

// Every herd of the demo, day by day of its last 60 and within the day stage by stage
// (readings; what the hand felt; services and all else), is looked at as the technician,
// the office and the clinic do: every list in every form, every cow's eligibility and
// page. Nothing panics, every text is whole, and what the lists say agrees with what is
// answered of the cow.
func TestWalked(t *testing.T) {
	t.Parallel()
	days := event.Date(60)
	if testing.Short() || underRace {
		days = 6
	}
	for i, named := range simherd.Demo() {
		t.Run(named.Herd, func(t *testing.T) {
			t.Parallel()
			p := named.Params
			p.Last = p.First + 700
			sim, err := simherd.New(p, named.Herd)
			if err != nil {
				t.Fatal(err)
			}
			policy := repro.DefaultPolicy()
			policy.OpenMark, policy.BredMark, policy.RebreedAfterHours = "orange", "blue", 12*(i%2)
			w := &walked{T: t, h: repro.NewHerd(named.Herd, repro.Policies{{Policy: policy}}), seqs: map[uuid.UUID]int64{}, touched: map[event.Date]map[string]bool{}, whole: map[string]bool{}}
			var day []*event.Event
			last := event.Date(0)
			for on, e := range sim.Events() {
				if on != last {
					w.day(last, day, last > p.Last-days)
					day, last = day[:0], on
				}
				day = append(day, e)
			}
			w.day(last, day, true)
			w.h.Settle()
			for on := p.Last - days; on <= p.Last; on += 10 { // and with all that came later in the log
				w.look(on)
			}
			if w.looked == 0 || w.rows < 1000 {
				t.Errorf("%d looks at %d rows", w.looked, w.rows)
			}
		})
	}
}

// walked is a herd as its log grows.
type walked struct {
	*testing.T
	h            *repro.Herd
	seq          int64
	seqs         map[uuid.UUID]int64
	looked, rows int
	touched      map[event.Date]map[string]bool // whose heat, palpation or breeding of the day is recorded
	whole        map[string]bool                // texts that were read and are whole
}

// day takes in what was recorded on a day, in three stages, and looks at the herd
// after each.
func (w *walked) day(on event.Date, list []*event.Event, look bool) {
	for stage := range 3 {
		var facts []repro.Fact
		for _, e := range list {
			at := 2
			switch e.Kind {
			case event.KindHeat, event.KindWalk:
				at = 0
			case event.KindPalpation:
				at = 1
			default:
			}
			if at != stage {
				continue
			}
			w.seq++
			w.seqs[e.ID] = w.seq
			f := repro.Fact{Event: e, Seq: w.seq}
			if v, ok := e.Data.(*event.Void); ok {
				f.Voids = w.seqs[v.Event]
			}
			facts = append(facts, f)
			if e.Animal != "" {
				if w.touched[e.On] == nil {
					w.touched[e.On] = map[string]bool{}
				}
				w.touched[e.On][e.Animal] = true
			}
		}
		w.h.Apply(facts)
		if look && (stage == 2 || on%3 == 0) {
			w.look(on)
		}
	}
}

// spoiled is what a text looks like in which something was left empty, or printed as
// what it is not.
var spoiled = regexp.MustCompile(`%!|  |\(\)|<nil>|^\s|\s$|^[;,.:]|[ (][;,.)]|0001-|\b0000-|, ,|map\[|&\{|day 0\b`)

func (w *walked) words(what string, texts ...string) {
	for _, s := range texts {
		if w.whole[s] {
			continue
		}
		w.whole[s] = true
		if s == "" || spoiled.MatchString(s) {
			w.Errorf("%s: %q", what, s)
		}
	}
}

func (w *walked) look(on event.Date) {
	w.Helper()
	w.looked++
	said := map[string]repro.Eligibility{}
	cows := map[string]*repro.Animal{}
	for _, a := range w.h.Animals(on) {
		cows[a.Name] = a
		e, ok := w.h.Eligibility(a.Name, on)
		what := fmt.Sprintf("%s on %s", a.Name, on)
		if !ok || e.Verdict == "" || len(e.Reasons) == 0 {
			w.Fatalf("%s: no verdict: %+v", what, e)
		}
		for _, r := range e.Reasons {
			w.words(what+", "+r.Code, r.Text)
		}
		w.words(what, append(e.Examine, e.Caution...)...)
		if (e.Verdict == repro.ExamineFirst) != (len(e.Examine) > 0) {
			w.Errorf("%s: %s, and to examine: %q", what, e.Verdict, e.Examine)
		}
		said[a.Name] = e
		if w.looked%10 == 0 {
			w.page(a.Name, on)
		}
	}
	lists := map[string]repro.List{}
	for _, d := range repro.Lists() {
		lists[d.Name] = w.list(d.Name, on, repro.ListOptions{}, cows)
	}
	if w.looked%7 == 0 {
		w.forms(on, cows, lists)
	}
	w.agree(on, said, cows, lists)
}

// page reads all that her page says.
func (w *walked) page(name string, on event.Date) {
	c, ok := w.h.Animal(name, on)
	if !ok {
		w.Fatalf("%s on %s has no page", name, on)
	}
	what := fmt.Sprintf("page of %s on %s", name, on)
	for _, n := range c.Next {
		w.words(what, n.Text)
	}
	for _, f := range c.Findings {
		w.words(what+", "+f.Code, f.Text, f.Ask, f.Bound)
	}
	for _, o := range c.Others {
		w.words(what, o.Text)
	}
}

func (w *walked) list(name string, on event.Date, o repro.ListOptions, cows map[string]*repro.Animal) repro.List {
	l, err := w.h.List(name, on, o)
	if err != nil {
		w.Fatalf("%s on %s: %v", name, on, err)
	}
	seen := map[string]bool{}
	for i := range l.Rows {
		r := &l.Rows[i]
		what := fmt.Sprintf("%s on %s, %s", name, on, r.Animal)
		w.words(what, r.Word, r.Text)
		w.words(what, append(slices.Clone(r.Examine), r.Caution...)...)
		for _, x := range r.Reasons {
			w.words(what+", "+x.Code, x.Text)
		}
		w.rows++
		if name == repro.ListChecks {
			continue
		}
		if cows[r.Animal] == nil || cows[r.Animal].Status.Code == repro.StatusGone {
			w.Errorf("%s: she is not here", what)
		}
		if seen[r.Animal] {
			w.Errorf("%s: listed twice", what)
		}
		seen[r.Animal] = true
	}
	for _, x := range l.LeftOut {
		w.words(fmt.Sprintf("%s on %s, left out: %s", name, on, x.Reason), x.Text)
	}
	w.words(name, l.Caution...)
	w.words(name, l.Notes...)
	return l
}

// forms holds the narrowed forms of the lists against the whole ones.
func (w *walked) forms(on event.Date, cows map[string]*repro.Animal, whole map[string]repro.List) {
	pens := map[string]bool{}
	for _, a := range cows {
		pens[a.Pen] = true
	}
	for _, d := range repro.Lists() {
		if d.MaxDays > 0 {
			w.list(d.Name, on, repro.ListOptions{Days: repro.Zero}, cows)
			w.list(d.Name, on, repro.ListOptions{Days: d.MaxDays}, cows)
		}
		if d.Name == repro.ListChecks { // may be of one who has left, or by a number of then
			continue
		}
		n, all := 0, 0
		for _, r := range whole[d.Name].Rows {
			if r.Pen != "" {
				all++
			}
		}
		for pen := range pens {
			if pen != "" {
				n += len(w.list(d.Name, on, repro.ListOptions{Pen: pen}, cows).Rows)
			}
		}
		if n != all {
			w.Errorf("%s on %s: %d rows pen by pen, %d in one", d.Name, on, n, all)
		}
	}
	due := map[string]bool{}
	for _, method := range []string{event.Ultrasound, event.ByPalpation, event.Blood, event.Milk} {
		for _, r := range w.list(repro.ListDiagnose, on, repro.ListOptions{Method: method}, cows).Rows {
			due[r.Animal] = true
		}
	}
	if len(due) != len(whole[repro.ListDiagnose].Rows) {
		w.Errorf("diagnose on %s: %d by some method, %d in all", on, len(due), len(whole[repro.ListDiagnose].Rows))
	}
	short := w.list(repro.ListWalk, on, repro.ListOptions{Short: true}, cows)
	left := 0
	for _, x := range short.LeftOut {
		if strings.HasPrefix(x.Reason, "short_") {
			left += x.Count
		}
	}
	if len(short.Rows)+left != len(whole[repro.ListWalk].Rows) {
		w.Errorf("walk on %s: %d and %d left out, of %d", on, len(short.Rows), left, len(whole[repro.ListWalk].Rows))
	}
}

// agree holds the lists against each other and against what is answered of each cow.
func (w *walked) agree(on event.Date, said map[string]repro.Eligibility, cows map[string]*repro.Animal, lists map[string]repro.List) {
	names := func(list string) map[string]*repro.ListRow {
		out := map[string]*repro.ListRow{}
		for i := range lists[list].Rows {
			out[lists[list].Rows[i].Animal] = &lists[list].Rows[i]
		}
		return out
	}
	examine, breed := names(repro.ListExamine), names(repro.ListBreed)
	late := map[string]bool{} // found in heat yesterday morning: on the list of two days
	for _, r := range w.list(repro.ListBreed, on, repro.ListOptions{Days: 1}, cows).Rows {
		late[r.Animal] = true
	}
	for name, r := range breed {
		switch e := said[name]; {
		case cows[name].Status.Code == repro.StatusPregnant:
			w.Errorf("breed on %s: %s is recorded as pregnant", on, name)
		case r.Verdict != e.Verdict:
			w.Errorf("breed on %s: %s is %s on the list and %s when asked: %+v", on, name, r.Verdict, e.Verdict, e.Reasons)
		case r.Verdict == repro.ExamineFirst && examine[name] == nil:
			w.Errorf("breed on %s: %s is to be examined first and not on examine: %s", on, name, r.Text)
		}
	}
	for name, e := range said {
		if e.Verdict == repro.Yes && !late[name] {
			w.Errorf("on %s %s may be bred and is not on breed: %+v", on, name, e.Reasons)
		}
	}
	for name := range examine {
		if v := said[name].Verdict; v == repro.No || v == repro.Yes {
			w.Errorf("examine on %s: %s is %s when asked: %+v", on, name, v, said[name].Reasons)
		}
	}
	// Read in heat now, each cow of the walk without a reading of the day is what the walk said.
	after := w.h.Clone()
	var facts []repro.Fact
	read := names(repro.ListWalk)
	for name := range read {
		s := cows[name].Status.Code
		if s == repro.StatusDry || s == repro.StatusCalf || s == repro.StatusMale {
			w.Errorf("walk on %s: %s is %s", on, name, s)
		}
		if w.touched[on][name] { // read, felt or bred already
			continue
		}
		e := event.New(event.KindHeat, w.h.Name(), name, on)
		e.ID, e.At, e.Data = uuid.NewSHA1(uuid.Nil, []byte(name)), "12:00", &event.Heat{Verdict: event.InHeat}
		facts = append(facts, repro.Fact{Event: e, Seq: w.seq + int64(len(facts)) + 1})
	}
	after.Apply(facts)
	for _, f := range facts {
		e, _ := after.Eligibility(f.Event.Animal, on)
		if r := read[f.Event.Animal]; r.Verdict != e.Verdict {
			w.Errorf("walk on %s: %s is %q if read in heat, and then %q: %s; %+v", on, f.Event.Animal, r.Verdict, e.Verdict, r.Text, e.Reasons)
		}
	}
}
