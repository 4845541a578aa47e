package repro

import (
	"fmt"

	"byrelog.example/internal/event"
)

// Codes of rows on the lists of who is to be looked at.
const (
	RowNeverSeen     = "no_heat_ever"
	RowNotSeen       = "no_heat_since"
	RowRepeat        = "repeat_open"
	RowRepeatBred    = "repeat_bred"
	RowLossRecorded  = "loss_recorded"
	RowLossConcluded = "loss_concluded"
)

// notSeen lists who should be in heat every three weeks and was not seen so.
func (m *making) notSeen() {
	m.each(func(l *life) {
		lac := &l.lactations[l.lactationOn(m.on)]
		s := m.service(l, lac)
		ready := m.h.mayBeBred(l, lac, m.on)
		pol := m.h.policies.On(m.on)
		last := m.seenInHeat(l, lac)
		switch {
		case l.pregnancyOn(m.on) != nil || lac.dried != 0 || s.awaits() || ready != 0 && m.on < ready:
			return
		case last != 0 && m.on-last < event.Date(m.list.Days):
			return
		case l.stopOn(m.on) != nil:
			m.leave("stopped_not_seen")
			return
		case s != nil:
			m.leave("open_not_seen")
			return
		case ready == 0:
			m.leave("wait_not_known")
			return
		case lac.calved != 0 && pol.LastBreedingDays != 0 && int(m.on-lac.calved) > pol.LastBreedingDays:
			m.leave("past_last_not_seen")
			return
		}
		who := "a heifer old enough to be bred"
		if !lac.heifer() {
			who = plural(int(m.on-lac.calved), "day") + " in milk"
		}
		row := m.row(l, RowNeverSeen, 0, 0, "%s, past the waiting period since %s, and never seen in heat", who, ready)
		if last != 0 {
			row = m.row(l, RowNotSeen, last, 0, "%s, and last seen in heat %s (%s)", who, daysAgo(int(m.on-last)), last)
		}
		row.Examine = []string{"was she bred and nobody wrote it down: is she pregnant", "what do uterus and ovaries say", "is she lame or thin, and is she looked at when the others are"}
		row.Caution = []string{cautionHandling, cautionGlove, cautionLaw, cautionNoTreating}
		if lac.calved != 0 {
			row.Seqs = append(row.Seqs, lac.seq)
		}
		m.add(row)
	})
}

// seenInHeat is the last day up to today of this lactation on which she was read or
// felt in heat; 0 = none.
func (m *making) seenInHeat(l *life, lac *lactation) event.Date {
	recs := upTo(l.recs, m.on)
	for i := len(recs) - 1; i >= 0 && recs[i].on >= lac.calved; i-- {
		if r := &recs[i]; (r.kind == event.KindHeat || r.kind == event.KindPalpation) && r.a == inHeat {
			return r.on
		}
	}
	return 0
}

// repeat lists the repeat breeders that are not known to be pregnant: who was bred
// for the service that the policy names, and who comes to it.
func (m *making) repeat() {
	from := m.h.policies.On(m.on).RepeatBreederFrom
	m.each(func(l *life) {
		lac := &l.lactations[l.lactationOn(m.on)]
		s := m.service(l, lac)
		if s == nil || l.pregnancyOn(m.on) != nil || lac.dried != 0 {
			return
		}
		number := int(s.number)
		if !s.awaits() {
			number++
		}
		switch {
		case number < from:
			return
		case l.stopOn(m.on) != nil:
			m.leave("stopped_repeat")
			return
		case m.list.Days > 0 && m.on-s.last > event.Date(m.list.Days):
			m.leave("bred_before")
			return
		}
		row := m.row(l, RowRepeat, s.last, 0, "bred %s in this lactation, last on %s, and not pregnant: %s; the next is her %s service", times(int(s.number)), s.last, m.whyText(s), ordinal(number))
		if s.awaits() {
			row = m.row(l, RowRepeatBred, s.last, 0, "bred %s in this lactation, last %s (%s), result not known", times(int(s.number)), daysAgo(int(m.on-s.last)), s.last)
		}
		row.Examine = []string{"is she pregnant", "was she in heat when she was bred, each time", "what do uterus and ovaries say", "is she to be bred again"}
		row.Caution = []string{cautionHandling, cautionGlove, cautionLaw, cautionNoTreating}
		row.Seqs = m.seqs(l, s)
		m.add(row)
	})
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// losses lists who lost a pregnancy and was neither examined nor bred since.
func (m *making) losses() {
	m.each(func(l *life) {
		lac := &l.lactations[l.lactationOn(m.on)]
		if len(l.pregnancies) == 0 {
			return
		}
		p := &l.pregnancies[len(l.pregnancies)-1]
		if p.lostOn == 0 || p.lostOn > m.on || &l.lactations[p.lactation] != lac {
			return
		}
		after := p.lostOn // an examination of the same day followed a loss that somebody saw, and was the one that found a loss that nobody did
		if p.lostHow != lossSeen {
			after++
		}
		s := m.service(l, lac)
		switch {
		case m.on-p.lostOn > event.Date(m.list.Days):
			m.leave("lost_before")
			return
		case s != nil && s.last > p.lostOn:
			m.leave("bred_since_loss")
			return
		case m.examinedOn(l) >= after:
			m.leave("examined_since_loss")
			return
		}
		code, how := RowLossRecorded, "recorded"
		if p.lostHow != lossSeen {
			code, how = RowLossConcluded, "concluded: "+lossTexts[p.lostHow]
		}
		row := m.row(l, code, p.lostOn, 0, "she conceived and lost it %s (%s, %s), and was not examined or bred since", daysAgo(int(m.on-p.lostOn)), p.lostOn, how)
		if p.conceived != 0 {
			row.ConceivedOn = p.conceived
			row.Text += fmt.Sprintf("; it was %s old", plural(int(p.lostOn-p.conceived), "day"))
		}
		row.Examine = []string{"is the uterus empty and clean; discharge, fever", "was the loss to be reported, and are others in the pen losing theirs"}
		row.Caution = []string{cautionHandling, cautionGlove, cautionZoonoses, cautionAbortion, cautionLaw, cautionNoTreating}
		row.Seqs = []int64{p.seq, p.lostSeq}
		m.add(row)
	})
}
