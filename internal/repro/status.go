package repro

import (
	"cmp"
	"fmt"
	"slices"

	"byrelog.example/internal/event"
)

// Statuses, in the trade's words.
const (
	StatusCalf     = "calf"     // a heifer too young to be bred
	StatusHeifer   = "heifer"   // old enough, not bred
	StatusFresh    = "fresh"    // calved, within the waiting period
	StatusOpen     = "open"     // past the waiting period and not bred, or found open since
	StatusBred     = "bred"     // bred, result not known
	StatusPregnant = "pregnant" // known to be pregnant
	StatusDry      = "dry"
	StatusStopped  = "do_not_breed"
	StatusMale     = "male"
	StatusGone     = "gone"
	StatusUnknown  = "unknown" // not known whether she ever calved
)

var statusTexts = map[string]string{
	StatusCalf:     "heifer, too young to be bred",
	StatusHeifer:   "heifer, old enough to be bred, not bred",
	StatusFresh:    "fresh: calved, within the waiting period",
	StatusOpen:     "open",
	StatusBred:     "bred, result not known",
	StatusPregnant: "pregnant",
	StatusDry:      "dry",
	StatusStopped:  "not to be bred",
	StatusMale:     "male",
	StatusGone:     "gone from the herd",
	StatusUnknown:  "no calving, breeding or diagnosis recorded: not known how she stands",
}

// Statuses lists the status codes with their texts, in the order of a cow's
// life.
func Statuses() []Status {
	codes := []string{StatusCalf, StatusHeifer, StatusFresh, StatusOpen, StatusBred, StatusPregnant, StatusDry, StatusStopped, StatusUnknown, StatusMale, StatusGone}
	out := make([]Status, len(codes))
	for i, c := range codes {
		out[i] = Status{c, statusTexts[c]}
	}
	return out
}

// lookup is a reading of the herd as of a day.
type lookup struct {
	h    *Herd
	on   event.Date
	last event.Date // the earlier of on and the herd's last data date
	f    *folded    // nil: animal by animal; see passing
	pass *pass
}

// pass is what is needed to go through a herd animal by animal.
type pass struct {
	cut  event.Date
	room arena // of the animal that is gone through
}

// at reads the herd as of a day; the zero day is its last data date.
func (h *Herd) at(on event.Date) *lookup {
	f, last := h.folded(on, defaultMerge)
	if on == 0 {
		on = last
	}
	return &lookup{h: h, on: on, last: min(on, last), f: f}
}

// passing reads the herd as of a day animal by animal, if its lives are not at hand:
// it keeps none of them, so that a large herd takes no more memory than a small one.
func (h *Herd) passing(on event.Date) *lookup {
	h.mu.Lock()
	defer h.mu.Unlock()
	k := &lookup{h: h, on: on, last: h.datesNow().last}
	if on == 0 {
		k.on = k.last
	}
	cut := event.Date(0)
	if k.on < k.last {
		k.last, cut = k.on, k.on
	}
	if k.f = h.cache.at(cut, defaultMerge); k.f == nil {
		k.pass = &pass{cut: cut}
	}
	return k
}

// each goes through the herd's lives. Where they are not at hand, each is only there
// until the next.
func (k *lookup) each(fn func(l *life)) {
	if k.f != nil {
		for _, l := range k.f.lives {
			fn(l)
		}
		return
	}
	for _, members := range k.h.groups() {
		if members == nil {
			continue
		}
		k.pass.room.reset()
		for _, l := range k.h.foldGroup(members, k.pass.cut, defaultMerge, &k.pass.room) {
			fn(l)
		}
	}
}

// bearing lists the lives that ever bore a number.
func (k *lookup) bearing(number word) []*life {
	if k.f != nil {
		return k.f.bearing(number)
	}
	i, ok := k.h.number(k.h.words.text(number))
	if !ok {
		return nil
	}
	f := &folded{lives: k.h.foldApart(k.h.members(k.h.group(i)), k.pass.cut, defaultMerge)}
	k.h.sortLives(f.lives)
	return f.bearing(number)
}

// find gives the individual that bears a number on the day, or who bore it
// last; and all that ever bore it, in order of time.
func (k *lookup) find(number string) (*life, []*life) {
	code, ok := k.h.words.lookup(number)
	if !ok {
		return nil, nil
	}
	all := slices.Clone(k.bearing(code))
	slices.SortStableFunc(all, func(a, b *life) int { return cmp.Compare(a.since(code), b.since(code)) })
	// Who bears it on the day goes before who bore it once; of several that bore
	// it, the last to take it. A number may come back to an animal.
	var best *life
	for _, l := range all {
		if l.since(code) <= k.on && (best == nil || l.precedes(best, code, k.on)) {
			best = l
		}
	}
	return best, all
}

// precedes tells whether l, which stands no earlier in the order of first
// bearing a number, answers to it on a day rather than the other.
func (l *life) precedes(other *life, number word, on event.Date) bool {
	if a, b := l.name(on) == number, other.name(on) == number; a != b {
		return a
	}
	if a, b := l.present(on), other.present(on); a != b && l.name(on) == number {
		return a
	}
	return l.lately(number, on) >= other.lately(number, on)
}

// lately is the last day up to on from which she bore the number.
func (l *life) lately(number word, on event.Date) event.Date {
	var last event.Date
	for _, n := range l.names {
		if n.number == number && n.from <= on {
			last = n.from
		}
	}
	return last
}

// since is the day from which she bore the number.
func (l *life) since(number word) event.Date {
	for _, n := range l.names {
		if n.number == number {
			return n.from
		}
	}
	return 0
}

// service is her last service of the lactation, up to the day.
func (k *lookup) service(l *life, lac *lactation) *service {
	all := l.of(lac)
	if len(all) == 0 {
		return nil
	}
	return &all[len(all)-1]
}

// awaits tells whether a service still awaits its result, so that she may be
// pregnant from it.
func (s *service) awaits() bool {
	return s != nil && s.outcome == undecided && !s.answered && s.why != whyCalvedElse
}

// status says how she stands. Pregnant goes before do-not-breed, and dry
// before pregnant: that is what decides which pen she stands in.
func (k *lookup) status(l *life) string {
	if l.out != 0 && l.out <= k.on {
		return StatusGone
	}
	if l.sex == male {
		return StatusMale
	}
	lac := &l.lactations[l.lactationOn(k.on)]
	s := k.service(l, lac)
	switch {
	case lac.dried != 0:
		return StatusDry
	case l.pregnancyOn(k.on) != nil:
		return StatusPregnant
	case l.stopOn(k.on) != nil:
		return StatusStopped
	case s.awaits():
		return StatusBred
	case lac.calved != 0 && k.on < k.h.mayBeBred(l, lac, k.on):
		return StatusFresh
	case s != nil || lac.calved != 0:
		return StatusOpen
	case lac.heifer() && l.born != 0 && k.on < k.h.mayBeBred(l, lac, k.on):
		return StatusCalf
	case lac.heifer():
		return StatusHeifer
	}
	return StatusUnknown
}

// ready is the first day on which the waiting period is over, or a heifer old
// enough, by the policy in force on that day itself; 0 if neither the calving
// nor the birth is known.
func (h *Herd) ready(l *life, lac *lactation) event.Date {
	start := lac.calved
	if lac.heifer() {
		start = l.born
	}
	if start == 0 {
		return 0
	}
	for i, p := range h.policies {
		days := p.Wait(int(lac.number))
		if lac.heifer() {
			days = p.HeiferFirstBreedingDays
		}
		d := start + event.Date(days)
		if i > 0 {
			d = max(d, p.From)
		}
		if i+1 == len(h.policies) || d < h.policies[i+1].From {
			return d
		}
	}
	return 0
}

// mayBeBred is the day from which the waiting period is over, or a heifer old
// enough, by the policy in force on the day asked for; 0 if neither the calving
// nor the birth is known. It differs from ready when a new policy overtook her.
func (h *Herd) mayBeBred(l *life, lac *lactation, on event.Date) event.Date {
	p := h.policies.On(on)
	switch {
	case lac.heifer() && l.born != 0:
		return l.born + event.Date(p.HeiferFirstBreedingDays)
	case !lac.heifer() && lac.calved != 0:
		return lac.calved + event.Date(p.Wait(int(lac.number)))
	}
	return 0
}

// due is when a pregnancy comes to term, and the gestation that it was
// computed with; 0 if the conception is not known.
func (h *Herd) due(l *life, p *pregnancy) (event.Date, int) {
	g := h.policies.On(p.begins()).Gestation(h.words.text(l.breed), l.lactations[p.lactation].heifer())
	if p.conceived == 0 {
		return 0, g
	}
	g -= l.embryoAge(p)
	return p.conceived + event.Date(g), g
}

func optional16(n int16) *int {
	if n < 0 {
		return nil
	}
	v := int(n)
	return &v
}

func daysBetween(from, to event.Date) *int {
	if from == 0 || to == 0 {
		return nil
	}
	n := int(to - from)
	return &n
}

// summary is the one line about her.
func (k *lookup) summary(l *life) Animal {
	t := k.h.words.text
	code := k.status(l)
	day := k.on
	if code == StatusGone {
		day = max(l.in, l.out-1)
	}
	lac := &l.lactations[l.lactationOn(day)]
	a := Animal{
		Name: t(l.name(day)), Status: Status{code, statusTexts[code]}, Sex: sexWords[l.sex], Breed: t(l.breed), BornOn: l.born,
		Pen: t(l.penOn(day)), Lactation: optional16(lac.number), CalvedOn: lac.calved,
		EnteredOn: l.in, LeftOn: l.out, FirstSeen: l.how == 0,
	}
	if l.officialID != 0 {
		a.OfficialID = &event.OfficialID{ID: t(l.officialID), Scheme: t(l.scheme)}
	}
	if lac.dried == 0 && code != StatusGone {
		a.DaysInMilk = daysBetween(lac.calved, k.on)
	}
	if s := k.service(l, lac); s != nil {
		a.BredOn = min(s.last, k.on)
	}
	if p := l.pregnancyOn(day); p != nil && code != StatusGone {
		a.DueOn, _ = k.h.due(l, p)
	}
	return a
}

// Animals lists every individual that had entered by a day, in natural order
// of their numbers, those that left with them. The zero day is the herd's
// last data date.
func (h *Herd) Animals(on event.Date) []*Animal {
	k := h.at(on)
	return k.summaries(k.f.lives)
}

// Identified is Animals for those that an arrival gives an official identity, compared
// as text without spaces.
func (h *Herd) Identified(officialID string, on event.Date) []*Animal {
	k := h.at(on)
	return k.summaries(k.identified(officialID))
}

func (k *lookup) summaries(lives []*life) []*Animal {
	out := make([]*Animal, 0, len(lives))
	for _, l := range lives {
		if l.in <= k.on {
			a := k.summary(l)
			out = append(out, &a)
		}
	}
	slices.SortStableFunc(out, func(a, b *Animal) int {
		if c := naturalOrder(a.Name, b.Name); c != 0 {
			return c
		}
		return cmp.Compare(a.EnteredOn, b.EnteredOn)
	})
	return out
}

// Animal is the history of whoever bears the number on a day, or bore it
// last. False if nobody has borne it by then.
func (h *Herd) Animal(name string, on event.Date) (*CowView, bool) {
	k := h.at(on)
	l, all := k.find(name)
	if l == nil {
		return nil, false
	}
	return k.cow(l, all, name), true
}

// AnimalCalled is Animal also by official identity, where nobody ever bore the text as a
// number. It is nil if there is none; the error is an [*AmbiguousError].
func (h *Herd) AnimalCalled(text string, on event.Date) (*CowView, error) {
	k := h.at(on)
	l, number, all, err := k.called(text)
	if l == nil {
		return nil, err
	}
	return k.cow(l, all, number), nil
}

func (k *lookup) cow(l *life, all []*life, name string) *CowView {
	h := k.h
	dam := k.damOf(l)
	v := &CowView{
		Animal: k.summary(l), On: k.on, Dam: h.words.text(l.dam), Sire: k.bullView(k.sire(l, dam)), DamSire: k.bullView(k.damSire(l, dam)), Sizes: k.sizes(l),
		Numbers: k.numbers(l), Pregnant: k.pregnant(l), Lactations: k.lactations(l), Services: k.services(l),
		Losses: k.losses(l), Stops: []StopView{}, Pens: []PenView{}, Heats: k.heats(l), Withheld: k.withheld(l),
		Next: []NextView{}, Others: []OtherView{}, Findings: k.findings(l),
	}
	for _, s := range l.stops {
		v.Stops = append(v.Stops, StopView{s.from, s.to, h.words.text(s.reason)})
	}
	for _, p := range l.pens {
		v.Pens = append(v.Pens, PenView{h.words.text(p.pen), p.from})
	}
	for _, o := range all {
		if o != l {
			v.Others = append(v.Others, OtherView{o.in, o.out, fmt.Sprintf("another animal bore the number %s", name)})
		}
	}
	if v.Status.Code != StatusGone {
		v.Next = k.next(l)
	}
	return v
}
