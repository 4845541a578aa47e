package repro

import "byrelog.example/internal/event"

// state of a lactation's days open (indices.md 1.4).
type state uint8

const (
	running  state = iota // not pregnant, in the herd
	closed                // pregnant
	censored              // left the herd not pregnant
	undated               // pregnant, but nobody knows since when
)

func (s state) String() string {
	return [...]string{"running", "closed", "censored", "undated"}[s]
}

// openState tells how long a lactation has been open: its state, the day that
// days open are counted to, and the event that the state rests on. A loss
// withdraws the closing, and the clock runs on from the calving.
func openState(l *life, i int, on event.Date) (state, event.Date, int64) {
	for k := range l.pregnancies {
		p := &l.pregnancies[k]
		if int(p.lactation) != i || p.lostOn != 0 {
			continue
		}
		if p.conceived == 0 {
			return undated, 0, p.seq
		}
		return closed, p.conceived, p.seq
	}
	if l.out != 0 && l.out <= on {
		return censored, l.out, l.recs[len(l.recs)-1].seq
	}
	return running, on, 0
}
