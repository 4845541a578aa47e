package repro

import (
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
)

var (
	serviceGroups = []string{ByTechnician, BySire, ByServiceNumber, ByLactationGroup, ByMonth, ByMethod, ByBasis, BySemen, ByFound, ByPen}
	cowGroups     = []string{ByLactationGroup, ByPen}
	calvingGroups = []string{ByLactationGroup, ByMonth, ByPen}
)

const notRecorded = "(not recorded)"

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
	case ByServiceNumber:
		if s.number >= 4 {
			return "4+"
		}
		return strconv.Itoa(int(s.number))
	case ByLactationGroup:
		return lactationGroup(&l.lactations[s.lactation])
	case ByMonth:
		return monthOf(s.last)
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

// foundLabel is how the heat was found: what led to the service, and for an
// obvious heat also by what means it was seen.
func foundLabel(s *service) string {
	if s.found == foundObvious && s.foundBy != 0 {
		return foundCodes[s.found] + ":" + foundWords[s.foundBy]
	}
	return foundCodes[s.found]
}

// cowGroup is the group of a cow on a day.
func (q *query) cowGroup(l *life, lac *lactation, on event.Date) string {
	switch q.p.By {
	case ByLactationGroup:
		return lactationGroup(lac)
	case ByPen:
		return orNotRecorded(q.h.words.text(l.penOn(on)))
	case ByMonth:
		return monthOf(on)
	}
	return ""
}

// calvingGroup is the group of a lactation by its calving.
func (q *query) calvingGroup(l *life, lac *lactation) string { return q.cowGroup(l, lac, lac.calved) }
