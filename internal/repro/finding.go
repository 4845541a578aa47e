package repro

import (
	"cmp"
	"fmt"
	"slices"

	"byrelog.example/internal/event"
)

// Findings lists what in the herd's records does not fit, as of a day, in
// order of date: the rules of indices.md section 4 that are warnings. Nothing
// is corrected because of a finding. Those about the herd as a whole have no
// animal and come last. The zero day is the herd's last data date.
func (h *Herd) Findings(on event.Date) []Finding {
	k := h.at(on)
	out := []Finding{}
	for _, l := range k.f.lives {
		out = append(out, k.findings(l)...)
	}
	slices.SortStableFunc(out, func(a, b Finding) int { return cmp.Compare(a.On, b.On) })
	return append(out, k.ofTheHerd()...)
}

// findings of one animal, in order of date.
func (k *lookup) findings(l *life) []Finding {
	w := &watcher{k: k, l: l, out: make([]Finding, 0, len(l.notes))}
	for _, n := range l.notes {
		d := noteTexts[n.code]
		w.add(d.rule, d.code, n.on, []int64{n.seq}, "%s", d.text)
	}
	w.birth()
	w.calvings()
	w.services()
	w.conceptions()
	w.twins()
	slices.SortStableFunc(w.out, func(a, b Finding) int { return cmp.Compare(a.On, b.On) })
	return w.out
}

// What the fold notices.
var noteTexts = []struct{ code, rule, text string }{
	noteFirstSeen:     {"no_arrival", "R1", "she was never recorded as arriving; she counts as present from this first event on"},
	noteArrivedTwice:  {"arrived_twice", "R1", "an arrival of an animal that is here already; taken as a second statement about her"},
	noteNumberReused:  {"number_reused", "R1", "another animal took this number while she was here; she counts as gone from that day"},
	noteNumberTaken:   {"number_taken", "R1", "she was given a number that another animal bore"},
	noteAfterLeaving:  {"after_leaving", "R18", "an event after she left the herd and before any arrival; left out of every figure"},
	noteOldNumber:     {"old_number", "R1", "recorded under a number that she no longer bears; taken as hers"},
	noteCalvingTwice:  {"calving_twice", "R20", "a second report of a calving within seven days; taken as the same calving"},
	noteEarlyPositive: {"diagnosis_too_early", "R13", "diagnosed pregnant too early after the service or calving; does not count unless a later diagnosis finds her pregnant"},
	noteEarlyOpen:     {"diagnosis_too_early", "R13", "diagnosed open too early after the service; does not count for that service"},
	noteStageOff:      {"stage_off", "R12", "the stage given and the service differ by more than ten days"},
	noteNoService:     {"no_service", "R14", "pregnant without a recorded service that fits"},
	noteBredPregnant:  {"bred_while_pregnant", "R11", "bred while recorded pregnant; the pregnancy stands until a diagnosis says otherwise: examine her"},
	noteHeatPregnant:  {"heat_while_pregnant", "R11", "in heat while recorded pregnant; the pregnancy stands until a diagnosis says otherwise: examine her"},
	noteReinstated:    {"open_then_pregnant", "R20", "diagnosed open or a loss recorded, and pregnant from before that day by a later diagnosis or calving; the loss is taken as an error"},
	noteNothingLost:   {"loss_without_service", "R14", "a loss without any service or pregnancy that it could have ended"},
	noteConceptions:   {"conceptions_differ", "R12", "two examinations date her conception differently; the first stands"},
	noteGestation:     {"gestation_off", "R3", "the calving lies more than eighteen days from the mean gestation of her breed"},
}

// Bounds of the rules, in days; sources in indices.md section 4.
const (
	intervalShort    = 300  // R5
	intervalLong     = 700  // R6, from memory
	firstCalvingMin  = 639  // R7: 21 months
	firstCalvingHard = 548  // R7: 18 months, from memory
	firstCalvingMax  = 1278 // R7: 42 months
	firstServiceHard = 7    // R8
	firstServiceMin  = 20   // R8
	heiferServiceMin = 365  // R10
	premature        = 271  // R4; 265 after transfer
	prematureEmbryo  = 265
	manyServices     = 10 // R15
	tooManyServices  = 15
	pairDays         = 7 // R20, of diagnoses and losses
)

type watcher struct {
	k   *lookup
	l   *life
	out []Finding
}

func (w *watcher) add(rule, code string, on event.Date, seqs []int64, format string, args ...any) {
	w.out = append(w.out, Finding{Code: code, Rule: rule, Animal: w.k.h.words.text(w.l.name(on)), On: on, Text: fmt.Sprintf(format, args...), Seqs: seqs})
}

// birth: events before it (R2), and a dam that cannot be (R21).
func (w *watcher) birth() {
	l := w.l
	for i := range l.recs {
		r := &l.recs[i]
		if l.born != 0 && r.on < l.born {
			w.add("R2", "before_birth", r.on, []int64{r.seq}, "%s before her birth on %s", r.kind, l.born)
		}
		if r.kind != event.KindArrival || l.dam == 0 || w.k.h.pasts[r.text].how != bornHere {
			continue
		}
		dam := w.k.bearerOf(l.dam, r.on)
		switch {
		case dam == nil:
			w.add("R21", "dam_unknown", r.on, []int64{r.seq}, "nothing is recorded of her dam %s by the day of birth", w.k.h.words.text(l.dam))
		case dam.sex == male:
			w.add("R21", "dam_male", r.on, []int64{r.seq}, "her dam %s is recorded as male", w.k.h.words.text(l.dam))
		}
	}
}

// bearerOf is who bore a number on a day, or last before it.
func (k *lookup) bearerOf(number word, on event.Date) *life {
	back := *k
	back.on = on
	l, _ := back.find(k.h.words.text(number))
	return l
}

func (w *watcher) calvings() {
	l := w.l
	for i := range l.lactations {
		lac := &l.lactations[i]
		if lac.calved == 0 || lac.brought {
			continue
		}
		if lac.number == 1 && l.born != 0 {
			switch age := int(lac.calved - l.born); {
			case age < firstCalvingHard:
				w.add("R7", "calved_very_young", lac.calved, []int64{lac.seq}, "first calving at %d days, under 18 months", age)
			case age < firstCalvingMin:
				w.add("R7", "calved_young", lac.calved, []int64{lac.seq}, "first calving at %d days, under 21 months", age)
			case age > firstCalvingMax:
				w.add("R7", "calved_old", lac.calved, []int64{lac.seq}, "first calving at %d days, over 42 months", age)
			}
		}
		if i == 0 || l.lactations[i-1].calved == 0 {
			continue
		}
		prev := &l.lactations[i-1]
		seqs := []int64{prev.seq, lac.seq}
		switch days := int(lac.calved - prev.calved); {
		case days < calvingIntervalMin && !lostBetween(l, prev.calved, lac.calved):
			w.add("R17", "calving_too_soon", lac.calved, seqs, "%d days after her last calving, without a loss between: one of the two is no calving, or another cow's", days)
		case days < intervalShort:
			w.add("R5", "calving_interval_short", lac.calved, seqs, "%d days after her last calving, under %d", days, intervalShort)
		case days > intervalLong:
			w.add("R6", "calving_interval_long", lac.calved, seqs, "%d days after her last calving, over %d: is a calving missing", days, intervalLong)
		}
	}
}

func (w *watcher) services() {
	l := w.l
	for i := range l.services {
		s := &l.services[i]
		if s.brought {
			continue
		}
		lac := &l.lactations[s.lactation]
		seq := l.recs[s.from].seq
		if lac.heifer() && l.born != 0 && int(s.first-l.born) < heiferServiceMin {
			w.add("R10", "heifer_bred_young", s.first, []int64{seq}, "bred at %d days of age, under 12 months", s.first-l.born)
		}
		if s.number == 1 && lac.calved != 0 {
			switch days := int(s.first - lac.calved); {
			case days < firstServiceHard:
				w.add("R8", "bred_very_soon", s.first, []int64{seq}, "bred %d days after calving, under %d", days, firstServiceHard)
			case days < firstServiceMin:
				w.add("R8", "bred_soon", s.first, []int64{seq}, "bred %d days after calving, under %d", days, firstServiceMin)
			}
		}
		if s.number > manyServices && (s.number == manyServices+1 || s.number == tooManyServices+1) {
			w.add("R15", "many_services", s.first, []int64{seq}, "service number %d of one lactation", s.number)
		}
		if i > int(lac.service[0]) && !s.run && !l.services[i-1].run && !l.services[i-1].brought && !lossAround(l, &l.services[i-1], s) {
			seqs := []int64{l.recs[l.services[i-1].to-1].seq, seq}
			switch days := int(s.first - l.services[i-1].last); {
			case days <= intervalEdges[0]:
				w.add("R9", "return_short", s.first, seqs, "bred %d days after the service before: a short return, a wrong heat or a wrong number", days)
			case days > intervalEdges[3]:
				w.add("R9", "return_late", s.first, seqs, "bred %d days after the service before: heats were missed, or a pregnancy was lost early", days)
			}
		}
	}
}

func (w *watcher) conceptions() {
	l := w.l
	for i := range l.pregnancies {
		p := &l.pregnancies[i]
		if p.lostOn == 0 && l.present(w.k.on) && overdue(p, w.k.on) {
			w.add("R3", "overdue", p.conceived+gestationMax+1, []int64{p.seq}, "pregnant since %s and no calving, loss or departure recorded after %d days", p.conceived, gestationMax)
		}
		if p.calved == 0 || p.conceived == 0 || l.lactations[p.lactation].brought {
			continue
		}
		seqs := []int64{p.calvedSeq}
		if p.how == byCalvingAlone {
			w.add("R16", "calved_without_service", p.calved, seqs, "calved without a service or a diagnosis that fits; conception estimated as %s", p.conceived)
			continue
		}
		bound := premature
		if l.embryoAge(p) > 0 {
			bound = prematureEmbryo
		}
		if days := int(p.calved - p.conceived); p.service >= 0 && days < bound {
			w.add("R4", "calved_early", p.calved, seqs, "calved %d days after her service, under %d: premature; in some countries such a calving must be reported", days, bound)
		}
	}
}

// twins proposes pairs of records that two people may have made of one thing
// (R20): breedings at most a day apart, diagnoses of one result and losses at
// most a week apart, by different recorders.
func (w *watcher) twins() {
	recs := w.l.recs
	for i := range recs {
		r := &recs[i]
		reach := event.Date(pairDays)
		if r.kind == event.KindBreeding {
			reach = 1
		} else if r.kind != event.KindPregnancyDiagnosis && r.kind != event.KindPregnancyLoss {
			continue
		}
		for j := i + 1; j < len(recs) && recs[j].on <= r.on+reach; j++ {
			if n := &recs[j]; n.kind == r.kind && n.by != r.by && (r.kind != event.KindPregnancyDiagnosis || n.a == r.a) {
				w.add("R20", "maybe_recorded_twice", n.on, []int64{r.seq, n.seq}, "%s recorded by %s and, %d days later, by %s: the same one, or two",
					r.kind, orNotRecorded(w.k.h.words.text(r.by)), n.on-r.on, orNotRecorded(w.k.h.words.text(n.by)))
			}
		}
	}
}

// ofTheHerd are the signs that a whole record is incomplete or was not written
// day by day (R22).
func (k *lookup) ofTheHerd() []Finding {
	var once, conceptions, intervals, breedings int
	var weekday [7]int
	var heaped int
	for _, l := range k.f.lives {
		for i := range l.services {
			s := &l.services[i]
			if s.brought || s.run {
				continue
			}
			breedings++
			weekday[(s.first.UnixDay()%7+7)%7]++
			if _, _, d := s.first.Civil(); d == 1 || d == 15 {
				heaped++
			}
			if s.outcome == conceived || s.outcome == lost {
				conceptions++
				if s.number == 1 {
					once++
				}
			}
			if s.number > 1 {
				intervals++
			}
		}
	}
	var out []Finding
	add := func(code, format string, args ...any) {
		out = append(out, Finding{Code: code, Rule: "R22", On: k.on, Text: fmt.Sprintf(format, args...), Seqs: []int64{}})
	}
	if intervals == 0 && conceptions >= smallBelow && 5*once > 3*conceptions {
		add("only_last_service", "%d of %d conceptions come of the only service recorded, and no interval between services is: perhaps only the last service was written down, and services per conception says nothing", once, conceptions)
	}
	if breedings >= smallBelow {
		if most := slices.Max(weekday[:]); most == breedings {
			add("one_weekday", "all %d services are dated on the same day of the week", breedings)
		}
		// Two days of a month are 6.6 % of all days; three times that is no chance.
		if 5*heaped > breedings && breedings >= 30 {
			add("dates_heaped", "%d of %d services are dated on the 1st or 15th of a month: the dates may be rough", heaped, breedings)
		}
	}
	return out
}
