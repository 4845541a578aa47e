package exchange_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/exchange"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares with a file of testdata.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(file, got, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s is now\n%s", name, got)
	}
}

// The resources of an invented herd: every type, corrections, a deletion, a
// known time and half a day, an official identity.
func TestGoldenExport(t *testing.T) {
	b := fixed(t,
		`{"animal":"0412","kind":"arrival","on":"2022-03-01","data":{"how":"born","born_on":"2022-03-01","sex":"female","breed":"holstein","dam":"0207","dam_sire":"b-089","sire":"b-101","pen":"calves","official_id":{"scheme":"eu.animalId","id":"276000000000412"}}}`,
		`{"animal":"0388","kind":"arrival","on":"2025-01-10","data":{"how":"purchased","born_on":"2023-01-10","sex":"female","from_herd":"mill-lane","parity":1}}`,
		`{"animal":"0412","kind":"calving","on":"2026-05-04","by":"h1","data":{"ease":2,"parity":2,"induced":false,"calves":[{"sex":"female","outcome":"alive","tag":"0701"},{"sex":"male","outcome":"died_24h"},{"outcome":"stillborn"}]}}`,
		`{"animal":"0412","kind":"heat","on":"2026-07-20","half":"am","by":"t2","note":"rubbed to the bone","data":{"verdict":"in_heat","chalk":"rubbed","found_by":"chalk","signs":["standing","restless","mucus","less_milk"]}}`,
		`{"animal":"0412","kind":"breeding","on":"2026-07-20","at":"03:30","by":"t2","source":"office","ref":"row 17","data":{"method":"ai","sire":"S-118","straw":"118/26","semen":"sexed_female","basis":"heat"}}`,
		`{"kind":"void","on":"2026-07-21","data":{"event":"`+id(5).String()+`","reason":"wrong bull"}}`,
		`{"animal":"0412","kind":"breeding","on":"2026-07-20","at":"03:30","by":"t2","replaces":"`+id(5).String()+`","data":{"method":"ai","sire":"S-204","semen":"beef"}}`,
		`{"animal":"0412","kind":"pregnancy_diagnosis","on":"2026-08-31","by":"v1","data":{"method":"ultrasound","result":"pregnant","days_pregnant":42,"fetuses":2}}`,
		`{"animal":"0412","kind":"palpation","on":"2026-09-20","data":{"verdict":"pregnant","tone":"some","right":{"corpus_luteum":true,"follicle_mm":9}}}`,
		`{"animal":"0412","kind":"pregnancy_loss","on":"2026-10-02","note":"found in the yard","data":{"seen":"abortion","days_pregnant":74}}`,
		`{"animal":"0412","kind":"breeding_stop","on":"2026-10-03","data":{"reason":"to be culled","until":"2026-12-31"}}`,
		`{"animal":"0388","kind":"breeding","on":"2026-06-01","data":{"method":"natural","sire":"B-3","until":"2026-07-15"}}`,
		`{"animal":"0388","kind":"heat","on":"2026-08-01","data":{"verdict":"not_in_heat"}}`,
		`{"kind":"walk","on":"2026-08-01","data":{"pen":"south","seen":84}}`,
		`{"animal":"0388","kind":"heat","on":"2026-08-02","data":{"verdict":"suspect","found_by":"watching"}}`,
		`{"kind":"void","on":"2026-08-02","data":{"event":"`+id(15).String()+`","reason":"wrong cow"}}`,
		`{"animal":"0388","kind":"dry_off","on":"2026-09-01"}`,
		`{"animal":"0388","kind":"breeding_resume","on":"2026-09-02","data":{"reason":"healed"}}`,
		`{"animal":"0412","kind":"departure","on":"2026-11-20","data":{"how":"culled","reason":"infertility","to_herd":"plant 3"}}`,
		`{"animal":"0388","kind":"departure","on":"2026-11-21","data":{"how":"died","reason":"milk fever"}}`,
	)
	list, w := b.export(t, 15) // the receiver saw the heat that was then withdrawn
	full, all := b.export(t, 0)
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetIndent("", "  ")
	for _, part := range []any{full, all.Lost(), list} {
		if err := enc.Encode(part); err != nil {
			t.Fatal(err)
		}
	}
	golden(t, "export.json", out.Bytes())
	if w.Deleted != 1 || all.Deleted != 0 || all.Resources != len(full) {
		t.Errorf("%d deleted since, %d at all, %d of %d", w.Deleted, all.Deleted, all.Resources, len(full))
	}
	for _, r := range append(full, list...) {
		if err := check(t, body(t, r)); err != nil {
			t.Errorf("%v in %s", err, body(t, r))
		}
	}
}

// A peer's resources, with words and members that 1.3.2 or the log does not
// have, become these events, and the rest is counted.
func TestGoldenImport(t *testing.T) {
	raw, err := os.ReadFile("testdata/foreign.json")
	if err != nil {
		t.Fatal(err)
	}
	b := newBook(herd)
	im, _, _ := b.take(t, raw, "99/001/0001")
	var out bytes.Buffer
	for _, r := range b.records {
		e := *r.event
		e.NoteSalt = event.Salt{}
		out.Write(append(e.AppendStated(nil), '\n'))
	}
	fmt.Fprintf(&out, "%d read, %d refused, %d without a place\n", im.Items, im.Refused, im.Unplaced)
	for _, p := range im.Problems {
		fmt.Fprintf(&out, "%s %s %s: %s\n", p.Pointer, p.ResourceType, p.Code, p.Detail)
	}
	for _, c := range im.Lost() {
		fmt.Fprintf(&out, "%d %s %s\n", c.N, c.Kind, c.Field)
	}
	golden(t, "foreign.txt", out.Bytes())
}

// resource makes one of the type with some members.
func resource(typ, sourceID, modified, members string) string {
	return `{"resourceType":"` + typ + `","meta":{"source":"example.peer","sourceId":"` + sourceID + `","modified":"` + modified + `"},` +
		`"animal":{"id":"0412","scheme":"local.alder-row.number"},` + members + `}`
}

const heatType, dryType = "icarReproHeatEventResource", "icarMilkingDryOffEventResource"

// Exactly midnight, in UTC or without a zone, is a day and not shifted; other
// times go into the herd's zone.
func TestMoments(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ in, on, at string }{
		{"2026-03-01T00:00:00Z", "2026-03-01", ""},
		{"2026-03-01T00:00:00.000Z", "2026-03-01", ""},
		{"2026-03-01T00:00:00+00:00", "2026-03-01", ""},
		{"2026-03-01T00:00:00", "2026-03-01", ""},
		{"2026-03-01", "2026-03-01", ""},
		{"2026-03-01T00:00:01Z", "2026-03-01", "05:30"},
		{"2026-03-01T06:40:30Z", "2026-03-01", "12:10"},
		{"2026-03-01T20:00:00Z", "2026-03-02", "01:30"},
		{"2026-03-01T00:00:00+05:30", "2026-03-01", "00:00"},
		{"2026-03-01T00:00:00-05:00", "2026-03-01", "10:30"},
		{"2026-03-01T06:40:00", "2026-03-01", "06:40"},
		{"2026-03-01T06:40", "2026-03-01", "06:40"},
	} {
		b := newBook(herd)
		im, _, _ := b.take(t, []byte(resource(dryType, "1", "2026-03-02T00:00:00Z", `"eventDateTime":"`+c.in+`"`)), "")
		if len(b.records) != 1 {
			t.Errorf("%s: %+v", c.in, im.Problems)
			continue
		}
		if e := b.records[0].event; e.On.String() != c.on || e.At != c.at {
			t.Errorf("%s became %s %s, want %s %s", c.in, e.On, e.At, c.on, c.at)
		}
	}
}

// A day goes out as its own date whatever the zone; a time as the same moment.
func TestDaysAreNotShifted(t *testing.T) {
	t.Parallel()
	b := fixed(t, `{"animal":"1","kind":"dry_off","on":"2026-03-01"}`, `{"animal":"1","kind":"dry_off","on":"2026-03-01","at":"01:30"}`,
		`{"animal":"1","kind":"dry_off","on":"2026-03-01","half":"pm"}`, `{"animal":"1","kind":"dry_off","on":"2026-03-01","at":"05:30"}`)
	list, _ := b.export(t, 0)
	for i, want := range []string{"2026-03-01T00:00:00Z day", "2026-02-28T20:00:00Z minute", "2026-03-01T00:00:00Z half_day", "2026-03-01T00:00:00Z minute"} {
		if got := list[i].EventDateTime + " " + list[i].Own.Precision; got != want {
			t.Errorf("%d: %s, want %s", i, got, want)
		}
	}
}

// The official identity goes before the herd's number; a name that follows a
// renumbering or an arrival recorded late sends her resources once more.
func TestIdentity(t *testing.T) {
	t.Parallel()
	b := fixed(
		t,
		`{"animal":"0412","kind":"dry_off","on":"2026-03-01"}`,
		`{"animal":"0412","kind":"arrival","on":"2022-01-01","data":{"how":"born","official_id":{"scheme":"eu.animalId","id":"276000000000412"}}}`,
		`{"animal":"0412","kind":"renumber","on":"2026-04-01","data":{"to":"0812"}}`,
		`{"animal":"0812","kind":"dry_off","on":"2026-04-02"}`,
		`{"animal":"0412","kind":"arrival","on":"2026-05-01","data":{"how":"purchased"}}`,
		`{"animal":"0412","kind":"dry_off","on":"2026-05-02"}`,
	)
	list, _ := b.export(t, 0)
	var got []string
	for _, r := range list {
		got = append(got, r.Animal.Scheme+" "+r.Animal.ID)
	}
	official, own := "eu.animalId 276000000000412", "local.alder-row.number 0412"
	if want := []string{official, official, official, own, own}; !slices.Equal(got, want) {
		t.Errorf("named %q, want %q", got, want)
	}
	// The first dry-off was recorded before the arrival that says who she is.
	if list[0].Meta.Modified != list[1].Meta.Created || list[0].Meta.Created == list[0].Meta.Modified {
		t.Errorf("created %s, modified %s; she was named at %s", list[0].Meta.Created, list[0].Meta.Modified, list[1].Meta.Created)
	}
	if news, _ := b.export(t, 1); len(news) != len(list) {
		t.Errorf("after the first event %d resources are news, want all %d", len(news), len(list))
	}
	if news, _ := b.export(t, 2); len(news) != len(list)-2 {
		t.Errorf("after the arrival %d resources are news, want %d", len(news), len(list)-2)
	}
}

// A number that means another animal on the day is not taken for hers, and her
// history stays together under the number that is known.
func TestNumberOfAnother(t *testing.T) {
	t.Parallel()
	b := fixed(
		t,
		`{"animal":"0412","kind":"arrival","on":"2022-01-01","data":{"how":"born","official_id":{"scheme":"eu.animalId","id":"276000000000412"}}}`,
		`{"animal":"0388","kind":"arrival","on":"2022-01-01","data":{"how":"born","official_id":{"scheme":"eu.animalId","id":"276000000000388"}}}`,
	)
	dry := func(source, id, number string) []byte {
		return []byte(strings.NewReplacer(`"0412"`, `"`+id+`"`, `local.alder-row.number`, `eu.animalId`, `example.peer`, source).Replace(
			resource(dryType, "d-"+id+number, "2026-03-02T06:00:00Z", `"eventDateTime":"2026-03-01T00:00:00Z","x-byrelog":{"precision":"day","event":{"kind":"dry_off","animal":"`+number+`","on":"2026-03-01"}}`)))
	}
	for _, c := range []struct{ source, id, number, under string }{
		{"example.byrelog", "276000000000412", "0900", "0412"}, // elsewhere she was renumbered
		{"example.byrelog", "276000000000777", "0900", "0900"}, // nobody that is known
		{"example.byrelog", "276000000000777", "0388", ""},     // nobody, by another's number
		{"example.peer", "276000000000388", "0412", "0388"},
	} {
		before := len(b.records)
		im, _, _ := b.take(t, dry(c.source, c.id, c.number), "")
		switch {
		case c.under == "":
			if len(b.records) != before || im.Refused != 1 || im.Problems[0].Code != event.CodeContradicts || im.Problems[0].Pointer != "/animal" {
				t.Errorf("%+v was taken: %+v", c, im.Problems)
			}
		case len(b.records) != before+1 || b.records[before].event.Animal != c.under:
			t.Errorf("%+v: %+v", c, im.Problems)
		}
	}
}

// Versions of one resource: newer is void and replacement, older and equal
// nothing, deleted a void, back again a replacement of what was voided.
func TestVersions(t *testing.T) {
	t.Parallel()
	b := newBook(herd)
	heat := func(modified, certainty, more string) string {
		r := resource(heatType, "h-1", modified, `"eventDateTime":"2026-03-01T00:00:00Z","certainty":"`+certainty+`"`)
		return strings.Replace(r, `"modified"`, more+`"modified"`, 1)
	}
	for i, c := range []struct {
		in     string
		events int
		what   exchange.What
	}{
		{heat("2026-03-02T06:00:00Z", "Suspect", ""), 1, exchange.Appends},
		{heat("2026-03-02T06:00:00Z", "InHeat", ""), 0, 0},                      // the same version, whatever it says now
		{heat("2026-03-01T06:00:00Z", "InHeat", ""), 0, 0},                      // older
		{heat("2026-03-03T06:00:00Z", "Suspect", ""), 0, 0},                     // newer, and the same
		{heat("2026-03-03T06:00:00.000001Z", "InHeat", ""), 2, exchange.Amends}, // newer
		{heat("2026-03-03T06:00:00.000001Z", "", `"isDeleted":true,`), 0, 0},    // not newer
		{heat("2026-03-04T06:00:00Z", "", `"isDeleted":true,`), 1, exchange.Deletes},
		{heat("2026-03-04T07:00:00Z", "", `"isDeleted":true,`), 0, 0},                                   // gone already
		{heat("2026-03-03T08:00:00Z", "Suspect", ""), 0, 0},                                             // older than its end
		{heat("2026-03-05T06:00:00+02:00", "Suspect", ""), 1, exchange.Amends},                          // and back
		{strings.ReplaceAll(heat("2026-03-05T06:00:00Z", "", `"isDeleted":true,`), "h-1", "h-2"), 0, 0}, // never there
	} {
		before := len(b.records)
		im, counts, _ := b.take(t, []byte(c.in), "")
		if n := len(b.records) - before; n != c.events || im.Refused > 0 || c.events > 0 && counts[c.what] != 1 {
			t.Fatalf("step %d: %d events, %v, %+v; want %d", i, n, counts, im.Problems, c.events)
		}
	}
	last := b.records[len(b.records)-1].event
	if d, ok := last.Data.(*event.Heat); !ok || d.Verdict != event.Suspect || last.Replaces == uuid.Nil || last.Source != "example.peer" || last.Ref != "h-1@2026-03-05T04:00:00Z" {
		t.Errorf("ends as %s", last.AppendStated(nil))
	}
	// All versions in one body, out of order within it: the newest stands.
	all := newBook(herd)
	all.take(t, []byte("["+heat("2026-03-05T06:00:00Z", "InHeat", "")+","+heat("2026-03-02T06:00:00Z", "Suspect", "")+","+heat("2026-03-06T06:00:00Z", "Suspect", "")+"]"), "")
	if n := len(all.records); n != 3 {
		t.Errorf("%d events", n)
	}
}

// What a user of the receiving herd changed stands until the source has news.
func TestLocalCorrection(t *testing.T) {
	t.Parallel()
	b := newBook(herd)
	in := func(modified, certainty string) {
		b.take(t, []byte(resource(heatType, "h-1", modified, `"eventDateTime":"2026-03-01T00:00:00Z","certainty":"`+certainty+`"`)), "")
	}
	in("2026-03-02T06:00:00Z", "Suspect")
	void := event.New(event.KindVoid, herd, "", today)
	void.ID, void.Data = id(900), &event.Void{Event: b.records[0].event.ID, Reason: "seen again"}
	b.add(t, void)
	own := *b.records[0].event
	own.ID, own.Replaces, own.Source, own.Ref, own.Data = id(901), own.ID, "", "", &event.Heat{Verdict: event.InHeat}
	b.add(t, &own)
	in("2026-03-02T06:00:00Z", "Suspect")
	if len(b.records) != 3 {
		t.Fatalf("the old version came back: %d events", len(b.records))
	}
	in("2026-03-03T06:00:00Z", "Suspect")
	last := b.records[len(b.records)-1].event
	if len(b.records) != 5 || last.Replaces != own.ID {
		t.Errorf("%d events, the last %s", len(b.records), last.AppendStated(nil))
	}
}

// A source's own ids may be longer and odder than a ref, and somebody else's ref
// is never taken for one of them.
func TestKeys(t *testing.T) {
	t.Parallel()
	for _, sourceID := range []string{"a@b", strings.Repeat("x", 300), "ends@2026-01-01T00:00:00Z", " spaced ", "ключ"} {
		b := newBook(herd)
		raw := []byte(resource(dryType, sourceID, "2026-03-02T06:00:00Z", `"eventDateTime":"2026-03-01T00:00:00Z"`))
		b.take(t, raw, "")
		if im, _, known := b.take(t, raw, ""); known != 1 || len(b.records) != 1 {
			t.Errorf("%q: %d known, %+v", sourceID, known, im.Problems)
		}
	}
	b := fixed(t, `{"animal":"0412","kind":"heat","on":"2026-02-01","source":"example.peer","ref":"17","data":{"verdict":"suspect"}}`)
	if _, counts, _ := b.take(t, []byte(resource(dryType, "17", "2026-03-02T06:00:00Z", `"eventDateTime":"2026-03-01T00:00:00Z"`)), ""); counts[exchange.Appends] != 1 || len(b.records) != 2 {
		t.Errorf("a row of a sheet was taken for the resource: %v", counts)
	}
}

// An extension is believed only of ourselves.
func TestForeignExtension(t *testing.T) {
	t.Parallel()
	b := newBook(herd)
	im, _, _ := b.take(t, []byte(resource(heatType, "h-1", "2026-03-02T06:00:00Z",
		`"eventDateTime":"2026-03-01T00:00:00Z","certainty":"Suspect","x-byrelog":{"precision":"day","event":{"kind":"heat","animal":"9","on":"2020-01-01","data":{"verdict":"in_heat"}}}`)), "")
	e := b.records[0].event
	if e.Animal != "0412" || e.On.String() != "2026-03-01" || e.Data.(*event.Heat).Verdict != event.Suspect { //nolint:errcheck // it is one, or the test fails
		t.Errorf("%s", e.AppendStated(nil))
	}
	if l := im.Lost(); len(l) != 1 || l[0].Field != "x-byrelog" {
		t.Errorf("lost %v", l)
	}
}

// bodies that cannot be read as a whole, and where.
func TestSyntax(t *testing.T) {
	t.Parallel()
	for _, c := range []string{
		"", " ", "null", "7", "\"x\"", "{", "[", "[{]", "[1 2]", "[1,]", "[1", "{}x", "{\"member\":[}", "{\"member\":[]", "{\"a\" 1}", "{a:1}", "[\"\\", "[\"",
		"{\"member\":[],\"member\":[]}", strings.Repeat("[", 100), "\ufeff[]",
	} {
		im := &exchange.Import{System: system(herd), Today: today}
		var syntax *exchange.SyntaxError
		if err := im.Read(strings.NewReader(c)); !errors.As(err, &syntax) {
			t.Errorf("%.40q: %v", c, err)
		}
	}
	for _, c := range []string{"[]", " [ ] \n", "{\"member\":[]}", "{\"view\":{\"a\":[1,{}]},\"member\":[ ],\"x\":1}"} {
		im := &exchange.Import{System: system(herd), Today: today}
		if err := im.Read(strings.NewReader(c)); err != nil || im.Items != 0 {
			t.Errorf("%q: %v, %d", c, err, im.Items)
		}
	}
	broken := errors.New("the line broke")
	im := &exchange.Import{System: system(herd), Today: today}
	if err := im.Read(io.MultiReader(strings.NewReader("[1,"), &failing{broken})); !errors.Is(err, broken) {
		t.Errorf("a reader's error became %v", err)
	}
}

type failing struct{ err error }

func (f *failing) Read([]byte) (int, error) { return 0, f.err }

// endless gives n copies of a resource, each with another number in place of
// the first '#'.
type endless struct {
	before, after string
	n, i          int
	rest          string
}

func (e *endless) Read(p []byte) (int, error) {
	for e.rest == "" {
		switch {
		case e.i == 0:
			e.rest = "["
		case e.i <= e.n:
			e.rest = e.before + fmt.Sprint(e.i) + e.after
			if e.i < e.n {
				e.rest += ","
			}
		case e.i == e.n+1:
			e.rest = "]"
		default:
			return 0, io.EOF
		}
		e.i++
	}
	n := copy(p, e.rest)
	e.rest = e.rest[n:]
	return n, nil
}

// What an import keeps is bounded whatever comes: large resources, and members
// that are never the same.
func TestMemory(t *testing.T) {
	whole := resource(dryType, "#", "2026-03-02T06:00:00Z", `"eventDateTime":"2026-03-01T00:00:00Z","remark":"`+strings.Repeat("r", 490)+`"`)
	before, after, _ := strings.Cut(whole, "#")
	var many strings.Builder
	for i := range 60 {
		fmt.Fprintf(&many, `"member %d of many":%d,`, i, i)
	}
	fat := strings.TrimSuffix(after, "}") + "," + many.String() + `"x":"` + strings.Repeat("y", 8_000) + `"}`
	runtime.GC()
	var start, end runtime.MemStats
	runtime.ReadMemStats(&start)
	im := &exchange.Import{System: system(herd), Today: today}
	began := time.Now()
	if err := im.Read(&endless{before: strings.Replace(before, `{"resourceType`, `{"resourceType`, 1), after: fat, n: exchange.MaxItems}); err != nil {
		t.Fatal(err)
	}
	steps, _ := im.Plan()
	runtime.ReadMemStats(&end)
	if grown := int64(end.HeapAlloc) - int64(start.HeapAlloc); grown > 64<<20 {
		t.Errorf("it holds %d MiB", grown>>20)
	}
	if len(steps) != exchange.MaxItems || im.Items != exchange.MaxItems {
		t.Errorf("%d steps of %d in %s", len(steps), im.Items, time.Since(began))
	}
	if l := im.Lost(); len(l) > 1001 {
		t.Errorf("%d members are counted each for itself", len(l))
	}
	over := &exchange.Import{System: system(herd), Today: today}
	var many2 *exchange.TooManyError
	if err := over.Read(&endless{before: "", after: "", n: exchange.MaxItems + 1}); !errors.As(err, &many2) {
		t.Errorf("one too many: %v", err)
	}
	if len(over.Problems) > 100 {
		t.Errorf("%d problems are kept", len(over.Problems))
	}
}

// FuzzImport: any bytes give an error or events that a log takes, and the same
// bytes again nothing.
func FuzzImport(f *testing.F) {
	for _, name := range []string{"foreign.json", "export.json"} {
		raw, err := os.ReadFile(filepath.Join("testdata", name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	f.Add([]byte(resource(dryType, "1", "2026-03-02T06:00:00Z", `"eventDateTime":"2026-03-01T00:00:00Z"`)))
	f.Add([]byte(`{"view":{},"member":[` + resource(heatType, "1", "2026-03-02T06:00:00Z", `"eventDateTime":"2026-03-01T00:00:00","visualDetection":{"heatSigns":["Blood",7]}`) + `]}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		b := newBook(herd)
		for round := range 2 {
			im := &exchange.Import{System: system(herd), Today: today, Location: "99/001/0001"}
			if im.Read(bytes.NewReader(raw)) != nil {
				return
			}
			for i, r := range b.records {
				im.Known(r.event, int64(i+1), r.at, r.erased)
			}
			steps, known := im.Plan()
			if im.Refused+im.Unplaced+len(steps)+known != im.Items {
				t.Fatalf("%d refused, %d without a place, %d steps, %d known of %d", im.Refused, im.Unplaced, len(steps), known, im.Items)
			}
			if round == 1 && len(steps) > 0 {
				t.Fatalf("the same again made %d steps", len(steps))
			}
			for _, s := range steps {
				for _, e := range s.Events {
					b.add(t, e)
				}
			}
		}
	})
}
