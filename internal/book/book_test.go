package book_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/pgtest"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

// bundle is a book on an empty database with one herd.
type bundle struct {
	t    *testing.T
	db   *store.DB
	book *book.Book
	herd *book.Herd
}

func setup(t *testing.T) *bundle {
	t.Helper()
	return setupWith(t, book.Options{})
}

func setupWith(t *testing.T, o book.Options) *bundle {
	t.Helper()
	db := pgtest.Open(t)
	b := book.New(db, o)
	t.Cleanup(b.Close)
	h, err := b.CreateHerd(t.Context(), book.HerdSpec{Name: "hazel-end"})
	if err != nil {
		t.Fatal(err)
	}
	begin(t, b, h)
	return &bundle{t: t, db: db, book: b, herd: h}
}

// begin lets any event of a herd begin a history.
func begin(t *testing.T, b *book.Book, h *book.Herd) {
	t.Helper()
	p := repro.DefaultPolicy()
	p.UnknownAnimals = repro.UnknownBegin
	if err := b.PutPolicy(t.Context(), h, event.NewDate(1900, 1, 1), p, "test"); err != nil {
		t.Fatal(err)
	}
}

func (x *bundle) append(events ...*event.Event) *book.Receipt {
	x.t.Helper()
	r, err := x.book.Append(x.t.Context(), x.herd, events, book.AppendOptions{})
	if err != nil {
		x.t.Fatal(err)
	}
	return r
}

// export gives the herd's log as CSV and checks that it verifies.
func (x *bundle) export() string {
	x.t.Helper()
	var out bytes.Buffer
	if err := x.book.Export(x.t.Context(), x.herd, &out); err != nil {
		x.t.Fatal(err)
	}
	report, err := sheet.VerifyExport(bytes.NewReader(out.Bytes()))
	if err != nil || !report.Complete {
		x.t.Fatalf("the export does not verify: %v, complete %v", err, report.Complete)
	}
	head, err := x.book.Head(x.t.Context(), x.herd)
	if err != nil {
		x.t.Fatal(err)
	}
	if report.Events != head.Seq {
		x.t.Fatalf("the export has %d events, the head stands at %d", report.Events, head.Seq)
	}
	return out.String()
}

func kindOf(t *testing.T, err error) *book.Error {
	t.Helper()
	var e *book.Error
	if !errors.As(err, &e) {
		t.Fatalf("want a book.Error, got %v", err)
	}
	return e
}

var on = event.NewDate(2026, 3, 2)

func arrival(animal string) *event.Event {
	e := event.New(event.KindArrival, "", animal, on-400)
	e.Data = &event.Arrival{How: event.Purchased, Parity: event.Int(2), LastCalvedOn: on - 420, BornOn: on - 2000, Sex: event.Female}
	return e
}

func heat(animal string, d event.Date, verdict string) *event.Event {
	e := event.New(event.KindHeat, "", animal, d)
	e.Data = &event.Heat{Verdict: verdict, FoundBy: "chalk"}
	return e
}

func void(id uuid.UUID, d event.Date) *event.Event {
	e := event.New(event.KindVoid, "", "", d)
	e.Data = &event.Void{Event: id, Reason: "wrong cow"}
	return e
}

func again(e *event.Event) *event.Event {
	c := *e
	c.NoteSalt, c.NoteHash = event.Salt{}, event.Digest{} // as a client sends it once more
	return &c
}

func TestAppendIsIdempotentByIDAndContent(t *testing.T) {
	t.Parallel()
	x := setup(t)
	e := heat("007", on, event.InHeat)
	e.Note = "standing, gate side"
	first := x.append(e)
	if r := first.Results[0]; r.Outcome != book.Appended || r.Seq != 1 || first.Head.Seq != 1 || r.Hash != first.Head.Hash {
		t.Fatalf("first append: %+v", first)
	}
	second := x.append(again(e), heat("008", on, event.Suspect), again(e))
	want := []struct {
		outcome book.Outcome
		seq     int64
	}{{book.AlreadyThere, 1}, {book.Appended, 2}, {book.AlreadyThere, 1}}
	for i, w := range want {
		if r := second.Results[i]; r.Outcome != w.outcome || r.Seq != w.seq {
			t.Errorf("event %d: %s at %d, want %s at %d", i, r.Outcome, r.Seq, w.outcome, w.seq)
		}
	}
	changed := again(e)
	changed.Note = "not standing"
	_, err := x.book.Append(t.Context(), x.herd, []*event.Event{heat("009", on, event.InHeat), changed}, book.AppendOptions{})
	failure := kindOf(t, err)
	if failure.Kind != book.Conflict || len(failure.Results) != 2 || failure.Results[1].Outcome != book.InConflict {
		t.Fatalf("other content under a known id: %+v", failure)
	}
	if head, _ := x.book.Head(t.Context(), x.herd); head.Seq != 2 {
		t.Fatalf("a conflicting append wrote something: head at %d", head.Seq)
	}
}

func TestRepeatedIDInsideOneRequest(t *testing.T) {
	t.Parallel()
	x := setup(t)
	e := heat("1", on, event.InHeat)
	e.ID, e.Note = uuid.New(), "twice in one call"
	r := x.append(e, again(e))
	if r.Results[0].Outcome != book.Appended || r.Results[1].Outcome != book.AlreadyThere || r.Results[1].Seq != 1 || r.Head.Seq != 1 {
		t.Fatalf("%+v", r)
	}
	f, g := heat("2", on, event.InHeat), heat("2", on, event.Suspect)
	f.ID = uuid.New()
	g.ID = f.ID
	_, err := x.book.Append(t.Context(), x.herd, []*event.Event{f, g}, book.AppendOptions{})
	if kindOf(t, err).Kind != book.Conflict {
		t.Fatalf("two contents under one id: %v", err)
	}
}

func TestAppendRefusesWhole(t *testing.T) {
	t.Parallel()
	x := setup(t)
	future := heat("1", event.DateOf(time.Now().UTC())+2, event.InHeat)
	other := heat("1", on, event.InHeat)
	other.Herd = "mill-lane"
	_, err := x.book.Append(t.Context(), x.herd, []*event.Event{heat("1", on, event.InHeat), future, heat("", on, "maybe"), other}, book.AppendOptions{})
	failure := kindOf(t, err)
	got := map[string]string{}
	for _, f := range failure.Faults {
		got[f.Pointer] = f.Code
	}
	want := map[string]string{
		"/1/on": event.CodeFuture, "/2/animal": event.CodeRequired, "/2/data/verdict": event.CodeNotAllowed, "/3/herd": event.CodeHerdMismatch,
	}
	if failure.Kind != book.Invalid || fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("got %v, want %v", got, want)
	}
	if head, _ := x.book.Head(t.Context(), x.herd); head.Seq != 0 {
		t.Fatal("something was written")
	}
}

func TestAppendRefusesWhatTheRecordsContradict(t *testing.T) {
	t.Parallel()
	x := setup(t)
	gone := event.New(event.KindDeparture, "", "12", on-10)
	gone.Data = &event.Departure{How: event.Sold}
	x.append(arrival("12"), gone)
	_, err := x.book.Append(t.Context(), x.herd, []*event.Event{heat("12", on, event.InHeat)}, book.AppendOptions{})
	if f := kindOf(t, err); f.Kind != book.Invalid || len(f.Faults) != 1 {
		t.Fatalf("an event after the departure: %v", err)
	}
	// The same as history is taken, and an arrival before it makes it right.
	if _, err := x.book.Append(t.Context(), x.herd, []*event.Event{heat("12", on, event.InHeat)}, book.AppendOptions{History: true}); err != nil {
		t.Fatalf("history must pass through: %v", err)
	}
	back := event.New(event.KindArrival, "", "12", on-5)
	back.Data = &event.Arrival{How: event.Purchased}
	x.append(back, heat("12", on-1, event.Suspect))
}

// A repeated event is there already, even where the records would refuse it as
// a new one: they hold it themselves.
func TestRepeatedEventIsNotHeldAgainstItself(t *testing.T) {
	t.Parallel()
	x := setup(t)
	calving := event.New(event.KindCalving, "", "12", on-30)
	x.append(arrival("12"), calving)
	if r := x.append(again(calving)); r.Results[0].Outcome != book.AlreadyThere {
		t.Fatalf("%+v", r.Results[0])
	}
	twice := event.New(event.KindCalving, "", "12", on-3)
	_, err := x.book.Append(t.Context(), x.herd, []*event.Event{again(calving), twice}, book.AppendOptions{})
	if f := kindOf(t, err); len(f.Faults) != 1 || f.Faults[0].Pointer != "/1" {
		t.Fatalf("a second calving 27 days after the first: %v", err)
	}
}

func TestVoidAndReplace(t *testing.T) {
	t.Parallel()
	x := setup(t)
	wrong := heat("1", on, event.InHeat)
	x.append(wrong)
	right := heat("2", on, event.InHeat)
	right.Replaces = wrong.ID
	_, err := x.book.Append(t.Context(), x.herd, []*event.Event{again(right)}, book.AppendOptions{})
	if f := kindOf(t, err); len(f.Faults) != 1 || f.Faults[0].Code != event.CodeContradicts {
		t.Fatalf("replacing an event that stands: %v", err)
	}
	v := void(wrong.ID, on)
	x.append(v, right)
	_, err = x.book.Append(t.Context(), x.herd, []*event.Event{void(v.ID, on)}, book.AppendOptions{})
	if f := kindOf(t, err); f.Faults[0].Code != event.CodeNotAllowed {
		t.Fatalf("voiding a void: %v", err)
	}
	_, err = x.book.Append(t.Context(), x.herd, []*event.Event{void(uuid.New(), on)}, book.AppendOptions{})
	if f := kindOf(t, err); f.Faults[0].Code != "unknown_event" {
		t.Fatalf("voiding what is not there: %v", err)
	}
	for all, want := range map[bool]int{true: 3, false: 2} {
		page, err := x.book.Events(t.Context(), x.herd, book.Query{All: all})
		if err != nil || len(page.Items) != want {
			t.Fatalf("all=%v: %d events, want %d (%v)", all, len(page.Items), want, err)
		}
	}
	x.export()
}

func TestExpectedHead(t *testing.T) {
	t.Parallel()
	x := setup(t)
	x.append(heat("1", on, event.InHeat))
	stale, right := int64(0), int64(1)
	_, err := x.book.Append(t.Context(), x.herd, []*event.Event{heat("2", on, event.InHeat)}, book.AppendOptions{ExpectHead: &stale})
	if kindOf(t, err).Code != "head-moved" {
		t.Fatalf("a stale head: %v", err)
	}
	if _, err := x.book.Append(t.Context(), x.herd, []*event.Event{heat("2", on, event.InHeat)}, book.AppendOptions{ExpectHead: &right}); err != nil {
		t.Fatal(err)
	}
}

// 32 clients append to one herd at once, some of them the same events: seq has
// no gap, nothing is lost or doubled, a reader that polls sees every event in
// order, and the chain verifies.
func TestConcurrentAppends(t *testing.T) {
	t.Parallel()
	x := setup(t)
	const clients, each = 32, 12
	sharedIDs := make([]uuid.UUID, each)
	for i := range sharedIDs {
		sharedIDs[i] = uuid.New()
	}
	ctx, stop := context.WithCancel(t.Context())
	seen := make(chan []int64, 1)
	go func() { seen <- x.follow(ctx, clients*each+each) }()
	var wg sync.WaitGroup
	for c := range clients {
		wg.Go(func() {
			for i := range each {
				mine := heat(fmt.Sprintf("%d-%d", c, i), on, event.InHeat)
				same := heat(fmt.Sprintf("s%d", i), on, event.Suspect)
				same.ID = sharedIDs[i]
				if _, err := x.book.Append(t.Context(), x.herd, []*event.Event{mine, same}, book.AppendOptions{}); err != nil {
					t.Errorf("client %d: %v", c, err)
				}
			}
		})
	}
	wg.Wait()
	seqs := <-seen
	stop()
	for i, s := range seqs {
		if s != int64(i+1) {
			t.Fatalf("the reader saw seq %d at place %d", s, i+1)
		}
	}
	if head, _ := x.book.Head(t.Context(), x.herd); head.Seq != clients*each+each {
		t.Fatalf("head at %d, want %d", head.Seq, clients*each+each)
	}
	x.export()
}

// follow reads the log as a syncing client does until it has n events.
func (x *bundle) follow(ctx context.Context, n int) []int64 {
	var seqs []int64
	after := int64(0)
	for len(seqs) < n && ctx.Err() == nil {
		if err := x.book.Wait(ctx, x.herd, after, time.Second); err != nil {
			x.t.Errorf("wait: %v", err)
			return seqs
		}
		page, err := x.book.Events(ctx, x.herd, book.Query{After: after, All: true, Limit: 17})
		if err != nil {
			x.t.Errorf("read: %v", err)
			return seqs
		}
		for _, it := range page.Items {
			seqs = append(seqs, it.Seq)
		}
		after = page.Next
	}
	return seqs
}

func TestWaitWakesAtOnceAndGivesUp(t *testing.T) {
	t.Parallel()
	x := setup(t)
	start := time.Now()
	if err := x.book.Wait(t.Context(), x.herd, 0, 50*time.Millisecond); err != nil {
		t.Fatal(err)
	}
	if d := time.Since(start); d < 50*time.Millisecond {
		t.Fatalf("it returned after %v with nothing new", d)
	}
	done := make(chan error, 1)
	go func() { done <- x.book.Wait(t.Context(), x.herd, 0, 20*time.Second) }()
	x.append(heat("1", on, event.InHeat))
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

func TestIdempotencyKeyKeepsTheAnswer(t *testing.T) {
	t.Parallel()
	x := setup(t)
	key := &book.Key{
		Owner: "me", Operation: "append", Key: "k-1", Fingerprint: [32]byte{1},
		Render: func(r *book.Receipt) (int, []byte) { return 201, fmt.Appendf(nil, "%d", r.Results[0].Seq) },
	}
	if _, err := x.book.Append(t.Context(), x.herd, []*event.Event{heat("1", on, event.InHeat)}, book.AppendOptions{Key: key}); err != nil {
		t.Fatal(err)
	}
	status, body, ok, err := x.book.Remembered(t.Context(), x.herd, "me", "append", "k-1", [32]byte{1})
	if err != nil || !ok || status != 201 || string(body) != "1" {
		t.Fatalf("%d %q %v %v", status, body, ok, err)
	}
	if _, _, _, err := x.book.Remembered(t.Context(), x.herd, "me", "append", "k-1", [32]byte{2}); kindOf(t, err).Code != "idempotency-key-reused" {
		t.Fatalf("another request under the key: %v", err)
	}
	if _, _, ok, err := x.book.Remembered(t.Context(), x.herd, "you", "append", "k-1", [32]byte{1}); ok || err != nil {
		t.Fatalf("somebody else's key: %v %v", ok, err)
	}
}

func TestErasedNoteKeepsTheChain(t *testing.T) {
	t.Parallel()
	x := setup(t)
	e := heat("1", on, event.InHeat)
	e.Note = "seen by a neighbour"
	x.append(e)
	if err := x.book.EraseNote(t.Context(), x.herd, e.ID, &book.Principal{TokenID: uuid.New()}); err != nil {
		t.Fatal(err)
	}
	out := x.export()
	if strings.Contains(out, "neighbour") {
		t.Fatal("the erased text is still given out")
	}
	if r := x.append(again(e)); r.Results[0].Outcome != book.AlreadyThere {
		t.Fatalf("the same event with its erased note: %+v", r.Results[0])
	}
}
