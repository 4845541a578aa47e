package repro

import (
	"fmt"
	"strings"

	"byrelog.example/internal/event"
)

// AmbiguousError says that an official identity is that of several animals.
type AmbiguousError struct {
	ID      string
	Animals []string // the numbers by which they can be asked for
}

func (e *AmbiguousError) Error() string {
	return fmt.Sprintf("the official identity %s is recorded of several animals: %s; ask by number", e.ID, strings.Join(e.Animals, ", "))
}

// identified lists the animals that had come by the day and that an arrival gives an
// official identity, whatever its scheme. It is compared as text, as it stands or without
// the spaces with which people part its digits. The herd's lives have to be at hand.
func (k *lookup) identified(id string) []*life {
	exact, _ := k.h.words.lookup(id)
	code, _ := k.h.words.lookup(strings.ReplaceAll(id, " ", ""))
	if exact == 0 && code == 0 {
		return nil
	}
	var found []*life
	for _, l := range k.f.lives {
		for i := range l.recs {
			r := &l.recs[i]
			if r.on > k.on || l.in > k.on {
				break
			}
			if r.kind != event.KindArrival {
				continue
			}
			if has := l.side.pasts[r.text].officialID; has != 0 && (has == exact || has == code) {
				found = append(found, l)
				break
			}
		}
	}
	return found
}

// called gives who answers to a text on the day: who bears it as a number, or bore it
// last; where nobody ever did, whose official identity it is. number is the one that she
// answers to, and all are those that ever bore it. She is nil if there is none; the error is an [*AmbiguousError].
func (k *lookup) called(text string) (her *life, number string, all []*life, err error) {
	l, all := k.find(text)
	if l != nil || len(all) > 0 {
		return l, text, all, nil
	}
	list := k.identified(text)
	here := list[:0:0]
	for _, l := range list {
		if l.present(k.on) {
			here = append(here, l)
		}
	}
	if len(here) > 0 {
		list = here // she came back: the same identity, and another stay
	}
	switch len(list) {
	case 0:
		return nil, "", nil, nil
	case 1:
		number = k.h.words.text(list[0].name(k.on))
		_, all = k.find(number)
		return list[0], number, all, nil
	}
	e := &AmbiguousError{ID: text}
	for _, l := range list {
		e.Animals = append(e.Animals, k.h.words.text(l.name(k.on)))
	}
	return nil, "", nil, e
}
