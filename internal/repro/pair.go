package repro

import (
	"strconv"

	"byrelog.example/internal/event"
)

// twins proposes pairs of records that two people, or two systems, may have
// made of one thing (R20): breedings at most a day apart, diagnoses of one
// result, losses and calvings at most a week apart. Two calvings within a week
// are a pair whoever recorded them: a cow does not calve twice in it.
func (w *watcher) twins() {
	recs := w.l.recs
	for i := range recs {
		r := &recs[i]
		reach := event.Date(pairDays)
		switch r.kind {
		case event.KindBreeding:
			reach = 1
		case event.KindPregnancyDiagnosis, event.KindPregnancyLoss, event.KindCalving:
		default:
			continue
		}
		for j := i + 1; j < len(recs) && recs[j].on <= r.on+reach; j++ {
			n := &recs[j]
			if n.kind != r.kind || n.kind == event.KindPregnancyDiagnosis && n.a != r.a {
				continue
			}
			switch {
			case r.kind == event.KindCalving:
				w.addPair("calving_twice", r, n, "two calvings, "+apart(n.on-r.on)+"; counted as one, on the first day")
			case n.who != r.who:
				w.addPair("maybe_recorded_twice", r, n, r.kind.String()+" recorded by "+w.recorder(r)+" and by "+w.recorder(n)+", "+apart(n.on-r.on)+": the same one, or two")
			}
		}
	}
}

func apart(days event.Date) string {
	if days == 0 {
		return "on the same day"
	}
	return plural(int(days), "day") + " apart"
}

func plural(n int, what string) string {
	if n == 1 || n == -1 {
		return strconv.Itoa(n) + " " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

// recorder is who recorded an event, with the system if it came from one.
func (w *watcher) recorder(r *rec) string {
	who := w.k.h.recorders[r.who]
	text := orNotRecorded(w.k.h.words.text(who.by))
	if who.source != 0 {
		text += " in " + w.k.h.words.text(who.source)
	}
	return text
}

// addPair proposes a pair, the two events side by side.
func (w *watcher) addPair(code string, r, n *rec, text string) {
	w.add(code, n.on, []int64{r.seq, n.seq}, "%s", text)
	p := &Pair{First: w.side(r), Second: w.side(n), Differ: []string{}}
	if r.on != n.on {
		p.Differ = append(p.Differ, "on")
	}
	if p.First.By != p.Second.By {
		p.Differ = append(p.Differ, "by")
	}
	if p.First.Source != p.Second.Source {
		p.Differ = append(p.Differ, "source")
	}
	fields := map[string]bool{}
	for _, data := range []map[string]string{p.First.Data, p.Second.Data} {
		for name := range data {
			fields[name] = true
		}
	}
	for _, name := range sortedKeys(fields) {
		if p.First.Data[name] != p.Second.Data[name] {
			p.Differ = append(p.Differ, name)
		}
	}
	w.out[len(w.out)-1].Pair = p
}

// side is one event of a pair.
func (w *watcher) side(r *rec) PairEvent {
	t := w.k.h.words.text
	who := w.k.h.recorders[r.who]
	e := PairEvent{Seq: r.seq, ID: r.id.String(), Kind: r.kind.String(), On: r.on, By: t(who.by), Source: t(who.source), Data: map[string]string{}}
	set := func(name, value string) {
		if value != "" {
			e.Data[name] = value
		}
	}
	number := func(name string, n int) {
		if n > 0 {
			set(name, strconv.Itoa(n))
		}
	}
	switch r.kind {
	case event.KindBreeding:
		set("method", methodWords[r.a])
		set("semen", semenWords[r.b])
		set("basis", basisWords[r.c])
		set("sire", t(r.text))
		if r.until != 0 {
			set("until", r.until.String())
		}
	case event.KindPregnancyDiagnosis:
		set("result", verdictWords[r.a])
		set("method", examWords[r.b])
		number("days_pregnant", int(r.num))
		number("fetuses", int(r.c))
	case event.KindPregnancyLoss:
		set("seen", seenWords[r.a])
		number("days_pregnant", int(r.num))
	case event.KindCalving:
		number("ease", int(r.a))
		number("calves", int(r.b))
		number("parity", int(r.num))
	default: // no pairs of other kinds are proposed
	}
	if r.minute != noon {
		set("time", clock(r.minute))
	}
	return e
}

func clock(minute int16) string {
	two := func(n int16) string {
		if n < 10 {
			return "0" + strconv.Itoa(int(n))
		}
		return strconv.Itoa(int(n))
	}
	return two(minute/60) + ":" + two(minute%60)
}
