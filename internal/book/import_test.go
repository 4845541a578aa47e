package book_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/simherd"
	"byrelog.example/internal/store"
)

// theDay is the day on which the sample sheets of testdata are read.
var theDay = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)

func setupOnTheDay(t *testing.T) *bundle {
	t.Helper()
	return setupWith(t, book.Options{Now: func() time.Time { return theDay }})
}

func sample(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "sheets", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (x *bundle) mapping(name string) string {
	x.t.Helper()
	if _, err := x.book.PutMapping(x.t.Context(), name, string(sample(x.t, name+".yaml"))); err != nil {
		x.t.Fatal(err)
	}
	return name
}

func (x *bundle) load(body []byte, o book.ImportOptions) *book.ImportReport {
	x.t.Helper()
	r, err := x.book.Import(x.t.Context(), x.herd, bytes.NewReader(body), o)
	if err != nil {
		x.t.Fatal(err)
	}
	if r.State != store.ImportDone {
		x.t.Fatalf("the import is %s: %s", r.State, r.Error)
	}
	return r
}

// invented gives the records of a small herd as the project's own CSV, made by
// appending them to a herd of the same name in another database.
func invented(t *testing.T, cows, years int) []byte {
	t.Helper()
	x := setup(t)
	x.fill(cows, years)
	return []byte(x.export())
}

func (x *bundle) fill(cows, years int) {
	x.t.Helper()
	p := simherd.Default(cows)
	p.Last = event.NewDate(2026, 6, 30)
	p.First = p.Last - event.Date(years*365)
	events, _, err := simherd.Generate(p, x.herd.Name)
	if err != nil {
		x.t.Fatal(err)
	}
	for len(events) > 0 {
		n := min(len(events), book.MaxAppend)
		if _, err := x.book.Append(x.t.Context(), x.herd, events[:n], book.AppendOptions{History: true}); err != nil {
			x.t.Fatal(err)
		}
		events = events[n:]
	}
}

// An export imported where it came from is nothing new, and where nothing is it
// gives the same events; exported again the events have the same bytes.
func TestExportImportsAsNothingNew(t *testing.T) {
	t.Parallel()
	x := setup(t)
	x.fill(20, 1)
	wrong := heat("4711", on, event.InHeat)
	wrong.Note = "a note, \"quoted\"\nover two lines"
	x.append(wrong)
	right := heat("4712", on, event.InHeat)
	right.Replaces = wrong.ID
	x.append(void(wrong.ID, on), right)
	out := x.export()
	r := x.load([]byte(out), book.ImportOptions{})
	if r.Counts.Appended != 0 || r.Counts.Refused != 0 || r.Counts.AlreadyThere != r.Counts.Events || r.Counts.Events == 0 {
		t.Fatalf("%+v %v", r.Counts, r.Problems)
	}
	if again := x.export(); again != out {
		t.Fatal("exported again it is another file")
	}
	y := setup(t)
	dry, err := y.book.Import(t.Context(), y.herd, strings.NewReader(out), book.ImportOptions{DryRun: true})
	if err != nil {
		t.Fatal(err)
	}
	if head, _ := y.book.Head(t.Context(), y.herd); head.Seq != 0 {
		t.Fatal("a dry run wrote something")
	}
	if r := y.load([]byte(out), book.ImportOptions{}); r.Counts.Appended != dry.Counts.Appended || r.Counts.Refused != 0 || r.Counts != dry.Counts {
		t.Fatalf("the dry run said %+v, the import did %+v %v", dry.Counts, r.Counts, r.Problems)
	}
	if a, b := stated(out), stated(y.export()); a != b {
		t.Fatal("the events of the second herd are others")
	}
}

// stated cuts the log's own last columns off an export.
func stated(csv string) string {
	var b strings.Builder
	for l := range strings.Lines(csv) {
		l = strings.TrimRight(l, "\r\n")
		for range 3 {
			if i := strings.LastIndexByte(l, ','); i >= 0 && strings.Count(l, ",") > 3 {
				l = l[:i]
			}
		}
		if !strings.Contains(l, ",end,") {
			b.WriteString(l + "\n")
		}
	}
	return b.String()
}

func TestForeignSheets(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"office-events", "office-cows"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			x := setupOnTheDay(t)
			mapping := x.mapping(name)
			first := x.load(sample(t, name+".csv"), book.ImportOptions{Mapping: mapping, FileName: name + ".csv"})
			want := int64(bytes.Count(sample(t, name+".ndjson"), []byte("\n")))
			if first.Counts.Appended != want || first.Counts.Refused != 0 {
				t.Fatalf("%+v, want %d events; %v", first.Counts, want, first.Problems)
			}
			second := x.load(sample(t, name+".csv"), book.ImportOptions{Mapping: mapping})
			if second.Counts.Appended != 0 || second.Counts.AlreadyThere != want {
				t.Fatalf("the same file again: %+v", second.Counts)
			}
			if second.Digest != sha256.Sum256(sample(t, name+".csv")) {
				t.Fatal("the digest is not that of the file")
			}
			x.export()
		})
	}
}

func TestRefusedRowsComeBackAsASheet(t *testing.T) {
	t.Parallel()
	x := setupOnTheDay(t)
	mapping := x.mapping("messy")
	r := x.load(sample(t, "messy.csv"), book.ImportOptions{Mapping: mapping})
	if r.Counts.Refused == 0 || r.Counts.Appended == 0 {
		t.Fatalf("%+v", r.Counts)
	}
	var rejects bytes.Buffer
	if err := x.book.Rejects(t.Context(), x.herd, r.ID, &rejects); err != nil {
		t.Fatal(err)
	}
	if want := sample(t, "messy.rejects.csv"); !bytes.Equal(rejects.Bytes(), want) {
		t.Fatalf("the refused rows differ from the golden file:\n%s", rejects.Bytes())
	}
	head, _ := x.book.Head(t.Context(), x.herd)
	_, err := x.book.Import(t.Context(), x.herd, bytes.NewReader(sample(t, "messy.csv")), book.ImportOptions{Mapping: mapping, Strict: true})
	if f := kindOf(t, err); f.Code != "rows-refused" || len(f.Faults) == 0 || f.Faults[0].Line == 0 {
		t.Fatalf("a strict import: %v", err)
	}
	if now, _ := x.book.Head(t.Context(), x.herd); now != head {
		t.Fatal("a strict import wrote something")
	}
}

func TestWholeFileFaultsWriteNothing(t *testing.T) {
	t.Parallel()
	x := setup(t)
	good := string(invented(t, 10, 1))
	for name, body := range map[string]string{
		"a row taken out": strings.Join(removeLine(strings.SplitAfter(good, "\r\n"), 40), ""),
		"open quote":      "event_id,herd,animal,kind,on,note\n,,1,dry_off,2026-01-01,\"open",
		"unknown column":  "animal,kind,on,colour\n1,dry_off,2026-01-01,red\n",
		"a workbook":      "PK\x03\x04 and so on",
		"zero byte":       "animal,kind,on\n1,dry_off,2026-01-01\n2,dry\x00_off,2026-01-01\n",
	} {
		_, err := x.book.Import(t.Context(), x.herd, strings.NewReader(body), book.ImportOptions{})
		f := kindOf(t, err)
		if f.Code != "invalid-file" || f.Kind != book.Invalid && f.Kind != book.Unsupported {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, reason := range []error{errors.New("connection reset"), io.ErrUnexpectedEOF} {
		_, err := x.book.Import(t.Context(), x.herd, io.MultiReader(strings.NewReader(good[:len(good)/2]), broken{reason}), book.ImportOptions{})
		if err == nil {
			t.Errorf("an upload that broke off with %q was taken", reason)
		}
	}
	if head, _ := x.book.Head(t.Context(), x.herd); head.Seq != 0 {
		t.Fatalf("something was written: head at %d", head.Seq)
	}
	list, err := x.book.Imports(t.Context(), x.herd, 50, time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range list {
		if r.State != store.ImportFailed || r.Error == "" {
			t.Errorf("an import that was refused is %s (%q)", r.State, r.Error)
		}
	}
}

type broken struct{ reason error }

func (b broken) Read([]byte) (int, error) { return 0, b.reason }

func removeLine(lines []string, i int) []string { return append(lines[:i:i], lines[i+1:]...) }

// An import that is stopped between chunks goes on where it was when the next
// book resumes it, and gives the same events as an undisturbed one.
func TestInterruptedImportResumes(t *testing.T) {
	t.Parallel()
	file := invented(t, 120, 2)
	resumes(t, file, stated(string(file)), book.ImportOptions{})
}

// resumes holds that a file whose import is interrupted gives the wanted log.
func resumes(t *testing.T, file []byte, want string, o book.ImportOptions) {
	t.Helper()
	x := setup(t)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		_, err := x.book.Import(ctx, x.herd, bytes.NewReader(file), o)
		done <- err
	}()
	for {
		head, err := x.book.Head(t.Context(), x.herd)
		if err != nil {
			t.Fatal(err)
		}
		if head.Seq > 0 {
			break
		}
		time.Sleep(time.Millisecond)
	}
	x.book.Close() // as at SIGTERM: the chunk ends, the import does not
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	middle, err := x.book.Head(t.Context(), x.herd)
	if err != nil {
		t.Fatal(err)
	}
	total := int64(strings.Count(want, "\n") - 1)
	if middle.Seq >= total {
		t.Skipf("LOUD: the import of %d events was too quick to be interrupted; nothing was tested", total)
	}
	next := book.New(x.db, book.Options{})
	t.Cleanup(next.Close)
	if err := next.Resume(t.Context()); err != nil {
		t.Fatal(err)
	}
	x.book = next
	deadline := time.Now().Add(time.Minute)
	for {
		list, err := next.Imports(t.Context(), x.herd, 1, time.Time{})
		if err != nil {
			t.Fatal(err)
		}
		if list[0].State == store.ImportDone {
			if list[0].Counts.Appended != total {
				t.Fatalf("%+v, want %d appended", list[0].Counts, total)
			}
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("the import is still %s", list[0].State)
		}
		time.Sleep(5 * time.Millisecond)
	}
	if got := stated(x.export()); got != want {
		t.Fatal("the resumed import gave other events")
	}
}

// Into an empty log, where ids are not looked up: a row that comes again many
// rows later is there already, with other content it is refused, and a void
// finds what an earlier transaction brought.
func TestImportIntoAnEmptyLog(t *testing.T) {
	t.Parallel()
	const rows = 12_000
	var b strings.Builder
	b.WriteString("event_id,animal,kind,on,pen,void_event,reason\r\n")
	id := func(n int) string { return fmt.Sprintf("0199f3a2-0000-7000-8000-%012d", n) }
	for n := range rows {
		fmt.Fprintf(&b, "%s,%04d,move,2026-01-01,p1,,\r\n", id(n), n%100)
	}
	fmt.Fprintf(&b, "%s,0007,move,2026-01-01,p1,,\r\n", id(7))
	fmt.Fprintf(&b, "%s,0008,move,2026-01-01,p2,,\r\n", id(8))
	fmt.Fprintf(&b, "%s,,void,2026-01-02,,%s,wrong pen\r\n", id(rows), id(9))
	fmt.Fprintf(&b, "%s,,void,2026-01-02,,%s,not there\r\n", id(rows+1), id(rows+2))
	x := setup(t)
	r := x.load([]byte(b.String()), book.ImportOptions{})
	if r.Counts.Rows != rows+4 || r.Counts.Appended != rows+1 || r.Counts.AlreadyThere != 1 || r.Counts.Refused != 2 {
		t.Fatalf("%+v %+v", r.Counts, r.Problems)
	}
	if r.Problems[0].Line != rows+3 || r.Problems[0].Code != "conflict" || r.Problems[1].Line != rows+5 {
		t.Errorf("%+v", r.Problems)
	}
	if head, err := x.book.Head(t.Context(), x.herd); err != nil || head.Seq != rows+1 {
		t.Errorf("head %+v, %v", head, err)
	}
	if again := x.load([]byte(b.String()), book.ImportOptions{}); again.Counts.Appended != 0 || again.Counts.AlreadyThere != rows+2 || again.Counts.Refused != 2 {
		t.Errorf("again: %+v", again.Counts)
	}
}

// The same file sent twice at once is one import's worth of events.
func TestTwoImportsOfOneFile(t *testing.T) {
	t.Parallel()
	file := invented(t, 30, 1)
	x := setup(t)
	type answer struct {
		r   *book.ImportReport
		err error
	}
	answers := make(chan answer, 2)
	for range 2 {
		go func() {
			r, err := x.book.Import(t.Context(), x.herd, bytes.NewReader(file), book.ImportOptions{})
			answers <- answer{r, err}
		}()
	}
	var appended, there int64
	for range 2 {
		a := <-answers
		if a.err != nil {
			t.Fatal(a.err)
		}
		if a.r.State != store.ImportDone || a.r.Counts.Refused != 0 {
			t.Fatalf("%s %+v %v", a.r.State, a.r.Counts, a.r.Problems)
		}
		appended += a.r.Counts.Appended
		there += a.r.Counts.AlreadyThere
	}
	if head, _ := x.book.Head(t.Context(), x.herd); appended != head.Seq || there != head.Seq {
		t.Fatalf("appended %d, already there %d, head at %d", appended, there, head.Seq)
	}
	if got := stated(x.export()); got != stated(string(file)) {
		t.Fatal("the events are others than the file's")
	}
}

// What a reader is told is the same with the cache on, off and under pressure.
func TestAnswersDoNotDependOnTheCache(t *testing.T) {
	t.Parallel()
	x := setup(t)
	x.fill(25, 2)
	others := []*book.Book{book.New(x.db, book.Options{CacheSize: -1}), book.New(x.db, book.Options{CacheSize: 1})}
	day := event.NewDate(2026, 6, 30)
	ask := func(b *book.Book) string {
		t.Helper()
		var out strings.Builder
		err := b.View(t.Context(), x.herd, book.AsOf{}, func(v *book.View) error {
			for _, a := range v.Fold.Animals(day) {
				e, _ := v.Fold.Eligibility(a.Name, day)
				if err := json.NewEncoder(&out).Encode([]any{a, e}); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	for _, o := range others {
		defer o.Close()
	}
	for round := range 3 {
		want := ask(x.book)
		for i, o := range others {
			if got := ask(o); got != want {
				t.Fatalf("round %d: the answers of book %d differ", round, i)
			}
		}
		x.append(heat("1", on+event.Date(round), event.Suspect))
	}
}

func TestAsOfAnswersFromThatMoment(t *testing.T) {
	t.Parallel()
	x := setup(t)
	first := heat("1", on, event.InHeat)
	x.append(first)
	before, err := x.book.Head(t.Context(), x.herd)
	if err != nil {
		t.Fatal(err)
	}
	x.append(void(first.ID, on), heat("2", on, event.Suspect))
	for name, asOf := range map[string]book.AsOf{"seq": {Seq: before.Seq}, "time": {Time: before.RecordedAt}} {
		err := x.book.View(t.Context(), x.herd, asOf, func(v *book.View) error {
			if v.Head != before || v.Voided(1) || v.Fold.Seq() != 1 {
				t.Errorf("by %s: head %+v, voided %v", name, v.Head, v.Voided(1))
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := x.book.View(t.Context(), x.herd, book.AsOf{Time: time.Unix(0, 0)}, func(v *book.View) error {
		if v.Fold.Seq() != 0 {
			t.Errorf("before the first event the fold is at %d", v.Fold.Seq())
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if err := x.book.View(t.Context(), x.herd, book.AsOf{Seq: 99}, func(*book.View) error { return nil }); kindOf(t, err).Kind != book.Invalid {
		t.Fatalf("beyond the head: %v", err)
	}
}
