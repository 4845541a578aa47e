package repro

import (
	"cmp"
	"fmt"
	"slices"

	"byrelog.example/internal/event"
)

func (k *lookup) numbers(l *life) []NumberView {
	out := make([]NumberView, len(l.names))
	for i, n := range l.names {
		out[i] = NumberView{Number: k.h.words.text(n.number), From: n.from}
		if i+1 < len(l.names) {
			out[i].To = l.names[i+1].from - 1
		}
	}
	return out
}

var conceptionCodes = []string{"not_known", "diagnosis_stage", "diagnosis", "stage_estimated", "calving_service", "calving_estimated", "bull_run_estimated", "stated_on_arrival"}

var conceptionTexts = []string{
	"date of conception not known",
	"the service nearest to the stage that the examiner gave",
	"the latest service old enough for the diagnosis",
	"estimated: date of the examination less the stage given; no service fits",
	"the service that fits the calving",
	"estimated: date of calving less the gestation of her breed; no service fits",
	"estimated within the run with a bull",
	"stated when she came",
}

func (k *lookup) pregnant(l *life) *PregnantView {
	if l.out != 0 && l.out <= k.on {
		return nil
	}
	p := l.pregnancyOn(k.on)
	if p == nil {
		return nil
	}
	v := &PregnantView{
		ConceivedOn: p.conceived, ConceivedHow: conceptionCodes[p.how], Text: conceptionTexts[p.how], Estimated: p.how.estimated(),
		DaysPregnant: daysBetween(p.conceived, k.on), ConfirmedOn: p.confirmed, LastSeenOn: p.lastSeen, Fetuses: int(p.fetuses),
	}
	v.DueOn, v.Gestation = k.h.due(l, p)
	v.DryOffOn = k.h.dryOff(l, p)
	return v
}

// dryOff is when a cow in milk is due to be dried off; 0 for a heifer or when
// the due date is not known.
func (h *Herd) dryOff(l *life, p *pregnancy) event.Date {
	due, _ := h.due(l, p)
	if due == 0 || l.lactations[p.lactation].heifer() {
		return 0
	}
	return due - event.Date(h.policies.On(due).DryOffBefore)
}

func (k *lookup) lactations(l *life) []LactationView {
	out := make([]LactationView, 0, len(l.lactations))
	for i := range l.lactations {
		lac := &l.lactations[i]
		if i == 0 && lac.number != 0 && lac.calved == 0 && lac.end != 0 && lac.service[0] == lac.service[1] {
			continue // nothing is known of the time before her first calving here
		}
		v := LactationView{Number: optional16(lac.number), CalvedOn: lac.calved, DriedOn: lac.dried, EndedOn: lac.end, Services: int(lac.service[1] - lac.service[0])}
		if v.EndedOn == 0 {
			v.EndedOn = l.out
		}
		if lac.calved != 0 {
			if s := l.of(lac); len(s) > 0 {
				v.FirstService = daysBetween(lac.calved, s[0].first)
			}
			state, on, _ := openState(l, i, k.on)
			v.DaysOpenIs = state.String()
			v.DaysOpen = daysBetween(lac.calved, on)
		}
		out = append(out, v)
	}
	return out
}

// Outcomes of services, as shown.
const (
	OutcomePregnant = "pregnant"
	OutcomeOpen     = "open"
	OutcomeLost     = "lost"
	OutcomeImmature = "immature"
	OutcomeUnknown  = "unknown"
)

var outcomeTexts = map[string]string{
	OutcomePregnant: "pregnant",
	OutcomeOpen:     "did not conceive",
	OutcomeLost:     "conceived, lost later",
	OutcomeImmature: "too recent to know",
	OutcomeUnknown:  "not known",
}

// resultOf is a service's outcome as one sees it when records tell up to last.
func resultOf(s *service, last event.Date, maturity int) string {
	switch s.outcome {
	case conceived:
		return OutcomePregnant
	case lost:
		return OutcomeLost
	case failed:
		return OutcomeOpen
	case undecided:
	}
	if s.why == whyNothing && s.last+event.Date(maturity) > last {
		return OutcomeImmature
	}
	return OutcomeUnknown
}

var whyCodes = []string{
	"no_result", "diagnosed_pregnant", "calved", "loss_recorded", "stated_on_arrival", "bred_again", "diagnosed_open",
	"conceived_later", "left_infertile", "left_undiagnosed", "bred_while_pregnant", "calved_to_another",
}

var whyTexts = []string{
	"no diagnosis, no later service and no calving yet", "diagnosed pregnant", "calved to it", "a loss was recorded", "stated when she came",
	"bred again later", "diagnosed open", "conceived later, to something else", "left the herd for infertility",
	"left the herd undiagnosed", "she was pregnant already", "she calved, too soon or too late for this service",
}

func (k *lookup) services(l *life) []ServiceView {
	t := k.h.words.text
	out := make([]ServiceView, 0, len(l.services))
	for i := range l.services {
		s := &l.services[i]
		lac := &l.lactations[s.lactation]
		result := resultOf(s, k.last, DefaultMaturity)
		v := ServiceView{
			Number: int(s.number), Lactation: optional16(lac.number), On: s.first, LastOn: s.last, Breedings: int(s.breedings),
			Method: methodWords[s.method], Sire: t(s.sire), SiresDiffer: s.siresDiffer, By: t(s.by), Basis: basisWords[s.basis], Semen: semenWords[s.semen],
			FoundBy: foundLabel(s), FoundText: foundTexts[s.found], AfterCalving: daysBetween(lac.calved, s.first),
			Outcome: result, OutcomeText: outcomeTexts[result], Why: whyCodes[s.why], WhyText: k.whyText(s), Seqs: k.seqs(l, s),
		}
		if s.pregnancy >= 0 {
			v.Conceived = l.pregnancies[s.pregnancy].conceived
		}
		if i > int(lac.service[0]) {
			v.SinceLast = daysBetween(l.services[i-1].last, s.first)
		}
		out = append(out, v)
	}
	return out
}

func (k *lookup) whyText(s *service) string {
	text := whyTexts[s.why]
	if s.whyOn != 0 {
		text += " (" + s.whyOn.String() + ")"
	}
	if s.early && s.outcome == undecided {
		text += "; a diagnosis of pregnancy came too early to count"
	}
	return text
}

// seqs are the events of a service and the one that settled it.
func (k *lookup) seqs(l *life, s *service) []int64 {
	out := []int64{}
	for i := s.from; i >= 0 && i < s.to; i++ {
		if l.recs[i].kind == event.KindBreeding {
			out = append(out, l.recs[i].seq)
		}
	}
	if s.whySeq != 0 {
		out = append(out, s.whySeq)
	}
	return out
}

var lossCodes = []string{"", "recorded", "diagnosed_open", "conceived_again", "calved_later"}

var lossTexts = []string{
	"", "a loss was recorded", "diagnosed open after she was known pregnant",
	"a later diagnosis dates her pregnancy from a later service", "her calving fits a later conception only",
}

func (k *lookup) losses(l *life) []LossView {
	out := []LossView{}
	for i := range l.pregnancies {
		if p := &l.pregnancies[i]; p.lostOn != 0 {
			out = append(out, LossView{p.conceived, p.lastSeen, p.lostOn, daysBetween(p.conceived, p.lostOn), lossCodes[p.lostHow], lossTexts[p.lostHow]})
		}
	}
	return out
}

func (k *lookup) heats(l *life) []HeatView {
	out := []HeatView{}
	for i := range l.recs {
		r := &l.recs[i]
		if r.kind == event.KindHeat {
			v := HeatView{On: r.on, Kind: r.kind.String(), Verdict: verdictWords[r.a], Chalk: chalkWords[r.b], FoundBy: foundWords[r.c], Seq: r.seq}
			for i, w := range signWords {
				if r.num&(1<<i) != 0 {
					v.Signs = append(v.Signs, w)
				}
			}
			out = append(out, v)
		}
		if r.kind == event.KindPalpation {
			out = append(out, HeatView{On: r.on, Kind: r.kind.String(), Verdict: verdictWords[r.a], Tone: toneWords[r.c>>4], Mucus: mucusWords[r.c&15], Seq: r.seq})
		}
	}
	return out
}

func (k *lookup) withheld(l *life) WithheldView {
	var v WithheldView
	for i := range l.recs {
		if r := &l.recs[i]; r.kind == event.KindTreatment {
			w := l.side.withheld[r.text]
			v.MilkUntil, v.MeatUntil = max(v.MilkUntil, w.milk), max(v.MeatUntil, w.meat)
		}
	}
	if v.MilkUntil < k.on {
		v.MilkUntil = 0
	}
	if v.MeatUntil < k.on {
		v.MeatUntil = 0
	}
	return v
}

// next tells what comes next for her, dated by its first day. What is past is
// left out, but a span of days stays until its last, and what is due (a
// diagnosis, drying off, calving) until it is done.
func (k *lookup) next(l *life) []NextView {
	var out []NextView
	lac := &l.lactations[l.lactationOn(k.on)]
	span := func(what string, on, to event.Date, text string) {
		if to >= k.on {
			out = append(out, NextView{what, on, text})
		}
	}
	p := k.h.policies.On(k.on)
	switch s := k.service(l, lac); {
	case l.sex == male:
	case l.pregnancyOn(k.on) != nil:
		preg := l.pregnancyOn(k.on)
		if preg.conceived != 0 {
			if preg.lastSeen < preg.conceived+60 {
				span("confirm", preg.conceived+60, preg.conceived+75, "second pregnancy check, day 60 to 75 (common practice)")
			}
			due, g := k.h.due(l, preg)
			if dry := k.h.dryOff(l, preg); dry != 0 && lac.dried == 0 {
				span("dry_off", dry, preg.conceived+gestationMax, fmt.Sprintf("dry off, %d days before she is due", p.DryOffBefore))
			}
			span("calve", due, preg.conceived+gestationMax, fmt.Sprintf("due to calve, %d days after conception", g))
		}
	case l.stopOn(k.on) != nil:
		if st := l.stopOn(k.on); st.to != 0 {
			span("resume", st.to+1, st.to+1, "the stop on breeding ends")
		}
	case s.awaits() && !s.run:
		span("return", s.last+18, s.last+24, "a return to heat is expected 18 to 24 days after breeding")
		span("return", s.last+36, s.last+48, "a second return is expected 36 to 48 days after breeding")
		out = append(out,
			NextView{"diagnose", s.last + event.Date(p.DiagnoseUltrasound), fmt.Sprintf("pregnancy diagnosis by ultrasound from day %d", p.DiagnoseUltrasound)},
			NextView{"diagnose", s.last + event.Date(p.DiagnosePalpation), fmt.Sprintf("pregnancy diagnosis by palpation from day %d", p.DiagnosePalpation)})
	case s.awaits():
		out = append(out, NextView{"diagnose", s.last + event.Date(p.DiagnosePalpation), "pregnancy diagnosis after the run with a bull"})
	default:
		if ready := k.h.mayBeBred(l, lac, k.on); ready != 0 {
			text := "the waiting period is over: she may be bred when she is in heat"
			if lac.heifer() {
				text = "old enough to be bred when she is in heat"
			}
			out = append(out, NextView{"breed", max(ready, k.on), text})
		}
	}
	slices.SortStableFunc(out, func(a, b NextView) int { return cmp.Compare(a.On, b.On) })
	if out == nil {
		out = []NextView{}
	}
	return out
}
