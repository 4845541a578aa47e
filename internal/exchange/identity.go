package exchange

import (
	"bytes"
	"slices"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// identities knows which individual a number of the herd means on a day, and
// the official identity of that individual: from arrivals, which start an
// individual, and renumberings, which give it another name.
type identities struct {
	facts []identityFact // in order of seq
	links map[string]string
	final map[string]*timeline       // by component
	by    map[string][]*identityFact // by component, in order of seq
	who   map[Identifier][]placed
	past  map[prefix]*timeline
}

// identityFact is an arrival, a renumbering, or the void of one.
type identityFact struct {
	seq      int64
	at       time.Time
	id       uuid.UUID
	void     bool // withdraws the fact of this id
	kind     event.Kind
	on       event.Date
	minute   int
	name, to string
	official Identifier
}

type timeline struct {
	people []Identifier      // official identity of each individual; zero if none
	stays  map[string][]stay // by name, by day
}

// stay says that from a day on the name means the individual.
type stay struct {
	from   event.Date
	person int
}

// add takes in an arrival or a renumbering.
func (n *identities) add(e *event.Event, seq int64, at time.Time) {
	f := identityFact{seq: seq, at: at, id: e.ID, kind: e.Kind, on: e.On, minute: e.Minute(), name: e.Animal}
	switch d := e.Data.(type) {
	case *event.Arrival:
		if d.OfficialID != nil {
			f.official = Identifier{ID: d.OfficialID.ID, Scheme: d.OfficialID.Scheme}
		}
	case *event.Renumber:
		f.to = d.To
		n.link(f.name, f.to)
	}
	n.facts = append(n.facts, f)
}

func (n *identities) root(name string) string {
	for {
		up, ok := n.links[name]
		if !ok {
			return name
		}
		name = up
	}
}

// link puts two names into one component: a change of one may change what the
// other means.
func (n *identities) link(a, b string) {
	a, b = n.root(a), n.root(b)
	if a == b {
		return
	}
	if n.links == nil {
		n.links = map[string]string{}
	}
	n.links[max(a, b)] = min(a, b)
}

// settle works out the names; voids are the moments at which facts were
// withdrawn.
func (n *identities) settle(voids map[uuid.UUID]change) {
	all := slices.Clone(n.facts)
	for i := range n.facts {
		if v, ok := voids[n.facts[i].id]; ok {
			f := n.facts[i]
			f.void, f.seq, f.at = true, v.seq, v.at
			all = append(all, f)
		}
	}
	slices.SortStableFunc(all, func(a, b identityFact) int { return int(a.seq - b.seq) })
	n.past = map[prefix]*timeline{}
	n.by, n.final = map[string][]*identityFact{}, map[string]*timeline{}
	for i := range all {
		key := n.root(all[i].name)
		n.by[key] = append(n.by[key], &all[i])
	}
	for key, facts := range n.by {
		n.final[key] = lay(facts)
	}
	n.index()
}

// lay makes the timeline of what stands of the facts.
func lay(facts []*identityFact) *timeline {
	gone := map[uuid.UUID]bool{}
	for _, f := range facts {
		if f.void {
			gone[f.id] = true
		}
	}
	var stand []*identityFact
	for _, f := range facts {
		if !f.void && !gone[f.id] {
			stand = append(stand, f)
		}
	}
	// The order of the log's own reading: date, time of day, kind, id.
	slices.SortFunc(stand, func(a, b *identityFact) int {
		switch {
		case a.on != b.on:
			return int(a.on - b.on)
		case a.minute != b.minute:
			return a.minute - b.minute
		case a.kind != b.kind:
			return int(a.kind) - int(b.kind)
		}
		return bytes.Compare(a.id[:], b.id[:])
	})
	t := &timeline{stays: map[string][]stay{}}
	for _, f := range stand {
		name, person := f.name, -1
		if f.kind == event.KindRenumber {
			name, person = f.to, t.person(f.name, f.on)
		}
		if person < 0 {
			t.people = append(t.people, f.official)
			person = len(t.people) - 1
		}
		t.stays[name] = append(t.stays[name], stay{f.on, person})
	}
	return t
}

// person finds whom a name means on a day; -1 if nobody.
func (t *timeline) person(name string, on event.Date) int {
	stays := t.stays[name] // by day; of one day the last counts
	n, _ := slices.BinarySearchFunc(stays, on, func(s stay, on event.Date) int {
		if s.from <= on {
			return -1
		}
		return 1
	})
	if n == 0 {
		return -1
	}
	return stays[n-1].person
}

func (t *timeline) official(name string, on event.Date) Identifier {
	if p := t.person(name, on); p >= 0 {
		return t.people[p]
	}
	return Identifier{}
}

// mostReplays bounds the work for one event; beyond it the last change of her
// numbers counts as one of what she is called, which only sends her once more.
const mostReplays = 32

// official gives the official identity behind the name on the day, and when
// the log last changed that answer after seq; the zero change is never.
func (n *identities) official(name string, on event.Date, seq int64) (Identifier, change) {
	key := n.root(name)
	final, ok := n.final[key]
	if !ok {
		return Identifier{}, change{}
	}
	answer := final.official(name, on)
	facts := n.by[key]
	at, _ := slices.BinarySearchFunc(facts, seq, func(f *identityFact, seq int64) int {
		if f.seq <= seq {
			return -1
		}
		return 1
	})
	later := len(facts) - at
	if later == 0 {
		return answer, change{}
	}
	if later > mostReplays {
		last := facts[len(facts)-1]
		return answer, change{last.seq, last.at}
	}
	var last change
	before := n.until(key, at).official(name, on)
	for i := at; i < len(facts); i++ {
		now := n.until(key, i+1).official(name, on)
		if now != before {
			last, before = change{facts[i].seq, facts[i].at}, now
		}
	}
	return answer, last
}

// until is the timeline as the first of the component's facts made it. Only the
// last few are asked for, again and again.
func (n *identities) until(key string, facts int) *timeline {
	at := prefix{key, facts}
	t := n.past[at]
	if t == nil {
		t = lay(n.by[key][:facts])
		n.past[at] = t
	}
	return t
}

type prefix struct {
	key   string
	facts int
}

// nameOf finds the herd's name for an official identity on a day, "" if it has
// none: the name that she bears then, or the first one if she came later. A name
// that means another animal on that day is none of hers.
func (n *identities) nameOf(official Identifier, on event.Date) string {
	best, first := placed{}, placed{}
	for _, p := range n.who[official] {
		t := n.final[n.root(p.name)]
		switch who := t.person(p.name, on); {
		case who >= 0 && t.people[who] != official:
		case p.from <= on:
			if best.name == "" || p.from > best.from || p.from == best.from && p.name > best.name {
				best = p
			}
		case first.name == "" || p.from < first.from || p.from == first.from && p.name < first.name:
			first = p
		}
	}
	if best.name != "" {
		return best.name
	}
	return first.name
}

// placed is a name that an individual bore from a day on.
type placed struct {
	name string
	from event.Date
}

func (n *identities) index() {
	n.who = map[Identifier][]placed{}
	for _, t := range n.final {
		for name, stays := range t.stays {
			for _, s := range stays {
				if who := t.people[s.person]; who != (Identifier{}) {
					n.who[who] = append(n.who[who], placed{name, s.from})
				}
			}
		}
	}
}
