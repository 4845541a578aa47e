package repro

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"byrelog.example/internal/event"
)

// Near is an animal with a number much like one that the records do not know.
type Near struct {
	Number string     // hers on the day
	Pen    string     // where she stands; "" = not known
	In     event.Date // if she comes later
	Out    event.Date // if she has left
}

const (
	mostNear = 5
	lookNear = 64 // as many numbers are looked up at most: enough for all that differ in one character
)

// Knows tells whether anybody ever bore the number, on any day.
func (h *Herd) Knows(number string) (known bool) {
	h.around(func(f *folded) {
		_, all := (&lookup{h: h, f: f}).find(number)
		known = len(all) > 0
	}, number)
	return known
}

// Nearest lists up to five animals whose numbers are much like the one given: those
// that are here on the day first, of these those of the pen named, if one is, then by
// how little has to be changed. Numbers are alike if they differ in leading zeros
// only, or in one character added, left out, exchanged for another or with its
// neighbour, or, from four characters behind the zeros on, in two such.
func (h *Herd) Nearest(number string, on event.Date, pen string) []Near {
	type candidate struct {
		name string
		far  int
	}
	var like []candidate
	wanted := []rune(number)
	for _, c := range h.names {
		name := h.words.text(c)
		if far, ok := distance(wanted, []rune(name)); ok && name != number {
			like = append(like, candidate{name, far})
		}
	}
	slices.SortFunc(like, func(a, b candidate) int { return cmp.Or(cmp.Compare(a.far, b.far), naturalOrder(a.name, b.name)) })
	like = like[:min(len(like), lookNear)]
	names := make([]string, len(like))
	for i, c := range like {
		names[i] = c.name
	}
	type found struct {
		Near
		rank [2]int // gone or here, of another pen or of this
	}
	var list []found
	h.around(func(f *folded) {
		k := &lookup{h: h, on: on, last: on, f: f}
		var told []*life
		for _, name := range names {
			l, all := k.find(name)
			if l == nil && len(all) > 0 && all[0].in > on {
				l = all[0] // she comes later; who is here is called so later
			}
			if l == nil || slices.Contains(told, l) {
				continue
			}
			told = append(told, l)
			n := found{Near: Near{Number: h.words.text(l.name(on)), Pen: h.words.text(l.penOn(on))}}
			switch {
			case l.in > on:
				n.In, n.rank[0] = l.in, 1
			case l.out != 0 && l.out <= on:
				n.Out, n.rank[0] = l.out, 1
			case pen != "" && n.Pen != pen:
				n.rank[1] = 1
			}
			list = append(list, n)
		}
	}, names...)
	slices.SortStableFunc(list, func(a, b found) int {
		return cmp.Or(cmp.Compare(a.rank[0], b.rank[0]), cmp.Compare(a.rank[1], b.rank[1]))
	})
	out := make([]Near, min(len(list), mostNear))
	for i := range out {
		out[i] = list[i].Near
	}
	return out
}

// NearText words a list of Nearest: "0071 stands in p3, 0117 in p1, 0019 left on
// 2026-03-01".
func NearText(list []Near) string {
	parts := make([]string, len(list))
	stands := " stands in "
	for i, n := range list {
		switch {
		case n.In != 0:
			parts[i] = fmt.Sprintf("%s comes on %s", n.Number, n.In)
		case n.Out != 0:
			parts[i] = fmt.Sprintf("%s left on %s", n.Number, n.Out)
		case n.Pen == "":
			parts[i] = n.Number + " is here"
		default:
			parts[i] = n.Number + stands + n.Pen
			stands = " in "
		}
	}
	return strings.Join(parts, ", ")
}

// nearText goes on from "no animal 0017 is recorded".
func (h *Herd) nearText(e *event.Event, pen string) string {
	near := ", nor one with a number like it"
	if _, said := h.words.lookup(e.Animal); said { // somebody's number it is not
		if list := h.at(e.On).identified(e.Animal); len(list) > 0 {
			return fmt.Sprintf("; it is the official identity of %s: events name her by number", h.words.text(list[0].name(e.On)))
		}
	}
	if list := h.Nearest(e.Animal, e.On, pen); len(list) > 0 {
		near = "; " + NearText(list)
	}
	return near + "; an arrival begins a history, and unknown_animals=begin lets any event begin one"
}

// distance is how many characters have to be added, left out, exchanged for others or
// with their neighbours, to make one number of the other (optimal string alignment);
// leading zeros are free. ok is false if they are not alike.
func distance(a, b []rune) (far int, ok bool) {
	x, y := unpadded(a), unpadded(b)
	most := 2
	if min(len(x), len(y)) < 4 {
		most = 1
	}
	if slices.Equal(x, y) {
		return 0, true
	}
	far = min(alignment(a, b, most), alignment(x, y, most))
	return far, far <= most && far < max(len(x), len(y))
}

// unpadded is a number without its leading zeros.
func unpadded(s []rune) []rune {
	for len(s) > 1 && s[0] == '0' {
		s = s[1:]
	}
	return s
}

// alignment is the distance of optimal string alignment, or more than most.
func alignment(a, b []rune, most int) int {
	if d := len(a) - len(b); d > most || -d > most || len(a) > maxNumber || len(b) > maxNumber {
		return most + 1
	}
	var rows [3][maxNumber + 1]int
	before, last, this := &rows[0], &rows[1], &rows[2]
	for j := range b {
		last[j+1] = j + 1
	}
	for i := range a {
		this[0] = i + 1
		least := this[0]
		for j := range b {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			this[j+1] = min(last[j+1]+1, this[j]+1, last[j]+cost)
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				this[j+1] = min(this[j+1], before[j-1]+1)
			}
			least = min(least, this[j+1])
		}
		if least > most+1 { // a swap may still take back one
			return most + 1
		}
		before, last, this = last, this, before
	}
	return last[len(b)]
}

// maxNumber is how many characters a number has at most.
const maxNumber = 32
