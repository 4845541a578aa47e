package exchange_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/event/eventtest"
	"byrelog.example/internal/exchange"
)

const herd = "alder-row"

var (
	today = eventtest.Today
	// A zone whose days are not those of UTC, without summer time: a time that
	// does not exist on the day would come back as another one.
	zone  = time.FixedZone("+05:30", 5*3600+1800)
	began = time.Date(2026, 11, 20, 6, 0, 0, 0, time.UTC)
)

func system(name string) *exchange.System {
	return &exchange.System{Source: "example.byrelog", Herd: name, Zone: zone}
}

// record is one line of a log, as the log's reader gives it.
type record struct {
	event  *event.Event // its note is "" after it was erased
	at     time.Time
	erased bool
}

type book struct {
	herd    string
	records []record
	byID    map[uuid.UUID]int
	voided  map[uuid.UUID]bool
}

func newBook(name string) *book {
	return &book{herd: name, byID: map[uuid.UUID]int{}, voided: map[uuid.UUID]bool{}}
}

// add appends an event by the log's own rules; what they refuse fails the test.
func (b *book) add(t interface{ Fatalf(string, ...any) }, e *event.Event) {
	e.Herd = b.herd
	if err := e.Validate(today); err != nil {
		t.Fatalf("invalid: %v in %s", err, e.AppendStated(nil))
	}
	if _, taken := b.byID[e.ID]; taken {
		t.Fatalf("the id %s is taken", e.ID)
	}
	if v, ok := e.Data.(*event.Void); ok {
		at, there := b.byID[v.Event]
		if !there || b.records[at].event.Kind == event.KindVoid {
			t.Fatalf("a void of what is not there")
		}
		b.voided[v.Event] = true
	} else if e.Replaces != uuid.Nil && !b.voided[e.Replaces] {
		t.Fatalf("%s replaces %s, which stands", e.ID, e.Replaces)
	}
	e.Seal(event.Salt{1})
	b.byID[e.ID] = len(b.records)
	b.records = append(b.records, record{event: e, at: began.Add(time.Duration(len(b.records)) * time.Second)})
}

// erase takes the note of the n-th event away, as the log does.
func (b *book) erase(n int) {
	e := *b.records[n].event
	if e.Note != "" {
		e.Note, e.NoteSalt = "", event.Salt{}
		b.records[n].event, b.records[n].erased = &e, true
	}
}

// export gives what a receiver who has everything up to since is to be told.
func (b *book) export(t interface{ Fatalf(string, ...any) }, since int64) ([]*exchange.Resource, *exchange.Writer) {
	index := &exchange.Index{Since: since}
	for i, r := range b.records {
		index.Add(r.event, int64(i+1), r.at)
	}
	index.Settle()
	w := &exchange.Writer{System: system(b.herd), Index: index}
	list := []*exchange.Resource{}
	for i, r := range b.records {
		res, err := w.Next(r.event, int64(i+1), r.at)
		if err != nil {
			t.Fatalf("export: %v", err)
		}
		if res != nil {
			list = append(list, res)
		}
	}
	return list, w
}

func body(t interface{ Fatalf(string, ...any) }, list any) []byte {
	raw, err := json.Marshal(list)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return raw
}

// take imports a body and appends what it makes.
func (b *book) take(t interface{ Fatalf(string, ...any) }, raw []byte, location string) (im *exchange.Import, counts map[exchange.What]int, known int) {
	im = &exchange.Import{System: system(b.herd), Today: today, Location: location}
	if err := im.Read(bytes.NewReader(raw)); err != nil {
		t.Fatalf("read: %v in %s", err, raw)
	}
	for i, r := range b.records {
		im.Known(r.event, int64(i+1), r.at, r.erased)
	}
	steps, known := im.Plan()
	counts = map[exchange.What]int{}
	for _, s := range steps {
		counts[s.What]++
		for _, e := range s.Events {
			b.add(t, e)
		}
	}
	return im, counts, known
}

// plain is what a resource says, without what is the log's own: meta and id,
// and where the event came from before.
func plain(t interface{ Fatalf(string, ...any) }, r *exchange.Resource) string {
	c := *r
	c.ID, c.Meta = "", exchange.Meta{}
	var own map[string]any
	if err := json.Unmarshal(c.Own.Event, &own); err != nil {
		t.Fatalf("%v", err)
	}
	delete(own, "source")
	delete(own, "ref")
	c.Own = &exchange.Own{Precision: c.Own.Precision, Event: body(t, own)}
	return string(body(t, &c))
}

// genBook draws a log: animals that come, with and without an official
// identity, are renumbered, and everything else, with corrections of
// corrections.
func genBook(t *rapid.T, name string, most int) *book {
	b := newBook(name)
	names := []string{"0412", "0388", "7", "0412/a"}
	gen := eventtest.GenPlain(name)
	// Which of two arrivals of one moment came first only their ids tell, and those
	// are other ones in another log.
	days := map[event.Date]bool{}
	for i := range rapid.IntRange(0, most).Draw(t, "events") {
		label := fmt.Sprintf("event %d", i)
		e := gen.Draw(t, label)
		if e.Animal != "" {
			pool := names
			if e.Kind == event.KindArrival {
				pool = names[:4] // see the renumberings
			}
			e.Animal = rapid.SampledFrom(pool).Draw(t, label+" animal")
		}
		if d, ok := e.Data.(*event.Renumber); ok {
			// A number of her own: one that another bears is refused elsewhere, which
			// TestNumberOfAnother sees to.
			d.To = fmt.Sprintf("r%d", i)
			names = append(names, d.To)
		}
		if _, taken := b.byID[e.ID]; taken {
			continue
		}
		if e.Kind == event.KindArrival || e.Kind == event.KindRenumber {
			if days[e.On] {
				continue
			}
			days[e.On] = true
		}
		action := rapid.IntRange(0, 5).Draw(t, label+" action")
		if n := len(b.records); action < 3 && n > 0 {
			target := b.records[rapid.IntRange(0, n-1).Draw(t, label+" target")].event
			if target.Kind != event.KindVoid {
				void := event.New(event.KindVoid, name, "", today)
				void.ID, void.Data = uuid.NewSHA1(e.ID, []byte("void")), &event.Void{Event: target.ID, Reason: "wrong cow"}
				b.add(t, void)
				if action == 0 {
					continue
				}
				e.Replaces = target.ID
			}
		}
		b.add(t, e)
	}
	for i := range b.records {
		if rapid.IntRange(0, 7).Draw(t, "erase") == 0 {
			b.erase(i)
		}
	}
	return b
}

func fixed(t *testing.T, events ...string) *book {
	t.Helper()
	b := newBook(herd)
	for i, raw := range events {
		e, err := event.Decode([]byte(raw))
		if err != nil {
			t.Fatalf("%v in %s", err, raw)
		}
		if e.ID == uuid.Nil {
			e.ID = id(i + 1)
		}
		b.add(t, e)
	}
	return b
}

// id is the n-th id of a fixed log.
func id(n int) uuid.UUID {
	return uuid.MustParse(fmt.Sprintf("0199f3a2-5c10-7b6e-9d43-%012d", n))
}
