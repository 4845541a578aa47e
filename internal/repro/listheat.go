package repro

import (
	"fmt"

	"byrelog.example/internal/event"
)

// Codes of rows on the walk list that are no reasons of Eligibility.
const (
	RowOpen         = "open"
	RowOpenExpected = "open_expected"
)

// walk lists who is to be looked at, and what a rub would mean.
func (m *making) walk() {
	p := m.h.policies.On(m.on)
	m.list.OpenMark, m.list.BredMark = p.OpenMark, p.BredMark
	if p.OpenMark == "" || p.BredMark == "" {
		m.list.Notes = append(m.list.Notes, "the herd's policy states no mark colour for "+missingMarks(p)+" cows")
	}
	m.each(func(l *life) {
		a := m.ask(l, "")
		switch {
		case a.e.Status.Code == StatusCalf:
			m.leave("calf")
			return
		case a.lac.dried != 0:
			m.leave("dry_no_walk")
			return
		case m.nearCalving(l):
			m.leave("near_calving")
			return
		}
		r := m.rub(l, a.lac)
		rubbed := reading{today: &rec{kind: event.KindHeat, a: inHeat, on: m.on, minute: noon}}
		if hand := a.readings().hand; hand != nil && hand.a == pregnant {
			rubbed.hand = hand // a rub does not undo what the hand found today
		}
		a.answer(rubbed)
		r.Verdict = a.e.Verdict
		if r.Verdict == ExamineFirst {
			r.Examine = examineTexts
			r.Caution = []string{cautionHandling, cautionNoTreating}
		}
		if m.list.Short && simplyNo(&r) {
			m.leave(leftShort + r.Code)
			return
		}
		switch r.Status.Code {
		case StatusBred, StatusPregnant:
			r.Mark = p.BredMark
		case StatusOpen, StatusFresh, StatusHeifer, StatusUnknown:
			r.Mark = p.OpenMark
		}
		m.add(r)
	})
}

// simplyNo tells whether a mark of hers says nothing that one would act on or write
// down: unlike within the waiting period, where it dates the next heat.
func simplyNo(r *ListRow) bool {
	switch r.Code {
	case ReasonPregnant, ReasonStopped, ReasonPastLast, ReasonSameHeat:
		return r.Verdict == No
	}
	return false
}

// nearCalving tells whether she is so close to her due date that a cow would be dried
// off: she stands with those that calve, and nobody reads her for heat.
func (m *making) nearCalving(l *life) bool {
	p := l.pregnancyOn(m.on)
	if p == nil {
		return false
	}
	due, _ := m.h.due(l, p)
	return due != 0 && m.on >= due-event.Date(m.h.policies.On(due).DryOffBefore)
}

func missingMarks(p *Policy) string {
	switch {
	case p.OpenMark != "":
		return "bred"
	case p.BredMark != "":
		return "open"
	}
	return "open and for bred"
}

// rub says what a rubbed mark would mean.
func (m *making) rub(l *life, lac *lactation) ListRow {
	s := m.service(l, lac)
	if p := l.pregnancyOn(m.on); p != nil {
		return m.rubPregnant(l, p)
	}
	ready := m.h.mayBeBred(l, lac, m.on)
	pol := m.h.policies.On(m.on)
	lostHer, rests := m.lossBefore(l, lac)
	switch st := l.stopOn(m.on); {
	case st != nil:
		return m.row(l, ReasonStopped, st.from, st.to, "not to be bred: note a rub and no more")
	case lostHer != nil && m.on <= rests:
		r := m.row(l, ReasonAfterLoss, lostHer.lostOn, rests, "she conceived and lost it (recorded %s), and rests until %s: note a rub, since it dates the next heat", lostHer.lostOn, rests)
		if lostHer.conceived == 0 || lostHer.lostOn-lostHer.conceived < lossWaits {
			r.Text = fmt.Sprintf("she conceived and lost it early (recorded %s): examine her before she is bred on a rub", lostHer.lostOn)
		}
		r.Seqs = []int64{lostHer.lostSeq}
		return r
	case s != nil && (s.awaits() || m.on <= s.last+defaultMerge):
		return m.rubBred(l, s)
	case !lac.heifer() && ready == 0:
		return m.row(l, ReasonCalvingUnknown, 0, 0, "her calving is not recorded, and so not whether she is past the waiting period or pregnant: examine her first")
	case lac.heifer() && ready == 0:
		return m.row(l, ReasonAgeUnknown, 0, 0, "a heifer whose birth is not recorded: is she old and big enough, and is she pregnant")
	case m.on < ready:
		r := m.row(l, ReasonWaiting, lac.calved, ready-1, "within the waiting period: note a rub, since it dates the next heat, but she is not bred before %s", ready)
		r.Seqs = []int64{lac.seq}
		return r
	case lac.heifer() && l.tooSmall(m.on) != nil:
		return m.row(l, ReasonTooSmall, l.tooSmall(m.on).on, 0, "a heifer judged too small to be bred: note a rub, and judge her again when she has grown")
	case lac.calved != 0 && pol.LastBreedingDays != 0 && int(m.on-lac.calved) > pol.LastBreedingDays:
		return m.row(l, ReasonPastLast, lac.calved+event.Date(pol.LastBreedingDays)+1, 0, "past the herd's last day of breeding: note a rub and no more")
	}
	if last := m.lastHeat(l, lac); last != 0 && m.on-last >= 18 && m.on-last <= 24 {
		return m.row(l, RowOpenExpected, last+18, last+24, "open and due: in heat %d days ago (%s), so a heat is expected now (18 to 24 days); a rub is a heat to breed on", m.on-last, last)
	}
	return m.row(l, RowOpen, ready, 0, "open and due to be bred since %s: a rub is a heat to breed on", ready)
}

func (m *making) rubPregnant(l *life, p *pregnancy) ListRow {
	days := "since a day that is not known"
	if p.conceived != 0 {
		days = fmt.Sprintf("for %d days", m.on-p.conceived)
	}
	do := "examine her again"
	if p.conceived != 0 && m.on-p.conceived >= farInCalf {
		do = "report it to whoever diagnoses"
	}
	r := m.row(l, ReasonPregnant, p.begins(), 0, "pregnant %s: a rub is no reason to breed her, since one pregnant cow in eighteen shows heat; %s", days, do)
	r.Seqs = []int64{p.seq}
	return r
}

// rubBred says what a rub means so many days after a service whose result is
// not known.
func (m *making) rubBred(l *life, s *service) ListRow {
	days := int(m.on - s.last)
	if s.run {
		return m.row(l, ReasonBullRun, s.first, s.last, "with a bull from %s to %s and not diagnosed since: a rub is no reason to breed her before she is examined", s.first, s.last)
	}
	var r ListRow
	switch {
	case days <= defaultMerge:
		r = m.row(l, ReasonSameHeat, s.first, s.last+defaultMerge, "bred %s: a rub is still the same heat", daysAgo(days))
	case days < 18:
		r = m.row(l, ReasonShortReturn, s.last, s.last+17, "bred %d days ago, too soon for a normal return: this heat or the last was none, or one of the two was another cow's; examine her first", days)
	case days <= 24:
		r = m.row(l, ReasonNormalReturn, s.last+18, s.last+24, "bred %d days ago, within a normal return (18 to 24 days): rubbed off, she did not hold; partly rubbed, examine her", days)
	case days < 36:
		r = m.row(l, ReasonBred, s.last, s.last+35, "bred %d days ago, between two returns and not diagnosed: she may be pregnant; examine her first", days)
	case days <= 48:
		r = m.row(l, ReasonOffReturn, s.last+36, s.last+48, "bred %d days ago, within a second return (36 to 48 days) and not diagnosed: she may be pregnant; examine her first", days)
	default:
		r = m.row(l, ReasonBred, s.last, 0, "bred %d days ago and never diagnosed: her state is unknown, she may be pregnant; examine her first", days)
	}
	if s.early {
		r.Text += "; a first diagnosis of pregnancy came too early to count, so examine her in any case"
	}
	if s.from >= 0 {
		r.Seqs = []int64{l.recs[s.to-1].seq}
	}
	return r
}

// lastHeat is the last day before today of this lactation on which she was
// read or felt in heat, or bred; 0 = none.
func (m *making) lastHeat(l *life, lac *lactation) event.Date {
	for i := len(l.recs) - 1; i >= 0 && l.recs[i].on >= lac.calved; i-- {
		r := &l.recs[i]
		heat := (r.kind == event.KindHeat || r.kind == event.KindPalpation) && r.a == inHeat
		if r.on < m.on && (heat || r.kind == event.KindBreeding && r.until == 0 && r.c != codeOf(basisWords, event.Timed)) {
			return r.on
		}
	}
	return 0
}

// examine lists the suspects not yet examined, and pregnant cows with a sign
// of heat.
func (m *making) examine() {
	m.each(func(l *life) {
		a := m.ask(l, "")
		r := a.readings()
		sign := m.unresolved(l, r)
		if sign == nil {
			sign, _ = m.found(l, a, r)
		}
		if sign == nil && r.hand != nil && r.hand.a == unclear {
			sign = r.hand
		}
		if sign == nil {
			return
		}
		if sign.on < m.on-1 { // older than what an answer of the day looks at
			r.yesterday = sign
		}
		a.answer(r)
		p := l.pregnancyOn(m.on)
		text := saw(sign, m.on)
		switch {
		case a.verdict == No && p != nil && sign == r.hand:
			m.leave(ReasonFeltPregnant)
		case a.verdict == No && p != nil:
			m.leave("far_in_calf")
		case a.verdict == No:
			m.leave("sign_no")
		case a.verdict != ExamineFirst:
		case p != nil:
			m.addExamine(m.row(l, ReasonHeatPregnant, sign.on, 0, "recorded as pregnant, and %s: examine her before anyone changes the record", text), a, sign)
		case sign.a == suspect:
			m.addExamine(m.row(l, ReasonSuspect, sign.on, 0, "%s, and not examined or read since", text), a, sign)
		case sign == r.hand && sign.a == unclear:
			m.addExamine(m.row(l, ReasonPalpatedUnsure, sign.on, 0, "%s: look at her again", text), a, sign)
		default:
			m.addExamine(m.row(l, a.first(ExamineFirst), sign.on, 0, "%s; %s", text, a.text(a.first(ExamineFirst))), a, sign)
		}
	})
}

// saw tells what was read or felt of her and when, in words.
func saw(r *rec, on event.Date) string {
	when := daysAgo(int(on - r.on))
	if r.kind == event.KindPalpation {
		what := map[uint8]string{inHeat: "found in heat by palpation", unclear: "palpated and unclear"}[r.a]
		return what + " " + when + felt(r)
	}
	text := map[uint8]string{inHeat: "read in heat", suspect: "read as suspect"}[r.a] + " " + when
	if c := chalkWords[r.b]; c != "" {
		text += ", chalk " + c
	}
	if w := foundWords[r.c]; w != "" && w != "chalk" {
		text += ", found by " + w
	}
	return text
}

// found is the sign on which she would be bred: of today, or of yesterday if she was
// not bred since and nobody has read or felt her otherwise; and whether it is one of
// yesterday morning, whose time for breeding has gone by.
func (m *making) found(l *life, a *asking, r reading) (sign *rec, late bool) {
	if sign = r.inHeat(); sign != nil {
		return sign, false
	}
	y := r.before()
	if y == nil || a.bredSince(y.on) || l.pregnancyOn(m.on) != nil {
		return nil, false
	}
	return y, y.minute <= noon
}

func (m *making) addExamine(row ListRow, a *asking, sign *rec) {
	row.Verdict, row.Reasons, row.Examine = ExamineFirst, a.e.Reasons, examineTexts
	row.Caution = []string{cautionHandling, cautionGlove, cautionNoTreating}
	row.Seqs = []int64{sign.seq}
	if w := m.withheld(a.l); w != (WithheldView{}) {
		row.Caution = append(row.Caution, cautionResidue)
	}
	m.add(row)
}

// unresolved is the suspect reading of the list's days after which nobody has
// read, examined or bred her.
func (m *making) unresolved(l *life, r reading) *rec {
	if s := r.suspected(); s != nil {
		if m.on-s.on > event.Date(m.list.Days) {
			return nil
		}
		return s
	}
	if r.today != nil || r.yesterday != nil || r.hand != nil || r.handYesterday != nil {
		return nil
	}
	recs := upTo(l.recs, m.on)
	for i := len(recs) - 1; i >= 0 && m.on-recs[i].on <= event.Date(m.list.Days); i-- {
		switch x := &recs[i]; x.kind {
		case event.KindHeat:
			if x.a == suspect && !m.felt(recs, x.on) {
				return x
			}
			return nil
		case event.KindPalpation, event.KindBreeding, event.KindPregnancyDiagnosis:
			return nil
		default: // says nothing of heat
		}
	}
	return nil
}

// felt tells whether she was examined by hand on a day.
func (m *making) felt(recs []rec, on event.Date) bool {
	for i := range recs {
		if recs[i].on == on && recs[i].kind == event.KindPalpation {
			return true
		}
	}
	return false
}

// text is what was said under a code; "" if nothing was.
func (a *asking) text(code string) string {
	for i := range a.e.Reasons {
		if a.e.Reasons[i].Code == code {
			return a.e.Reasons[i].Text
		}
	}
	return ""
}

// first is the first reason that speaks for a verdict.
func (a *asking) first(v Verdict) string {
	for _, r := range a.e.Reasons {
		if r.Verdict == v {
			return r.Code
		}
	}
	return ""
}

// breed lists who was found in heat and may be bred.
func (m *making) breed() {
	m.each(func(l *life) {
		a := m.ask(l, "")
		r := a.readings()
		sign, late := m.found(l, a, r)
		if sign == nil {
			return
		}
		a.answer(r)
		switch {
		case l.pregnancyOn(m.on) != nil:
			m.leave(ReasonPregnant)
		case a.verdict == No:
			m.leave(a.first(No))
		case late && m.list.Days == 0:
			m.leave("in_heat_yesterday")
		default:
			m.addBreed(l, a, sign)
		}
	})
}

// bredSince tells whether she was bred on a day or after it.
func (a *asking) bredSince(on event.Date) bool {
	s := a.service(a.l, a.lac)
	return s != nil && s.last >= on
}

func (m *making) addBreed(l *life, a *asking, sign *rec) {
	code := ReasonInHeat
	if sign.kind == event.KindPalpation {
		code = ReasonPalpatedHeat
	}
	row := m.row(l, code, sign.on, m.on, "%s%s", saw(sign, m.on), timing(sign, m.on))
	row.Verdict, row.Reasons, row.Examine = a.verdict, a.e.Reasons, a.e.Examine
	row.Caution = []string{cautionHandling, cautionGlove}
	if a.verdict == ExamineFirst {
		row.Code = a.first(ExamineFirst)
		row.Text += "; examine her first: " + a.text(row.Code)
		row.Caution = append(row.Caution, cautionNoTreating)
	}
	for _, code := range []string{ReasonRepeat, ReasonProgram, ReasonSizeUnknown, ReasonRebreed} {
		if text := a.text(code); text != "" {
			row.Text += "; " + text
		}
	}
	row.Seqs = []int64{sign.seq}
	if w := m.withheld(l); w != (WithheldView{}) {
		row.Caution = append(row.Caution, cautionResidue)
	}
	m.add(row)
}

// timing is the a.m.-p.m. rule, as a hint: once a day does as well (S45, S46). It
// is for heats whose beginning was seen at a known time; the beginning of one that
// rubbed chalk shows lies up to a day back.
func timing(sign *rec, on event.Date) string {
	switch {
	case sign.minute == noon || !sign.standing():
		return ""
	case sign.on != on:
		return ", in the afternoon: by the a.m.-p.m. rule she is bred this morning"
	case sign.minute < noon:
		return ", in the morning: by the a.m.-p.m. rule she is bred this afternoon"
	}
	return ", in the afternoon: by the a.m.-p.m. rule she is bred tomorrow morning"
}

// returns lists who is expected to come back in heat if she did not hold.
func (m *making) returns() {
	m.each(func(l *life) {
		lac := &l.lactations[l.lactationOn(m.on)]
		s := m.service(l, lac)
		if !s.awaits() || s.run || l.pregnancyOn(m.on) != nil {
			return
		}
		for _, w := range []struct {
			code     string
			from, to event.Date
			name     string
		}{{ReasonNormalReturn, 18, 24, "a normal return"}, {ReasonOffReturn, 36, 48, "a second return"}} {
			from, to := s.last+w.from, s.last+w.to
			if m.on > to || m.end < from {
				continue
			}
			row := m.row(l, w.code, from, to, "bred %d days ago, result not known: %s falls on day %d to %d", m.on-s.last, w.name, w.from, w.to)
			row.Examine = []string{"look at her chalk and for standing heat; partly rubbed: examine her, she may be pregnant"}
			row.Caution = []string{cautionHeatCows}
			if st := l.stopOn(m.on); st != nil {
				row.Text += "; she is not to be bred again"
			}
			if s.from >= 0 {
				row.Seqs = []int64{l.recs[s.to-1].seq}
			}
			m.add(row)
			return
		}
	})
}
