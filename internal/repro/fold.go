package repro

import (
	"slices"
	"unsafe"

	"byrelog.example/internal/event"
)

// arena is a region (arena allocation): it is where the records of lives lie, side by side in large pieces; one after
// the other, so that no life has an array of its own.
type arena struct {
	recs  []rec // the piece being filled
	side  *side
	full  int64 // bytes of the pieces before it
	apart bool  // for one group only
	buf   []byte

	// After a reset: what is left of the lives before it, for those to come.
	passing bool
	lives   []*life
	used    int // of them
	folder  folder
}

// pieceRecs is how many records a piece holds: some 200 kB.
const pieceRecs = 4096

// passingRecs is as much where lives are only looked at and forgotten, some at once.
const passingRecs = 2048

// unpack unpacks records dated up to cut (0 = all).
func (a *arena) unpack(b []byte, cut event.Date) []rec {
	if a.side == nil {
		a.side = &side{}
	}
	most := len(b) / leastPacked
	if most > cap(a.recs)-len(a.recs) {
		a.full += int64(cap(a.recs)) * bytesOfRec
		size := pieceRecs
		if a.passing {
			size = passingRecs
		}
		if a.apart {
			size = 0
			for c := over(b); c.more(); size++ {
				c.rec(&rec{}, &side{})
			}
			most = size
		}
		a.recs = make([]rec, 0, max(size, most))
	}
	from := len(a.recs)
	a.recs = unpackTo(a.recs, over(b), a.side)
	recs := upTo(a.recs[from:], cut)
	a.recs = a.recs[:from+len(recs)]
	return slices.Clip(recs)
}

// packed are the packed records of a number, from wherever they lie. They are only
// there until the next.
func (a *arena) packed(h *Herd, i int32) []byte {
	if h.shelf == nil {
		return h.packed(i)
	}
	a.buf = h.shelf.read(a.buf, h, i)
	return a.buf
}

// reset makes room again where the records that lie there, and the lives that were
// folded of them, are not needed any more.
func (a *arena) reset() {
	a.recs, a.used, a.passing = a.recs[:0], 0, true
	if a.side != nil {
		a.side.reset()
	}
}

// life is a new life, in the memory of an old one if there is any.
func (a *arena) life() *life {
	if !a.passing {
		return &life{}
	}
	if a.used == len(a.lives) {
		a.lives = append(a.lives, &life{})
	}
	l := a.lives[a.used]
	a.used++
	*l = life{
		names: l.names[:0], lactations: l.lactations[:0], services: l.services[:0], pregnancies: l.pregnancies[:0],
		stops: l.stops[:0], pens: l.pens[:0], notes: l.notes[:0],
	}
	return l
}

func (a *arena) bytes() int64 {
	size := a.full + int64(cap(a.recs))*bytesOfRec
	if a.side != nil {
		size += int64(cap(a.side.pasts))*bytesOfPast + int64(cap(a.side.withheld))*bytesOfHeld
	}
	return size
}

const (
	bytesOfRec  = int64(unsafe.Sizeof(rec{}))
	bytesOfPast = int64(unsafe.Sizeof(past{}))
	bytesOfHeld = int64(unsafe.Sizeof(withheld{}))
)

// bearer is who bears one number while a group of numbers is folded.
type bearer struct {
	name   word
	recs   []rec
	next   int   // first rec not yet told
	freed  int64 // seq of a departure told before its turn
	holder *life // who bears the number, or last bore it
	away   bool  // the holder has left, or has been given another number
}

// folder tells the events of a group of numbers in order, and deals them out
// to the individuals that bore the numbers.
type folder struct {
	h       *Herd
	arena   *arena
	side    *side
	first   bearer // mostly the only one
	bearers []*bearer
	lives   []*life
	own     map[*life][]rec // of lives whose recs do not lie side by side
}

// foldGroup folds the numbers of one group into lives. The result is never
// nil and depends on nothing but the effective events dated up to cut (0 = all
// of them), the merge and the policies.
// Lives of an arena that is reset are theirs who asked until then; so is the list.
func (h *Herd) foldGroup(members []int32, cut event.Date, merge int, a *arena) []*life {
	f := &a.folder
	if !a.passing {
		f = &folder{lives: []*life{}}
	}
	*f = folder{h: h, arena: a, bearers: f.bearers[:0], lives: f.lives[:0]}
	for _, m := range members {
		if recs := a.unpack(a.packed(h, m), cut); len(recs) > 0 {
			b := &f.first
			if len(f.bearers) > 0 {
				b = &bearer{}
			}
			b.name, b.recs = h.names[m], recs
			f.bearers = append(f.bearers, b)
		}
	}
	f.side = a.side
	if len(f.bearers) > 1 { // the members' order is that of their first mention in the log
		slices.SortFunc(f.bearers, func(a, b *bearer) int {
			return naturalOrder(h.words.text(a.name), h.words.text(b.name))
		})
	}
	f.plain()
	for {
		day := f.nextDay()
		if day == 0 {
			break
		}
		f.tellDay(day)
	}
	for _, l := range f.lives {
		if own, ok := f.own[l]; ok {
			slices.SortFunc(own, func(a, b rec) int { return h.order(f.side, &a, &b) })
			l.recs, l.apart = own, true
		}
		t := teller{h: h, l: l, merge: merge}
		t.tell()
	}
	return f.lives
}

// plain tells the events of a group of one number up to the first day that begins with
// an arrival or a renumbering of an animal that is here, as tellDay would: on other
// days there is nothing to settle before they are dealt out. Most animals have one
// number, and one arrival at the beginning.
func (f *folder) plain() {
	if len(f.bearers) != 1 {
		return
	}
	b := f.bearers[0]
	for b.next < len(b.recs) {
		switch r := &b.recs[b.next]; {
		case r.minute != startOfDay:
			f.deal(b, b.next)
		case r.kind == event.KindArrival && !b.held() && (b.next+1 == len(b.recs) || b.recs[b.next+1].on != r.on || b.recs[b.next+1].minute != startOfDay):
			f.arrive(b, b.next)
		default:
			return
		}
		b.next++
	}
}

// nextDay is the earliest day with an event not yet told; 0 = none.
func (f *folder) nextDay() event.Date {
	var day event.Date
	for _, b := range f.bearers {
		if b.next < len(b.recs) && (day == 0 || b.recs[b.next].on < day) {
			day = b.recs[b.next].on
		}
	}
	return day
}

// tellDay tells the events of one day. Who bears which number is settled
// first: a number that is freed and given anew in one day is freed first, and
// numbers that are exchanged are exchanged at once.
func (f *folder) tellDay(day event.Date) {
	var moves []move
	for _, b := range f.bearers {
		i := b.next
		for i < len(b.recs) && b.recs[i].on == day && b.recs[i].minute == startOfDay {
			i++
		}
		if i == b.next {
			continue
		}
		arrives := b.recs[b.next].kind == event.KindArrival
		if arrives && b.held() && f.departs(b, day) {
			f.free(b, day)
		}
		for _, r := range b.recs[b.next:i] {
			if r.kind == event.KindRenumber {
				moves = append(moves, move{from: b, to: f.bearer(r.text), rec: r})
			}
		}
	}
	moves = f.rename(moves, day)
	for _, b := range f.bearers {
		for b.next < len(b.recs) && b.recs[b.next].on == day && b.recs[b.next].kind == event.KindArrival {
			f.arrive(b, b.next)
			b.next++
		}
	}
	for _, m := range f.rename(moves, day) { // first those of animals that came today
		if l := m.from.holder; l != nil { // she has left, or bears another number already
			code := noteOldNumber
			if l.out != 0 {
				code = noteAfterLeaving
			}
			l.notes = append(l.notes, note{code, day, m.rec.seq})
			continue
		}
		l := f.begin(m.from, day)
		l.notes = append(l.notes, note{noteFirstSeen, day, m.rec.seq})
		f.apply([]move{m}, day)
	}
	for _, b := range f.bearers {
		for b.next < len(b.recs) && b.recs[b.next].on == day {
			if r := &b.recs[b.next]; r.minute != startOfDay && r.seq != b.freed {
				f.deal(b, b.next)
			}
			b.next++
		}
	}
}

// held tells whether somebody present bears the number. Her leaving may have
// been recorded under a number that she bore before.
func (b *bearer) held() bool { return b.holder != nil && !b.away && b.holder.out == 0 }

// departs tells whether the number's holder leaves on the day.
func (f *folder) departs(b *bearer, day event.Date) bool {
	for i := b.next; i < len(b.recs) && b.recs[i].on == day; i++ {
		if b.recs[i].kind == event.KindDeparture {
			return true
		}
	}
	return false
}

// free tells the departure of the day before anything else of it.
func (f *folder) free(b *bearer, day event.Date) {
	for i := b.next; i < len(b.recs) && b.recs[i].on == day; i++ {
		if b.recs[i].kind == event.KindDeparture {
			f.give(b, i)
			f.leave(b, &b.recs[i])
			b.freed = b.recs[i].seq
			return
		}
	}
}

func (f *folder) bearer(name word) *bearer {
	for _, b := range f.bearers {
		if b.name == name {
			return b
		}
	}
	// Nothing was ever recorded under the new number itself.
	b := &bearer{name: name}
	f.bearers = append(f.bearers, b)
	return b
}

// move is a renumbering.
type move struct {
	from, to *bearer
	rec      rec
}

// rename carries out the renumberings whose animal is there, all at once, and
// then those that these have made possible. It gives back the others.
func (f *folder) rename(moves []move, day event.Date) []move {
	for len(moves) > 0 {
		var ready, rest []move
		for _, m := range moves {
			if m.from.held() {
				ready = append(ready, m)
			} else {
				rest = append(rest, m)
			}
		}
		if len(ready) == 0 {
			return rest
		}
		f.apply(ready, day)
		moves = rest
	}
	return nil
}

func (f *folder) apply(moves []move, day event.Date) {
	who := make([]*life, len(moves))
	for i, m := range moves {
		who[i] = m.from.holder
		f.own = keep(f.own, who[i])
		f.own[who[i]] = append(f.own[who[i]], m.rec)
	}
	for i, m := range moves {
		if m.from.holder == who[i] {
			m.from.away = true
		}
	}
	for i, m := range moves {
		if m.to.held() && m.to.holder != who[i] {
			who[i].notes = append(who[i].notes, note{noteNumberTaken, day, m.rec.seq})
			f.supplant(m.to, day, m.rec.seq)
		}
		m.to.holder, m.to.away = who[i], false
		who[i].names = append(who[i].names, naming{m.to.name, day})
	}
}

// keep starts a list of her own for an animal whose events lie under several
// numbers.
func keep(own map[*life][]rec, l *life) map[*life][]rec {
	if own == nil {
		own = map[*life][]rec{}
	}
	if _, ok := own[l]; !ok {
		own[l] = slices.Clone(l.recs)
	}
	return own
}

// supplant ends the presence of an animal whose number goes to another.
func (f *folder) supplant(b *bearer, day event.Date, seq int64) {
	b.holder.out, b.holder.outSeq = day, seq
	b.holder.notes = append(b.holder.notes, note{noteNumberReused, day, seq})
	b.away = true
}

// begin starts an individual under a number.
func (f *folder) begin(b *bearer, day event.Date) *life {
	l := f.arena.life()
	l.side, l.names, l.in = f.side, append(l.names, naming{b.name, day}), day
	b.holder, b.away = l, false
	f.lives = append(f.lives, l)
	return l
}

// arrive tells an arrival. One of an animal that is here already is a second
// statement about the same animal, unless it cannot be: born since, it is
// another, and the number was re-used without saying that the first left.
func (f *folder) arrive(b *bearer, i int) {
	r := &b.recs[i]
	p := &f.side.pasts[r.text]
	switch l := b.holder; {
	case !b.held():
		f.begin(b, r.on).how = p.how
	case l.in < r.on && (p.how == bornHere || p.born > l.in):
		f.supplant(b, r.on, r.seq)
		f.begin(b, r.on).how = p.how
	default:
		l.notes = append(l.notes, note{noteArrivedTwice, r.on, r.seq})
		if l.how == 0 {
			l.how = p.how
		}
	}
	f.give(b, i)
}

// bornHere is the index of event.Born in howWords.
const bornHere = 1

// deal gives one event to whoever it is about.
func (f *folder) deal(b *bearer, i int) {
	r := &b.recs[i]
	switch l := b.holder; {
	case l == nil:
		l = f.begin(b, r.on)
		l.notes = append(l.notes, note{noteFirstSeen, r.on, r.seq})
	case l.out != 0 && (r.on > l.out || r.kind == event.KindDeparture):
		// What befalls an animal that has left is a finding and no more; but on
		// the day of leaving itself the order is seldom known.
		l.notes = append(l.notes, note{noteAfterLeaving, r.on, r.seq})
		return
	case b.away && l.out == 0:
		l.notes = append(l.notes, note{noteOldNumber, r.on, r.seq})
		f.own = keep(f.own, l)
	}
	f.give(b, i)
	if r.kind == event.KindDeparture {
		f.leave(b, r)
	}
}

func (f *folder) leave(b *bearer, r *rec) {
	b.holder.out, b.holder.outHow, b.holder.outReason, b.holder.outSeq = r.on, r.a, r.text, r.seq
	b.away = true
}

// give adds an event to the holder's own. As long as they lie side by side
// they stay where they are.
func (f *folder) give(b *bearer, i int) {
	l := b.holder
	if f.own != nil {
		if own, ok := f.own[l]; ok {
			f.own[l] = append(own, b.recs[i])
			return
		}
	}
	n := len(l.recs)
	switch {
	case n == 0:
		l.recs = b.recs[i : i+1 : i+1]
	case i >= n && &b.recs[i-n] == &l.recs[0]:
		l.recs = b.recs[i-n : i+1 : i+1]
	default:
		f.own = keep(f.own, l)
		f.own[l] = append(f.own[l], b.recs[i])
	}
}
