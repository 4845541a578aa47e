package repro

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"testing"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
)

// drawRecs draws records of one number in the order of their dates, with any values
// at all: packing has to know nothing of what they mean.
func drawRecs(t *rapid.T, s *side) []rec {
	kinds := make([]event.Kind, 0, 15)
	for k := event.KindArrival; k < event.KindVoid; k++ {
		kinds = append(kinds, k)
	}
	date := func(name string) event.Date {
		return event.Date(rapid.OneOf(rapid.Just(0), rapid.IntRange(1, lastDate)).Draw(t, name))
	}
	short := func(name string, least int) int16 {
		return int16(rapid.OneOf(rapid.IntRange(least, 20), rapid.IntRange(least, 1<<15-1)).Draw(t, name))
	}
	anyWord := func(name string) word {
		return word(rapid.OneOf(rapid.Uint32Range(0, 300), rapid.Uint32()).Draw(t, name))
	}
	var recs []rec
	on := event.Date(0)
	for range rapid.IntRange(0, 12).Draw(t, "records") {
		on += event.Date(rapid.OneOf(rapid.IntRange(0, 200), rapid.IntRange(0, 1<<20)).Draw(t, "days"))
		on = max(on, 1)
		r := rec{
			seq: rapid.Int64Range(1, 1<<62).Draw(t, "seq"), on: on, until: date("until"), who: who(rapid.Uint32().Draw(t, "who")),
			text: anyWord("text"), minute: short("minute", -1), num: short("num", -1), kind: rapid.SampledFrom(kinds).Draw(t, "kind"),
			a: rapid.Byte().Draw(t, "a"), b: rapid.Byte().Draw(t, "b"), c: rapid.Byte().Draw(t, "c"),
		}
		size := 4
		if paired(r.kind) {
			size = 16
		}
		copy(r.id[:size], rapid.SliceOfN(rapid.Byte(), size, size).Draw(t, "id"))
		switch r.kind {
		case event.KindArrival:
			r.text = word(len(s.pasts))
			s.pasts = append(s.pasts, past{
				born: date("born"), calved: date("calved"), bred: date("bred"), conceived: date("conceived"),
				breed: anyWord("breed"), dam: anyWord("dam"), pen: anyWord("pen"), sire: anyWord("sire"), damSire: anyWord("dam's sire"),
				officialID: anyWord("official id"), scheme: anyWord("scheme"), parity: short("parity", -1),
				sex: rapid.ByteRange(0, 15).Draw(t, "sex"), how: rapid.ByteRange(0, 15).Draw(t, "how"),
			})
		case event.KindTreatment:
			r.text = word(len(s.withheld))
			s.withheld = append(s.withheld, withheld{date("milk"), date("meat"), 0, 0})
		default:
		}
		recs = append(recs, r)
	}
	return recs
}

// What is packed is unpacked as it was; appended one by one or cut and appended again.
func TestPackedRecords(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s, again side
		recs := drawRecs(t, &s)
		var num number
		for i := range recs {
			before := len(num.data)
			num.append(&recs[i], &s)
			if n := len(num.data) - before; n < leastPacked || n > mostPacked {
				t.Fatalf("a record takes %d bytes", n)
			}
		}
		got := unpackTo(nil, over(num.data), &again)
		if !slices.Equal(got, recs) || !reflect.DeepEqual(again, s) {
			t.Fatalf("unpacked\n%+v\n%+v\nwant\n%+v\n%+v", got, again, recs, s)
		}
		if len(recs) == 0 {
			return
		}
		day := unpackTo(nil, num.from(num.day), &side{})
		from, _ := slices.BinarySearchFunc(recs, num.last.on, func(r rec, on event.Date) int { return int(r.on - on) })
		if len(day) != len(recs)-from {
			t.Fatalf("the last day has %d records, not %d", len(day), len(recs)-from)
		}
		shared := slices.Clip(num.data)
		other := number{data: shared, last: num.last, day: num.day}
		other.replace(other.day, recs[from:], &s)
		if !bytes.Equal(other.data, num.data) {
			t.Fatal("the last day put in its own place gives other bytes")
		}
		if from == 0 {
			return
		}
		other = number{data: shared, last: num.last, day: num.day}
		at := other.since(recs[from-1].on)
		if other.replace(at, recs[from-1:from], &s); !bytes.Equal(shared, num.data) {
			t.Fatal("what was taken away was taken from another number too")
		}
		before, _ := slices.BinarySearchFunc(recs, recs[from-1].on, func(r rec, on event.Date) int { return int(r.on - on) })
		if got := unpackTo(nil, over(other.data), &side{}); len(got) != before+1 || other.last != recs[from-1] || other.day != at {
			t.Fatalf("%d records are left, want %d: %+v", len(got), before+1, other)
		}
	})
}

// No bytes make a cursor go astray: it ends, behind the last of them at the latest.
func TestPackedNonsense(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SliceOfN(rapid.Byte(), 0, 200).Draw(t, "bytes")
		var s side
		var r rec
		n := 0
		for c := over(b); c.more(); n++ {
			if c.rec(&r, &s); c.i > len(b) || n > len(b)/leastPacked+1 {
				t.Fatalf("at %d of %d after %d records", c.i, len(b), n)
			}
		}
	})
}

// Texts keep their codes, and are found, however many there are and whoever adds.
func TestWords(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		one := new(token)
		w := newWords(one)
		texts := []string{""}
		add := func(w *words, texts []string, owner *token) []string {
			for _, s := range rapid.SliceOfN(rapid.StringN(0, 3, 8), 0, 60).Draw(t, "texts") {
				c := w.code(s, owner)
				if int(c) == len(texts) {
					texts = append(texts, s)
				}
				if w.text(c) != s {
					t.Fatalf("%q has the code of %q", s, w.text(c))
				}
			}
			return texts
		}
		check := func(w *words, texts []string) {
			if w.count() != len(texts) {
				t.Fatalf("%d texts, want %d", w.count(), len(texts))
			}
			for i, s := range texts {
				if c, ok := w.lookup(s); !ok || int(c) != i || w.text(c) != s {
					t.Fatalf("%q: code %d, %v, want %d", s, c, ok, i)
				}
			}
			if _, ok := w.lookup("never added, and too long"); ok {
				t.Fatal("a text that was not added is found")
			}
		}
		texts = add(&w, texts, one)
		if rapid.Bool().Draw(t, "trim") {
			w.trim(one)
		}
		check(&w, texts)
		// A clone and its original go on apart, each under a token of its own.
		clone, two, three := w.clone(), new(token), new(token)
		others := add(&clone, slices.Clip(texts), two)
		texts = add(&w, slices.Clip(texts), three)
		check(&clone, others)
		check(&w, texts)
		w.trim(three)
		check(&w, texts)
		check(&clone, others)
	})
}

// Events whose marks are equal by chance are neither taken for one nor told in the
// order of the log.
func TestEqualMarks(t *testing.T) {
	seen := map[uint32]uuid.UUID{}
	var one, two uuid.UUID
	for n := 0; two == uuid.Nil; n++ {
		id := uuid.NewSHA1(uuid.Nil, []byte{byte(n >> 16), byte(n >> 8), byte(n)})
		if other, ok := seen[markOf(&id)]; ok {
			one, two = other, id
		}
		seen[markOf(&id)] = id
	}
	on := event.NewDate(2024, 3, 1)
	moves := func(order ...int) string {
		h := NewHerd("marks", nil)
		for i, n := range order {
			e := event.New(event.KindMove, "marks", "7", on)
			e.ID, e.Data = []uuid.UUID{one, two, one}[n], &event.Move{Pen: []string{"near", "far", "near"}[n]}
			h.Apply([]Fact{{Event: e, Seq: int64(i + 1)}})
		}
		recs := unpackTo(nil, over(h.packed(0)), &side{})
		text := ""
		for i := range recs {
			text += h.words.text(recs[i].text) + " "
		}
		return text
	}
	for _, order := range [][]int{{0, 1}, {1, 0}, {0, 1, 2}, {1, 2, 0}, {2, 0, 1}} {
		if got := moves(order...); got != "far near " {
			t.Errorf("in the order %v they are told as %q", order, got)
		}
	}
}

// However the records of a day come, and those of days before it, they lie in the same
// bytes when the batch has ended, and what is withdrawn is gone.
func TestOutOfOrder(t *testing.T) {
	on := event.NewDate(2024, 3, 1)
	rapid.Check(t, func(t *rapid.T) {
		var list []Fact
		for i := range rapid.IntRange(1, 40).Draw(t, "walks") {
			e := event.New(event.KindWalk, "order", "", on+event.Date(rapid.IntRange(i/10, i/10+1).Draw(t, "day")))
			e.ID, e.At = uuid.NewSHA1(uuid.Nil, []byte{byte(i)}), fmt.Sprintf("0%d:00", rapid.IntRange(0, 9).Draw(t, "hour"))
			e.Data = &event.Walk{Pen: "near"}
			list = append(list, Fact{Event: e, Seq: int64(len(list) + 1)})
			if rapid.IntRange(0, 4).Draw(t, "void") == 0 {
				v := event.New(event.KindVoid, "order", "", e.On)
				list = append(list, Fact{Event: v, Seq: int64(len(list) + 1), Voids: int64(rapid.IntRange(1, len(list)).Draw(t, "of"))})
			}
		}
		one, many := NewHerd("order", nil), NewHerd("order", nil)
		for i := range list {
			one.Apply(list[i : i+1])
		}
		for rest := list; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "batch")
			many.Apply(rest[:n])
			rest = rest[n:]
		}
		if !bytes.Equal(one.packed(herdLevel), many.packed(herdLevel)) {
			t.Fatal("one by one they lie in other bytes than in batches")
		}
		recs := unpackTo(nil, over(many.packed(herdLevel)), &side{})
		if !slices.IsSortedFunc(recs, func(a, b rec) int { return a.order(&b) }) {
			t.Fatalf("not in order: %+v", recs)
		}
		gone := map[int64]bool{}
		for _, f := range list {
			gone[f.Voids] = gone[f.Voids] || f.Event.Kind == event.KindVoid
		}
		left := 0
		for _, f := range list {
			if f.Event.Kind != event.KindVoid && !gone[f.Seq] {
				left++
			}
		}
		if len(recs) != left {
			t.Fatalf("%d records, %d events are left", len(recs), left)
		}
	})
}
