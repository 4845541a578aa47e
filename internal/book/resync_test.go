package book_test

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"byrelog.example/internal/book"
	"byrelog.example/internal/store"
)

// office is a sheet of many rows, some of which an edit leaves out or changes.
func office(rows, gone int, pen func(n int) string) []byte {
	var b strings.Builder
	b.WriteString("No,Cow,Date,Pen\r\n")
	for n := gone; n < rows; n++ {
		fmt.Fprintf(&b, "%d,%04d,2026-01-%02d,%s\r\n", n, n%500, 1+n/500, pen(n))
	}
	return []byte(b.String())
}

const officeSheet = `version: 1
source: office
dates: iso
on_vanish: void
fields: {animal: Cow, on: Date}
events: [{kind: move, fields: {pen: Pen}}]
`

// More rows gone than one transaction takes, with and without a key: the voids
// go over several, an import that is stopped between them goes on, and none is
// written twice.
func TestManyVoids(t *testing.T) {
	t.Parallel()
	const rows, gone = 9_000, 7_500
	same := func(int) string { return "p1" }
	for _, key := range []string{"", "key: [No]\non_change: amend\n"} {
		x := setup(t)
		if _, err := x.book.PutMapping(t.Context(), "office", officeSheet+key); err != nil {
			t.Fatal(err)
		}
		if r := x.load(office(rows, 0, same), book.ImportOptions{Mapping: "office"}); r.Counts.Appended != rows {
			t.Fatalf("%+v", r.Counts)
		}
		all := int64(20_000)
		options := book.ImportOptions{Mapping: "office", MaxVoids: &all}
		pen := func(n int) string { // of those that are left, some are edited
			if n%5 == 0 {
				return "p2"
			}
			return "p1"
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() {
			_, err := x.book.Import(ctx, x.herd, bytes.NewReader(office(rows, gone, pen)), options)
			done <- err
		}()
		for {
			head, err := x.book.Head(t.Context(), x.herd)
			if err != nil {
				t.Fatal(err)
			}
			if head.Seq > rows {
				break
			}
			time.Sleep(time.Millisecond)
		}
		x.book.Close() // as at SIGTERM: the chunk ends, the import does not
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		head, err := x.book.Head(t.Context(), x.herd)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("key %t: stopped after %d of some %d events", key != "", head.Seq-rows, gone+600)
		next := book.New(x.db, book.Options{})
		t.Cleanup(next.Close)
		if err := next.Resume(t.Context()); err != nil {
			t.Fatal(err)
		}
		x.book = next
		var report *book.ImportReport
		for deadline := time.Now().Add(time.Minute); report == nil || !report.State.Finished(); time.Sleep(5 * time.Millisecond) {
			list, err := next.Imports(t.Context(), x.herd, 1, time.Time{})
			if err != nil || time.Now().After(deadline) {
				t.Fatalf("%v %+v", err, list)
			}
			report = list[0]
		}
		want := book.ImportCounts{Rows: rows - gone, Events: rows - gone, AlreadyThere: 1200, Withdrawn: gone, Amended: 300}
		if key == "" { // an edited row is one gone and one new
			want.Amended, want.Appended, want.Withdrawn = 0, 300, gone+300
		}
		if report.State != store.ImportDone || report.Counts != want {
			t.Errorf("key %t: %s %q %+v, want %+v", key != "", report.State, report.Error, report.Counts, want)
		}
		if head, err = x.book.Head(t.Context(), x.herd); err != nil || head.Seq != rows+gone+600 {
			t.Errorf("key %t: head %d, %v", key != "", head.Seq, err)
		}
		again := x.load(office(rows, gone, pen), book.ImportOptions{Mapping: "office"})
		if c := again.Counts; c.AlreadyThere != rows-gone || c.Appended+c.Amended+c.Withdrawn != 0 {
			t.Errorf("key %t, again: %+v", key != "", c)
		}
		x.export() // verifies
	}
}
