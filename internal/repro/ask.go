package repro

import (
	"fmt"
	"slices"

	"byrelog.example/internal/event"
	"byrelog.example/internal/guard"
)

// Question asks for an index under parameters.
type Question struct {
	Key    string
	Params Params
}

// Indices computes several indices: what Index gives for each question, and its
// errors. Those without evidence that are asked as of one day and under one merge are
// answered together, in one walk through the herd on so many processors (1 or 2).
//
// The first such walk since the fold was made, or shed, keeps nothing: of a fold that
// is asked once, each life is folded, looked at for every index and forgotten, which
// needs no memory to speak of and half the time. From the second on the lives stay.
func (h *Herd) Indices(asked []Question, processors int) ([]Answer, error) {
	out := make([]Answer, len(asked))
	var together []*query
	for i, a := range asked {
		if !a.Params.Brief || len(together) > 0 && (a.Params.On != asked[together[0].at].Params.On || a.Params.Merge != asked[together[0].at].Params.Merge) {
			var err error
			if out[i], err = h.Index(a.Key, a.Params); err != nil {
				return nil, err
			}
			continue
		}
		q, err := h.query(a.Key, a.Params)
		if err != nil {
			return nil, err
		}
		q.at = i
		together = append(together, q)
	}
	if len(together) == 0 {
		return out, nil
	}
	h.walk(together, processors)
	each(processors, len(together), func(i int) {
		q := together[i]
		out[q.at] = q.answer()
	})
	return out, nil
}

// query checks a question.
func (h *Herd) query(key string, p Params) (*query, error) {
	ix := indexOf(key)
	if ix == nil {
		return nil, fmt.Errorf("%w: %q", ErrUnknownIndex, key)
	}
	p, err := p.Fill()
	if err != nil {
		return nil, err
	}
	if p.By != "" && !ix.def.GroupedBy(p.By) {
		return nil, fmt.Errorf("%w: by: %s is not grouped by %q; it can be grouped by %s", ErrBadParameter, key, p.By, possible(ix.def.Groups))
	}
	q := &query{h: h, p: p, asked: p, ix: ix}
	if p.By == ix.own {
		q.p.By = "" // its own rows are these groups
	}
	return q, nil
}

// collector is what the query does with each life; nil if with none.
func (q *query) collector() func(l *life) {
	if q.ix.cowsOnly && q.p.Strata != StrataCows {
		return nil
	}
	return q.ix.collect(q)
}

// close ends the collecting.
func (q *query) close() {
	if q.ix.close != nil && (!q.ix.cowsOnly || q.p.Strata == StrataCows) {
		q.ix.close(q)
	}
}

// answer is made of what was collected.
func (q *query) answer() Answer {
	h := q.h
	pt := part{name: h.name, policies: h.policies, cells: q.cells.list, sums: q.sums, money: q.money}
	if !q.p.Brief {
		pt.h, pt.items = h, q.items
	}
	return q.ix.answer(q.asked, []part{pt})
}

// from takes over what another query collected, of whose items the index is made too.
func (q *query) from(other *query) {
	q.cells.list = other.cells.list
	if q.ix.turn != nil {
		q.cells.list = slices.Clone(other.cells.list)
		for i := range q.cells.list {
			q.ix.turn(&q.cells.list[i])
		}
	}
}

// join takes over what was collected of other lives.
func (q *query) join(other *query) {
	q.cells.join(&other.cells, q.ix)
	q.costs = append(q.costs, other.costs...)
	if q.pens != nil {
		q.pens.join(other.pens)
	}
}

// walk goes through the lives once for all of the queries.
func (h *Herd) walk(queries []*query, processors int) {
	on, merge := queries[0].p.On, queries[0].p.Merge
	f, cut, last := h.atHand(on, merge)
	source := make([]*query, len(queries))
	before := on - 1 // the day before all that is asked about
	for i, q := range queries {
		q.last = min(on, last)
		before = min(before, q.p.From-1)
		if at := slices.IndexFunc(queries[:i], func(o *query) bool { return o.ix.def.Key == q.ix.of && o.p == q.p }); at >= 0 {
			source[i] = queries[at]
		}
	}
	n := len(h.names)
	if f != nil {
		n = len(f.lives)
	}
	if n < many {
		processors = 1
	}
	parts := make([][]*query, processors) // each processor counts for itself
	for k := range parts {
		for i, q := range queries {
			if source[i] != nil {
				continue
			}
			if k > 0 {
				c := *q
				q = &c
			}
			parts[k] = append(parts[k], q)
		}
	}
	each(processors, processors, func(k int) {
		h.through(f, n*k/processors, n*(k+1)/processors, cut, before, merge, looker(parts[k]))
	})
	for i, q := range parts[0] {
		for _, other := range parts[1:] {
			q.join(other[i])
		}
		q.close()
	}
	for i, q := range queries {
		if source[i] != nil {
			q.from(source[i])
		}
	}
}

// atOnce is how many lives are folded, and then looked at by one query after the other:
// what the query works on, and its code, lie near the processor meanwhile.
const atOnce = 32

// looker looks at lives for each of the queries. What a query counts are lactations of
// its stratum: a life without one is nothing to it.
func looker(queries []*query) func(lives []*life) {
	var ofCows, ofHeifers []func(l *life)
	for _, q := range queries {
		look := q.collector()
		switch {
		case look == nil:
		case q.p.Strata == StrataHeifers:
			ofHeifers = append(ofHeifers, look)
		default:
			ofCows = append(ofCows, look)
		}
	}
	var some []*life
	return func(lives []*life) {
		for _, stratum := range [...]struct {
			looks  []func(l *life)
			heifer bool
		}{{ofCows, false}, {ofHeifers, true}} {
			if len(stratum.looks) == 0 {
				continue
			}
			some = some[:0]
			for _, l := range lives {
				if l.sex != male && slices.ContainsFunc(l.lactations, func(lac lactation) bool { return lac.heifer() == stratum.heifer }) {
					some = append(some, l)
				}
			}
			for _, look := range stratum.looks {
				for _, l := range some {
					look(l)
				}
			}
		}
	}
}

// through hands a part of the lives on: of those that are at hand, or else of the
// groups of numbers, each folded only for as long as it is looked at. Numbers of which
// nothing is dated after the given day, and nobody is left, may be left out.
func (h *Herd) through(f *folded, from, to int, cut, before event.Date, merge int, look func([]*life)) {
	if f != nil {
		for lives := range slices.Chunk(f.lives[from:to], atOnce) {
			look(lives)
		}
		return
	}
	var room arena
	var lives []*life
	members := make([]int32, 1)
	room.reset()
	for i := int32(from); i < int32(to); i++ {
		list := members
		if list[0] = i; len(h.parents) == 0 {
			if h.goneBy(i, before) {
				continue // nothing of it lies in the period
			}
		} else {
			if h.group(i) != i {
				continue
			}
			list = h.members(i)
		}
		if lives = append(lives, h.foldGroup(list, cut, merge, &room)...); len(lives) >= atOnce {
			look(lives)
			lives = lives[:0]
			room.reset()
		}
	}
	look(lives)
}

// each calls fn for 0 to n-1 on one or two processors.
func each(processors, n int, fn func(i int)) {
	if processors < 2 || n < 2 {
		for i := range n {
			fn(i)
		}
		return
	}
	defer guard.Beside("repro.ask", func() {
		for i := 0; i < n; i += 2 {
			fn(i)
		}
	})()
	for i := 1; i < n; i += 2 {
		fn(i)
	}
}
