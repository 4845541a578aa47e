package repro

import (
	"slices"
	"strconv"

	"byrelog.example/internal/event"
)

// What answers can be grouped by.
const (
	ByTechnician     = "technician"
	BySire           = "sire"
	ByServiceNumber  = "service_number"
	ByLactationGroup = "lactation_group"
	ByMonth          = "month"
	ByMethod         = "method"
	ByBasis          = "basis"
	BySemen          = "semen"
	ByFound          = "found_by"
	ByPen            = "pen"
	ByWindow         = "window"

	// ByCaseMix parts the services of conception_risk by technician, lactation group and
	// number of service, for [PoolTechnicians]; it is no grouping that is shown.
	ByCaseMix = "case_mix"
)

// GroupedBy tells whether answers to the index can be grouped so.
func (d *Definition) GroupedBy(by string) bool {
	return slices.Contains(d.Groups, by) || by == ByCaseMix && d.Key == "conception_risk"
}

// mixed joins the parts of a label of [ByCaseMix]; no code or label has it.
const mixed = "\x1f"

var (
	serviceGroups = []string{ByTechnician, BySire, ByServiceNumber, ByLactationGroup, ByMonth, ByWindow, ByMethod, ByBasis, BySemen, ByFound, ByPen}
	cowGroups     = []string{ByLactationGroup, ByPen}
	spanGroups    = []string{ByLactationGroup, ByMonth, ByWindow, ByPen}
	firstGroups   = []string{ByTechnician, ByLactationGroup, ByMonth, ByWindow, ByMethod, ByBasis, ByFound, ByPen}
)

// Labels of groups that are none.
const (
	notRecorded = "(not recorded)"
	noService   = "(no service)"
	notServed   = "(not served)"
)

func orNotRecorded(s string) string {
	if s == "" {
		return notRecorded
	}
	return s
}

// lactationGroup is heifer, 1, 2, 3+ or unknown.
func lactationGroup(lac *lactation) string {
	switch {
	case lac.number < 0:
		return "unknown"
	case lac.number == 0:
		return "heifer"
	case lac.number >= 3:
		return "3+"
	}
	return strconv.Itoa(int(lac.number))
}

// monthOf is the month of a day, YYYY-MM.
func monthOf(d event.Date) string { return d.String()[:7] }

// monthOf is the month of a day; one text for all days of it.
func (q *query) monthOf(d event.Date) string {
	for i := range q.named {
		if m := &q.named[i]; m.from <= d && d <= m.to {
			return m.label
		}
	}
	y, m, day := d.Civil()
	from := d - event.Date(day) + 1
	to := from + 27
	for to < d || sameMonth(to+1, y, m) {
		to++
	}
	q.named = append(q.named, month{from, to, monthOf(d)})
	return q.named[len(q.named)-1].label
}

func sameMonth(d event.Date, year, month int) bool {
	y, m, _ := d.Civil()
	return y == year && m == month
}

// windowOf names the 21-day window, tiled from the anchor, that a day lies in.
func (q *query) windowOf(d event.Date) string {
	off := (d - q.p.Anchor) % windowDays
	if off < 0 {
		off += windowDays
	}
	w := d - off
	return w.String() + ".." + (w + windowDays - 1).String()
}

// serviceGroup is the group of a service under the query's grouping.
func (q *query) serviceGroup(l *life, s *service) string {
	switch q.p.By {
	case ByTechnician:
		return orNotRecorded(q.h.words.text(s.by))
	case BySire:
		if s.siresDiffer {
			return "(several)"
		}
		return orNotRecorded(q.h.words.text(s.sire))
	case ByCaseMix:
		return q.h.words.text(s.by) + mixed + lactationGroup(&l.lactations[s.lactation]) + mixed + numberGroup(s)
	case ByServiceNumber:
		return numberGroup(s)
	case ByLactationGroup:
		return lactationGroup(&l.lactations[s.lactation])
	case ByMonth:
		return q.monthOf(s.last)
	case ByWindow:
		return q.windowOf(s.last)
	case ByMethod:
		return orNotRecorded(methodWords[s.method])
	case ByBasis:
		return orNotRecorded(basisWords[s.basis])
	case BySemen:
		return orNotRecorded(semenWords[s.semen])
	case ByFound:
		return foundLabel(s)
	case ByPen:
		return orNotRecorded(q.h.words.text(l.penOn(s.last)))
	}
	return ""
}

// numberGroup is 1, 2, 3 or 4+.
func numberGroup(s *service) string {
	if s.number >= 4 {
		return "4+"
	}
	return strconv.Itoa(int(s.number))
}

// foundLabel is how the heat was found: what led to the service, and for an
// obvious heat also by what means it was seen.
func foundLabel(s *service) string {
	if s.found == foundObvious {
		return obviousLabels[s.foundBy]
	}
	return foundCodes[s.found]
}

// obviousLabels are the labels of obvious heats by what means they were seen, an index
// of foundWords.
var obviousLabels = func() []string {
	list := slices.Clone(foundWords)
	for i, by := range list {
		list[i] = foundCodes[foundObvious]
		if by != "" {
			list[i] += ":" + by
		}
	}
	return list
}()

// cowGroup is the group of a cow on a day.
func (q *query) cowGroup(l *life, lac *lactation, on event.Date) string {
	switch q.p.By {
	case ByLactationGroup:
		return lactationGroup(lac)
	case ByPen:
		return orNotRecorded(q.h.words.text(l.penOn(on)))
	case ByMonth:
		return q.monthOf(on)
	case ByWindow:
		return q.windowOf(on)
	}
	return ""
}

// conceptionGroup is the group of a pregnancy: by the service that it came of,
// or by herself on the day that it is dated.
func (q *query) conceptionGroup(l *life, p *pregnancy, on event.Date) string {
	switch q.p.By {
	case ByLactationGroup, ByPen, ByMonth, ByWindow, "":
		return q.cowGroup(l, &l.lactations[p.lactation], on)
	}
	if p.service < 0 {
		return noService
	}
	return q.serviceGroup(l, &l.services[p.service])
}

// firstServiceGroup is the group of a lactation by its first service, where it
// is grouped by what belongs to one.
func (q *query) firstServiceGroup(l *life, lac *lactation) string {
	switch q.p.By {
	case ByTechnician, ByMethod, ByBasis, ByFound:
		if s := l.of(lac); len(s) > 0 {
			return q.serviceGroup(l, &s[0])
		}
		return notServed
	}
	return q.calvingGroup(l, lac)
}

// calvingGroup is the group of a lactation by its calving.
func (q *query) calvingGroup(l *life, lac *lactation) string { return q.cowGroup(l, lac, lac.calved) }
