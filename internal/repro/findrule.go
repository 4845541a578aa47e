package repro

import (
	"fmt"
	"slices"

	"byrelog.example/internal/event"
)

// birth: events before it (R2), and of the wrong sex or with a dam that cannot
// be (R21).
func (w *watcher) birth() {
	l := w.l
	for i := range l.recs {
		r := &l.recs[i]
		if l.sex == male && femaleOnly(r.kind) {
			w.add("not_female", r.on, []int64{r.seq}, "%s of an animal recorded as male", r.kind)
		}
		if l.born != 0 && r.on < l.born {
			w.add("before_birth", r.on, []int64{r.seq}, "%s before her birth on %s", r.kind, l.born)
		}
		if r.kind != event.KindArrival || l.dam == 0 || l.side.pasts[r.text].how != bornHere {
			continue
		}
		dam := w.k.bearerOf(l.dam, r.on)
		switch {
		case dam == nil:
			w.add("dam_unknown", r.on, []int64{r.seq}, "nothing is recorded of her dam %s by the day of birth", w.k.h.words.text(l.dam))
		case dam.sex == male:
			w.add("dam_male", r.on, []int64{r.seq}, "her dam %s is recorded as male", w.k.h.words.text(l.dam))
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
				w.add("calved_very_young", lac.calved, []int64{lac.seq}, "first calving at %d days, under 18 months", age)
			case age < firstCalvingMin:
				w.add("calved_young", lac.calved, []int64{lac.seq}, "first calving at %d days, under 21 months", age)
			case age > firstCalvingMax:
				w.add("calved_old", lac.calved, []int64{lac.seq}, "first calving at %d days, over 42 months", age)
			}
		}
		if i == 0 || l.lactations[i-1].calved == 0 {
			continue
		}
		prev := &l.lactations[i-1]
		seqs := []int64{prev.seq, lac.seq}
		switch days := int(lac.calved - prev.calved); {
		case days < calvingIntervalMin && !lostBetween(l, prev.calved, lac.calved):
			w.add("calving_too_soon", lac.calved, seqs, "%d days after her last calving, without a loss between: one of the two is no calving, or another cow's", days)
		case days < intervalShort:
			w.add("calving_interval_short", lac.calved, seqs, "%d days after her last calving, under %d", days, intervalShort)
		case days > intervalLong:
			w.add("calving_interval_long", lac.calved, seqs, "%d days after her last calving, over %d: is a calving missing", days, intervalLong)
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
			code := "heifer_bred_young"
			if s.first-l.born < heiferAgeMin {
				code = "heifer_bred_very_young"
			}
			w.add(code, s.first, []int64{seq}, "bred at %d days of age", s.first-l.born)
		}
		if s.number == 1 && lac.calved != 0 {
			switch days := int(s.first - lac.calved); {
			case days < firstServiceHard:
				w.add("bred_very_soon", s.first, []int64{seq}, "bred %d days after calving, under %d", days, firstServiceHard)
			case days < firstServiceMin:
				w.add("bred_soon", s.first, []int64{seq}, "bred %d days after calving, under %d", days, firstServiceMin)
			}
		}
		if s.number > manyServices && (s.number == manyServices+1 || s.number == tooManyServices+1) {
			code := "many_services"
			if s.number > tooManyServices {
				code = "too_many_services"
			}
			w.add(code, s.first, []int64{seq}, "service number %d of one lactation", s.number)
		}
		if from := w.k.h.policies.On(s.first).RepeatBreederFrom; int(s.number) == from {
			w.add("repeat_breeder", s.first, []int64{seq}, "bred for the %s time in one lactation: a repeat breeder by the herd's policy", ordinal(from))
		}
		if i > int(lac.service[0]) && !s.run && !l.services[i-1].run && !l.services[i-1].brought && !lossAround(l, &l.services[i-1], s) {
			seqs := []int64{l.recs[l.services[i-1].to-1].seq, seq}
			switch days := int(s.first - l.services[i-1].last); {
			case days <= intervalEdges[0]:
				w.add("return_short", s.first, seqs, "bred %d days after the service before: a short return, a wrong heat or a wrong number", days)
			case days > intervalEdges[3]:
				w.add("return_late", s.first, seqs, "bred %d days after the service before: heats were missed, or a pregnancy was lost early", days)
			}
		}
	}
}

func (w *watcher) conceptions() {
	l := w.l
	for i := range l.pregnancies {
		p := &l.pregnancies[i]
		if p.lostOn == 0 && l.present(w.k.on) && overdue(p, w.k.on) {
			w.add("overdue", p.conceived+gestationMax+1, []int64{p.seq}, "pregnant since %s and no calving, loss or departure recorded after %d days", p.conceived, gestationMax)
		}
		if p.how == byStageAlone && p.conceived != 0 {
			if stage := int(p.confirmed - p.conceived); stage < stageMin || stage > stageMax {
				w.add("stage_alone", p.confirmed, []int64{p.seq}, "her conception is dated by a stage of %d days alone", stage)
			}
		}
		if p.calved == 0 || p.conceived == 0 || l.lactations[p.lactation].brought {
			continue
		}
		seqs := []int64{p.calvedSeq}
		if p.how == byCalvingAlone {
			w.add("calved_without_service", p.calved, seqs, "calved without a service or a diagnosis that fits; conception estimated as %s", p.conceived)
			continue
		}
		bound := premature
		if l.embryoAge(p) > 0 {
			bound = prematureEmbryo
		}
		if days := int(p.calved - p.conceived); p.service >= 0 && days < bound {
			w.early(p, days, bound, seqs)
		}
	}
}

// early tells of a calving before its time: a note where the calves live and are old
// enough to, and no duty to report it is stated.
func (w *watcher) early(p *pregnancy, days, bound int, seqs []int64) {
	report := w.k.h.policies.On(p.calved).ReportCalvingsBefore
	born, alive := 0, 0
	for i := range w.l.recs {
		if r := &w.l.recs[i]; r.kind == event.KindCalving && r.seq == p.calvedSeq {
			born, alive = int(r.b), int(r.c)
		}
	}
	switch {
	case days < report:
		w.add("calved_early", p.calved, seqs, "calved %d days after her service; by the herd's policy a calving under %d days must be reported", days, report)
	case days < earlyAlive || alive < born:
		w.add("calved_early", p.calved, seqs, "calved %d days after her service, under %d: premature; in some countries such a calving must be reported", days, bound)
	default:
		w.add("calved_early_alive", p.calved, seqs, "calved %d days after her service, under %d: somewhat early", days, bound)
	}
}

// dryAndDue: what was seen of an abortion is somebody's to be told; and a dry cow past
// due that is looked at or bred as if she were not.
func (w *watcher) dryAndDue() {
	l := w.l
	for i := range l.recs {
		r := &l.recs[i]
		if r.kind == event.KindPregnancyLoss && seenWords[r.a] == event.Abortion {
			w.add("aborted", r.on, []int64{r.seq}, "an abortion was seen")
		}
		sign := (r.kind == event.KindHeat || r.kind == event.KindPalpation) && r.a == inHeat
		if !sign && r.kind != event.KindBreeding && r.kind != event.KindPregnancyDiagnosis {
			continue
		}
		back := *w.k
		back.on = r.on
		lac := &l.lactations[l.lactationOn(r.on)]
		if lac.dried == 0 || lac.dried > r.on {
			continue
		}
		if due := back.pastDue(l); due != 0 {
			w.add("calving_missing", r.on, []int64{r.seq}, "%s of a dry cow that was due on %s: is a calving missing", r.kind, due)
		}
	}
}

// leaving: what a departure should not have met (indices.md section 6).
func (w *watcher) leaving() {
	l := w.l
	if l.out == 0 || leftWords[l.outHow] == event.Died || l.outHow == 0 {
		return
	}
	seqs := []int64{l.outSeq}
	before := l.out - 1 // that she left ends nothing that she carried
	if p := l.pregnancyOn(before); p != nil && l.out >= w.k.transportEnd(l, p) {
		w.add("left_late_pregnant", l.out, append(seqs, p.seq), "left the herd on day %d of pregnancy", l.out-p.conceived)
	}
	for i := range l.recs {
		if r := &l.recs[i]; r.kind == event.KindTreatment && l.side.withheld[r.text].meat >= l.out {
			w.add("left_withheld", l.out, []int64{r.seq, l.outSeq}, "left the herd, %s, while her meat was withheld until %s", leftWords[l.outHow], l.side.withheld[r.text].meat)
		}
	}
}

// rough counts by what a whole record shows whether it is complete and was written
// day by day.
type rough struct {
	once, conceptions, intervals, breedings, heaped int
	weekday                                         [7]int
}

func (n *rough) add(l *life) {
	for i := range l.services {
		s := &l.services[i]
		if s.brought || s.run {
			continue
		}
		n.breedings++
		n.weekday[(s.first.UnixDay()%7+7)%7]++
		if _, _, d := s.first.Civil(); d == 1 || d == 15 {
			n.heaped++
		}
		if s.outcome == conceived || s.outcome == lost {
			n.conceptions++
			if s.number == 1 {
				n.once++
			}
		}
		if s.number > 1 {
			n.intervals++
		}
	}
}

// ofTheHerd are the signs that a whole record is incomplete or was not written
// day by day (R22).
func (k *lookup) ofTheHerd(n *rough) []Finding {
	var out []Finding
	add := func(code, format string, args ...any) {
		out = append(out, newFinding(code, "", k.on, []int64{}, fmt.Sprintf(format, args...)))
	}
	if n.intervals == 0 && n.conceptions >= smallBelow && 5*n.once > 3*n.conceptions {
		add("only_last_service", "%d of %d conceptions come of the only service recorded, and no interval between services is: perhaps only the last service was written down, and services per conception says nothing", n.once, n.conceptions)
	}
	if n.breedings >= smallBelow {
		if most := slices.Max(n.weekday[:]); most == n.breedings {
			add("one_weekday", "all %d services are dated on the same day of the week", n.breedings)
		}
		// Two days of a month are 6.6 % of all days; three times that is no chance.
		if 5*n.heaped > n.breedings && n.breedings >= 30 {
			add("dates_heaped", "%d of %d services are dated on the 1st or 15th of a month: the dates may be rough", n.heaped, n.breedings)
		}
	}
	return out
}
