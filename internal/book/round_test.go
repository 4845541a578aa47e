package book_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
)

const roundText = `round 2026-11-24 morning, by t2
pen p1: nothing
pen p3:
6122 suspect, felt in heat, strong tone, clear mucus, bred b-101
0071 in heat, standing, chalk rubbed, bred b-104 straw 17 at 10:40
0412 suspect
0555 calved, heifer calf alive, bull calf stillborn
pen p4: not walked
`

// herdOfRound has cows in three pens, calved long ago but for two: 0555 is dry and
// due, and 0077 calved last week. The bulls b-101 and b-104 are known.
func herdOfRound(t *testing.T) *bundle {
	t.Helper()
	x := setup(t)
	var list []*event.Event
	add := func(animal string, on event.Date, d event.Data, k event.Kind) {
		e := event.New(k, "", animal, on)
		e.Data = d
		list = append(list, e)
	}
	day := event.NewDate(2026, 11, 24)
	for animal, pen := range map[string]string{"6122": "p3", "0071": "p3", "0412": "p3", "0555": "p3", "0077": "p4", "0001": "p1"} {
		add(animal, day-500, &event.Arrival{How: event.Purchased, Sex: event.Female, Parity: event.Int(1), Pen: pen}, event.KindArrival)
		calved := day - 100
		switch animal {
		case "0077":
			calved = day - 7
		case "0555":
			calved = day - 360
		}
		add(animal, calved, &event.Calving{}, event.KindCalving)
	}
	add("0555", day-280, &event.Breeding{Method: event.AI, Sire: "b-101"}, event.KindBreeding)
	add("0001", day-30, &event.Breeding{Method: event.AI, Sire: "b-104"}, event.KindBreeding)
	add("0555", day-60, &event.DryOff{}, event.KindDryOff)
	slices.SortStableFunc(list, func(a, b *event.Event) int { return int(a.On - b.On) })
	x.append(list...)
	return x
}

func (x *bundle) round(text string, o book.RoundOptions) (*book.RoundReport, error) {
	x.t.Helper()
	r, err := x.book.Round(x.t.Context(), x.herd, text, o)
	if err != nil && kindOf(x.t, err).Kind != book.Invalid {
		x.t.Fatal(err)
	}
	return r, err
}

func (x *bundle) seq() int64 {
	x.t.Helper()
	h, err := x.book.Head(x.t.Context(), x.herd)
	if err != nil {
		x.t.Fatal(err)
	}
	return h.Seq
}

// told is the answer as lines.
func told(r *book.RoundReport) string {
	var list []string
	for _, l := range r.Lines {
		list = append(list, string(l.Outcome)+" "+l.Text)
		list = append(list, l.Check...)
		for _, f := range l.Faults {
			list = append(list, f.Code+" "+f.Detail)
		}
	}
	return strings.Join(append(list, r.Missing...), "\n")
}

func TestRound(t *testing.T) {
	x := herdOfRound(t)
	before := x.seq()
	dry, err := x.round(roundText, book.RoundOptions{DryRun: true})
	if err != nil || x.seq() != before || dry.Recorded != 9 {
		t.Fatalf("dry run: %v, head moved by %d, %d recorded", err, x.seq()-before, dry.Recorded)
	}
	r, err := x.round(roundText, book.RoundOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := `recorded pen p1: walked, nothing noted
recorded pen p3: walked
recorded 6122: suspect; felt in heat, clear mucus, strong tone; bred b-101
recorded 0071: in heat, chalk rubbed, standing; bred b-104 at 10:40, straw 17
recorded 0412: suspect
recorded 0555: calved, heifer calf alive, bull calf stillborn
already_there pen p4: not walked
0412 was read as suspect and not felt (line 6)
pen p4 was not walked on 2026-11-24 (to be read there: 1)`
	if got := told(r); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if told(dry) != want {
		t.Errorf("the dry run said\n%s", told(dry))
	}
	if x.seq() != before+9 || r.Recorded != 9 || r.Known != 0 {
		t.Errorf("%d events in the log, %d recorded", x.seq()-before, r.Recorded)
	}
	x.export()

	// The same text again, and with more lines.
	r, err = x.round(roundText, book.RoundOptions{})
	if err != nil || x.seq() != before+9 || r.Recorded != 0 || r.Known != 9 {
		t.Fatalf("again: %v, %d recorded, %d known", err, r.Recorded, r.Known)
	}
	r, err = x.round(roundText+"pen p4:\n0077 not in heat\n0412 suspect, felt pregnant\n", book.RoundOptions{})
	if err != nil || r.Recorded != 3 || len(r.Missing) != 0 {
		t.Fatalf("more: %v, %s", err, told(r))
	}
	if !strings.Contains(told(r), "please check: by the records she stands in pen p3") {
		t.Errorf("a cow of another pen: %s", told(r))
	}
}

// What speaks against a breeding is said, and the breeding recorded.
func TestRoundChecksBreedings(t *testing.T) {
	x := herdOfRound(t)
	r, err := x.round("round 2026-11-24\n0077 in heat, bred b-1o1\n0071 bred b-101 basis timed\n6122 in heat, bred b-104\n", book.RoundOptions{})
	if err != nil || r.Recorded != 5 {
		t.Fatal(err, told(r))
	}
	if got := strings.Join(r.Lines[0].Check, "\n"); !strings.Contains(got, "no cow of the herd was bred to b-1o1") || !strings.Contains(got, "bred although") || !strings.Contains(got, "wait") {
		t.Errorf("checks of 0077: %s", got)
	}
	if len(r.Lines[1].Check)+len(r.Lines[2].Check) > 0 {
		t.Errorf("checks where nothing speaks against it: %s", told(r))
	}
}

// A round is recorded whole or not at all, and with Part its right lines are.
func TestRoundRefused(t *testing.T) {
	x := herdOfRound(t)
	before := x.seq()
	text := "round 2026-11-24\n6122 suspcet\n0071 in heat\n0001 sold\n0001 calved\n0412 pregnant by milk\n"
	// 0001 leaves in the log: what is recorded of her on a later day cannot be.
	gone := event.New(event.KindDeparture, "", "0001", event.NewDate(2026, 11, 20))
	gone.Data = &event.Departure{How: event.Sold}
	x.append(gone)
	before++
	for _, o := range []book.RoundOptions{{}, {DryRun: true}} {
		_, err := x.round(text, o)
		if err == nil || x.seq() != before {
			t.Fatalf("%v, head moved by %d", err, x.seq()-before)
		}
		e := kindOf(t, err)
		if e.Code != "invalid-round" || e.Faults[0].Line != 2 || e.Faults[0].Column != "6" || e.Faults[0].Suggestion != "possible is: suspect" {
			t.Errorf("%+v", e)
		}
	}
	_, err := x.round(strings.Replace(text, "6122 suspcet\n", "\n", 1), book.RoundOptions{})
	e := kindOf(t, err)
	if x.seq() != before || !slices.ContainsFunc(e.Faults, func(f book.Fault) bool { return f.Line == 4 && f.Value == "0001" }) {
		t.Errorf("%+v", e.Faults)
	}
	r, err := x.round(text, book.RoundOptions{Part: true})
	if err != nil || r.Recorded != 2 || r.Refused != 3 || x.seq() != before+2 {
		t.Fatalf("part: %v %s", err, told(r))
	}
	dry, err := x.round(text, book.RoundOptions{Part: true, DryRun: true})
	if err != nil || dry.Recorded != 0 || dry.Known != 2 || dry.Refused != 3 {
		t.Fatalf("part again, dry: %v %s", err, told(dry))
	}
}

// A line that says something else than before is refused, and replaced if that is
// asked for; what was withdrawn can be said again.
func TestRoundChanges(t *testing.T) {
	x := herdOfRound(t)
	if _, err := x.round("round 2026-11-24 am\n6122 suspect, bred b-101 at 10:40\n", book.RoundOptions{}); err != nil {
		t.Fatal(err)
	}
	before := x.seq()
	changed := "round 2026-11-24 am\n6122 suspect, bred b-101 at 10:50\n"
	_, err := x.round(changed, book.RoundOptions{})
	e := kindOf(t, err)
	if x.seq() != before || len(e.Faults) != 1 || e.Faults[0].Code != "said_otherwise" || !strings.Contains(e.Faults[0].Detail, "10:40") || !strings.Contains(e.Faults[0].Detail, "10:50") {
		t.Fatalf("%+v", e)
	}
	r, err := x.round(changed, book.RoundOptions{Replace: true})
	if err != nil || r.Recorded != 1 || x.seq() != before+2 {
		t.Fatalf("replace: %v, %d, head moved by %d", err, r.Recorded, x.seq()-before)
	}
	// Back to the first: an id of its own, since the first one is taken and withdrawn.
	r, err = x.round("round 2026-11-24 am\n6122 suspect, bred b-101 at 10:40\n", book.RoundOptions{Replace: true})
	if err != nil || r.Recorded != 1 || x.seq() != before+4 {
		t.Fatalf("back: %v, %d, head moved by %d", err, r.Recorded, x.seq()-before)
	}
	// The afternoon is another round; two lines of one round must agree.
	if r, err = x.round("round 2026-11-24 pm\n6122 in heat\n", book.RoundOptions{}); err != nil || r.Recorded != 1 {
		t.Fatal(err, told(r))
	}
	_, err = x.round("round 2026-11-24 pm\n0071 in heat\n0071 suspect\n", book.RoundOptions{})
	if e := kindOf(t, err); e.Faults[0].Line != 3 || e.Faults[0].Code != event.CodeContradicts {
		t.Errorf("%+v", e.Faults)
	}
	if r, err = x.round("round 2026-11-24 pm\n0071 in heat\n0071 in heat, note \"by the gate\"\n", book.RoundOptions{}); err == nil {
		t.Errorf("a note is said only once, and %s", told(r))
	}
	x.export()
}

// The last request of a token is what it recorded last and still stands.
func TestLastRequest(t *testing.T) {
	x := herdOfRound(t)
	mine, other := &book.Principal{TokenID: uuid.New()}, &book.Principal{TokenID: uuid.New()}
	send := func(p *book.Principal, key, text string) {
		t.Helper()
		k := &book.Key{Owner: p.Owner(), Operation: "recordRound", Key: key, Render: book.RenderResults}
		if _, err := x.round(text, book.RoundOptions{Key: k}); err != nil {
			t.Fatal(err)
		}
	}
	last := func(p *book.Principal) string {
		t.Helper()
		r, err := x.book.LastRequest(t.Context(), x.herd, p)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Join(r.Texts, "\n")
	}
	if got := last(mine); got != "" {
		t.Fatalf("before anything: %s", got)
	}
	send(mine, "1", "round 2026-11-24\n6122 suspect, felt in heat\n")
	send(mine, "2", "round 2026-11-24\npen p1:\n0071 in heat\n")
	send(other, "1", "round 2026-11-24\n0412 in heat\n")
	if got, want := last(mine), "2026-11-24 pen p1: walked\n2026-11-24 0071: in heat"; got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
	r, err := x.book.LastRequest(t.Context(), x.herd, mine)
	if err != nil {
		t.Fatal(err)
	}
	for _, it := range r.Items {
		v := event.New(event.KindVoid, "", "", event.NewDate(2026, 11, 25))
		v.Data = &event.Void{Event: it.ID, Reason: "wrong herd"}
		x.append(v)
	}
	if got, want := last(mine), "2026-11-24 6122: suspect\n2026-11-24 6122: felt in heat"; got != want {
		t.Errorf("the one before: got %s\nwant %s", got, want)
	}
	if got := last(other); got != "2026-11-24 0412: in heat" {
		t.Errorf("the other token's: %s", got)
	}
}
