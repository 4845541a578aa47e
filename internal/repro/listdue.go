package repro

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"byrelog.example/internal/event"
)

// Codes of rows on the lists of what is due.
const (
	RowDiagnose     = "result_unknown"
	RowConfirm      = "confirm"
	RowConfirmLate  = "confirm_late"
	RowInDoubt      = "pregnancy_in_doubt"
	RowDue          = "due"
	RowPastDue      = "past_due"
	RowDryOff       = "dry_off"
	RowDryOffLate   = "dry_off_late"
	ReasonTransport = "late_pregnancy"
)

const (
	confirmFrom = 60 // indices.md 1.14: a second check about day 60 to 75, common practice
	confirmTo   = 75
	restDays    = 7  // indices.md section 6: no cow twice in a week
	dryShort    = 40 // a dry period of 40 to 70 days is acceptable (S53)
)

// examinedOn is the last day on which she was examined for heat or pregnancy.
func (m *making) examinedOn(l *life) event.Date {
	recs := upTo(l.recs, m.on)
	for i := len(recs) - 1; i >= 0; i-- {
		if k := recs[i].kind; k == event.KindPalpation || k == event.KindPregnancyDiagnosis {
			return recs[i].on
		}
	}
	return 0
}

// diagnose lists who is due for a diagnosis of pregnancy, and for the second
// check.
func (m *making) diagnose() {
	m.each(func(l *life) {
		if row, ok := m.inDoubt(l); ok {
			m.add(row)
			return
		}
		row, ok := m.due(l)
		if !ok {
			return
		}
		if on := m.examinedOn(l); on != 0 && m.on-on < restDays {
			m.leave("examined_this_week")
			return
		}
		m.add(row)
	})
}

// inDoubt is the row of a cow recorded as pregnant whom the hand has found in heat
// since: only a diagnosis releases her, however lately she was examined.
func (m *making) inDoubt(l *life) (ListRow, bool) {
	p := l.pregnancyOn(m.on)
	if p == nil {
		return ListRow{}, false
	}
	recs := upTo(l.recs, m.on)
	for i := len(recs) - 1; i >= 0 && recs[i].on > p.lastSeen; i-- {
		if r := &recs[i]; r.kind == event.KindPalpation && r.a == inHeat {
			row := m.row(l, RowInDoubt, r.on, 0, "recorded as pregnant, last found so on %s, and felt in heat by hand on %s%s: a diagnosis decides", p.lastSeen, r.on, felt(r))
			// Milk and blood stay positive for a while after a loss.
			if row.Methods = m.dueBy([]DueMethod{{event.Ultrasound, r.on}, {event.ByPalpation, r.on}}); len(row.Methods) == 0 {
				return ListRow{}, false
			}
			row.Examine = []string{"is she pregnant: until a diagnosis finds her open, she is not bred"}
			row.Caution = []string{cautionHandling, cautionGlove, cautionLaw, cautionNoTreating}
			row.Seqs = []int64{p.seq, r.seq}
			return row, true
		}
	}
	return ListRow{}, false
}

func (m *making) due(l *life) (ListRow, bool) {
	if p := l.pregnancyOn(m.on); p != nil {
		return m.confirm(l, p)
	}
	lac := &l.lactations[l.lactationOn(m.on)]
	s := m.service(l, lac)
	if !s.awaits() {
		return ListRow{}, false
	}
	methods := m.dueBy(m.methods(lac, s))
	if len(methods) == 0 {
		return ListRow{}, false
	}
	names := make([]string, len(methods))
	for i, d := range methods {
		names[i] = d.Method
		if d.From > m.on {
			names[i] += " from " + d.From.String()
		}
	}
	row := m.row(l, RowDiagnose, methods[0].From, 0, "bred %d days ago, result not known: due for %s", m.on-s.last, strings.Join(names, ", "))
	if s.run {
		row.Text = "with a bull until " + s.last.String() + ", not diagnosed since: due for " + strings.Join(names, ", ")
	}
	if s.early {
		row.Text += "; a first diagnosis of pregnancy came too early to count"
	}
	row.Methods = methods
	row.Examine = []string{"by hand or ultrasound: is she pregnant, and for how many days; if open, is there heat, and what do uterus and ovaries say"}
	row.Caution = []string{cautionHandling, cautionGlove, cautionEarlyHand, cautionLaw}
	if s.from >= 0 {
		row.Seqs = []int64{l.recs[s.to-1].seq}
	}
	return row, true
}

// methodsOfDiagnosis are the words of a diagnosis, in the order in which they are told.
var methodsOfDiagnosis = []string{event.Ultrasound, event.Blood, event.Milk, event.ByPalpation}

// dueBy are those methods that tell within the days, of the one asked for.
func (m *making) dueBy(all []DueMethod) []DueMethod {
	return slices.DeleteFunc(all, func(d DueMethod) bool {
		return d.From > m.end || m.list.Method != "" && d.Method != m.list.Method
	})
}

// methods are the ways of diagnosing her, each with the day from which it
// tells, earliest first.
func (m *making) methods(lac *lactation, s *service) []DueMethod {
	p := m.h.policies.On(m.on)
	after := event.Date(0)
	if lac.calved != 0 {
		after = lac.calved + event.Date(p.DiagnoseAfterCalving)
	}
	out := []DueMethod{
		{event.Ultrasound, s.last + event.Date(p.DiagnoseUltrasound)},
		{event.Blood, max(after, s.last+event.Date(p.DiagnoseBlood))},
		{event.Milk, max(after, s.last+event.Date(p.DiagnoseMilk))},
		{event.ByPalpation, s.last + event.Date(p.DiagnosePalpation)},
	}
	if lac.heifer() { // she gives no milk to test
		out = slices.Delete(out, 2, 3)
	}
	slices.SortStableFunc(out, func(a, b DueMethod) int { return cmp.Compare(a.From, b.From) })
	return out
}

// confirmBy are the ways of the second check: by then every method tells.
func confirmBy(lac *lactation, from event.Date) []DueMethod {
	var out []DueMethod
	for _, method := range methodsOfDiagnosis {
		if method != event.Milk || !lac.heifer() {
			out = append(out, DueMethod{method, from})
		}
	}
	return out
}

// confirm is the second check of a pregnancy.
func (m *making) confirm(l *life, p *pregnancy) (ListRow, bool) {
	from, to := p.conceived+confirmFrom, p.conceived+confirmTo
	switch {
	case p.conceived == 0:
		return ListRow{}, false
	case p.lastSeen >= from:
		return ListRow{}, false
	case m.end < from:
		return ListRow{}, false
	case l.lactations[p.lactation].dried != 0 || m.on > to && m.nearCalving(l):
		m.leave("confirm_missed")
		return ListRow{}, false
	}
	row := m.row(l, RowConfirm, from, to, "pregnant for %d days, last found so on %s: second check, day %d to %d", m.on-p.conceived, p.lastSeen, confirmFrom, confirmTo)
	row.Methods = m.dueBy(confirmBy(&l.lactations[p.lactation], from))
	if len(row.Methods) == 0 {
		return ListRow{}, false
	}
	if m.on > to {
		row.Code, row.Until = RowConfirmLate, 0
		row.Text = fmt.Sprintf("pregnant for %d days, last found so on %s: the second check of day %d to %d was missed", m.on-p.conceived, p.lastSeen, confirmFrom, confirmTo)
	}
	row.Examine = []string{"is she still pregnant, and does the stage agree with the date of conception"}
	row.Caution = []string{cautionHandling, cautionGlove, cautionLaw}
	row.Seqs = []int64{p.seq}
	return row, true
}

// dated is the pregnancy of an animal with its due date, if there is one that
// lists can go by.
func (m *making) dated(l *life) (*pregnancy, event.Date) {
	p := l.pregnancyOn(m.on)
	if p == nil {
		return nil, 0
	}
	due, _ := m.h.due(l, p)
	switch {
	case due == 0:
		m.leave("conception_undated")
		return nil, 0
	case overdue(p, m.on):
		m.leave("overdue")
		return nil, 0
	}
	return p, due
}

// calve lists who is due to calve.
func (m *making) calve() {
	m.each(func(l *life) {
		p, due := m.dated(l)
		if p == nil || due > m.end {
			return
		}
		var row ListRow
		if due < m.on {
			row = m.row(l, RowPastDue, due, p.conceived+gestationMax, "%d days past her due date of %s, %s", m.on-due, due, conceptionTexts[p.how])
		} else {
			row = m.row(l, RowDue, due, p.conceived+gestationMax, "due on %s, in %d days; day %d of pregnancy, %s", due, due-m.on, m.on-p.conceived, conceptionTexts[p.how])
		}
		lac := &l.lactations[p.lactation]
		if lac.dried == 0 && !lac.heifer() {
			row.Text += "; not recorded as dried off"
		}
		if p.fetuses > 1 {
			row.Text += "; more than one calf seen"
		}
		row.Examine = []string{"is she calving, and does she need help"}
		row.Caution = []string{cautionZoonoses, cautionTransport}
		if early := p.conceived + event.Date(premature-l.embryoAge(p)); m.on < early {
			row.Caution = append(row.Caution, cautionAbortion)
		}
		m.information(l, p, &row)
		row.Seqs = []int64{p.seq}
		m.add(row)
	})
}

// dryOff lists which cows in milk are to be dried off.
func (m *making) dryOff() {
	m.each(func(l *life) {
		p, due := m.dated(l)
		if p == nil {
			return
		}
		lac := &l.lactations[p.lactation]
		day := m.h.dryOff(l, p)
		if lac.dried != 0 || day == 0 || day > m.end {
			return
		}
		row := m.row(l, RowDryOff, day, 0, "to be dried off on %s, %d days before she is due on %s", day, due-day, due)
		if left := due - m.on; left < dryShort {
			row.Code = RowDryOffLate
			row.Text = "was to be dried off on " + day.String() + "; " + plural(int(left), "day") + " left until she is due on " + due.String() + ", fewer than 40"
			if left < 0 {
				row.Text = "was to be dried off on " + day.String() + " and is past her due date of " + due.String() + ": did she calve, or was she dried off"
			}
		}
		row.Examine = []string{"is she still pregnant; is the quarter milk sound"}
		m.information(l, p, &row)
		row.Seqs = []int64{p.seq}
		m.add(row)
	})
}

// information adds what goes with a cow late in pregnancy: open withdrawal
// periods, and that she may not be carried any more.
func (m *making) information(l *life, p *pregnancy, row *ListRow) {
	a := m.ask(l, "")
	a.withheldPeriods()
	if len(a.e.Reasons) > 0 {
		row.Caution = append(row.Caution, cautionResidue)
	}
	if from := m.transportEnd(l, p); m.on >= from {
		a.say(ReasonTransport, "", from, 0, "in the last tenth of pregnancy since %s", from)
		if !slices.Contains(row.Caution, cautionTransport) {
			row.Caution = append(row.Caution, cautionTransport)
		}
	}
	row.Reasons = a.e.Reasons
}

// transportEnd is the first day of the last tenth of a pregnancy (S116).
func (k *lookup) transportEnd(l *life, p *pregnancy) event.Date {
	if p.conceived == 0 {
		return endless
	}
	_, g := k.h.due(l, p)
	return p.conceived + event.Date((9*g+9)/10)
}

// queries lists the findings.
func (m *making) queries() {
	var all rough
	for _, l := range m.f.lives {
		all.add(l)
		if m.list.Pen != "" && (!l.present(m.on) || m.h.words.text(l.penOn(m.on)) != m.list.Pen) {
			continue
		}
		for _, f := range m.findings(l) {
			m.addFinding(l, f)
		}
	}
	if m.list.Pen == "" {
		for _, f := range m.ofTheHerd(&all) {
			m.addFinding(nil, f)
		}
	}
	slices.SortStableFunc(m.list.Rows, func(a, b ListRow) int {
		if (a.Animal == "") != (b.Animal == "") {
			return cmp.Compare(b.Animal, a.Animal)
		}
		return cmp.Compare(a.Since, b.Since)
	})
}

func (m *making) addFinding(l *life, f Finding) {
	if f.Severity == SeverityNote { // nobody has to do anything about it
		m.leave("note")
		return
	}
	if m.list.Days > 0 && f.On < m.on-event.Date(m.list.Days) {
		m.leave("older")
		return
	}
	row := ListRow{Code: f.Code, Text: f.Text, Since: f.On, Reasons: []Reason{}, Caution: []string{}}
	if l != nil {
		row = m.row(l, f.Code, f.On, 0, "%s", f.Text)
		row.Animal = f.Animal
	}
	row.Examine = []string{f.Ask}
	row.Finding, row.Seqs = &f, f.Seqs
	m.add(row)
}
