package exchange_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/exchange"
)

// A log that is exported, taken into another herd's log, and exported from
// there, says the same, but for what is the log's own.
func TestPropertyRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := genBook(t, herd, 40)
		first, _ := a.export(t, 0)
		b := newBook("mill-lane")
		raw := body(t, first)
		im, counts, known := b.take(t, raw, herd)
		if im.Refused != 0 || counts[exchange.Appends] != len(first) || known != 0 {
			t.Fatalf("%d of %d were refused, %d known: %+v", im.Refused, len(first), known, im.Problems)
		}
		second, _ := b.export(t, 0)
		if len(second) != len(first) {
			t.Fatalf("%d resources became %d", len(first), len(second))
		}
		for i := range first {
			// The herd's own schemes carry its name.
			want := strings.ReplaceAll(plain(t, first[i]), herd, "mill-lane")
			got := strings.ReplaceAll(plain(t, second[i]), herd, "mill-lane")
			if got != want && !renumbered(first[i], second[i], want, got) {
				t.Fatalf("went out as\n%s\ncame back as\n%s", want, got)
			}
		}
		// The same again adds nothing, neither there nor where it came from.
		for _, again := range []*book{b, a} {
			if _, counts, known := again.take(t, raw, herd); len(counts) != 0 || known != len(first) {
				t.Fatalf("again: %v, %d of %d known", counts, known, len(first))
			}
		}
		// What went out and comes back as a copy is known too.
		if _, counts, known := a.take(t, body(t, second), "mill-lane"); len(counts) != 0 || known != len(second) {
			t.Fatalf("the copy came back as news: %v, %d of %d known", counts, known, len(second))
		}
	})
}

var animal = regexp.MustCompile(`"animal":("[^"]*"|\{"id":"[^"]*","scheme":"[^"]*"\})`)

// renumbered tells whether two resources differ only in what they call the
// animal, as they do after a renumbering, which has no resource: the other herd
// goes on with the number that it knows.
func renumbered(a, b *exchange.Resource, want, got string) bool {
	local := func(r *exchange.Resource) bool { return strings.HasPrefix(r.Animal.Scheme, "local.") }
	same := animal.ReplaceAllString(want, "") == animal.ReplaceAllString(got, "")
	// Where both name her officially it is the same name.
	return same && (*a.Animal == *b.Animal || local(a) || local(b))
}

// Whoever takes the changes again and again has what a full export gives; and
// nothing comes twice.
func TestPropertyChanges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole := genBook(t, herd, 40)
		have := map[string]*exchange.Resource{}
		receiver := newBook("mill-lane")
		since := int64(0)
		for since < int64(len(whole.records)) {
			upto := min(since+int64(rapid.IntRange(1, 8).Draw(t, "step")), int64(len(whole.records)))
			part := &book{herd: herd, records: whole.records[:upto]}
			list, _ := part.export(t, since)
			for _, r := range list {
				if r.Meta.Deleted {
					if have[r.ID] == nil {
						t.Fatalf("%s is deleted and was never told", r.ID)
					}
					delete(have, r.ID)
					continue
				}
				if old := have[r.ID]; old != nil && r.Meta.Modified <= old.Meta.Modified {
					t.Fatalf("%s changed at %s, after %s", r.ID, r.Meta.Modified, old.Meta.Modified)
				}
				have[r.ID] = r
			}
			if im, _, _ := receiver.take(t, body(t, list), herd); im.Refused > 0 {
				t.Fatalf("refused: %+v", im.Problems)
			}
			since = upto
		}
		full, _ := whole.export(t, 0)
		if len(full) != len(have) {
			t.Fatalf("%d by changes, %d at once", len(have), len(full))
		}
		for _, r := range full {
			if got := have[r.ID]; got == nil || string(body(t, got)) != string(body(t, r)) {
				t.Fatalf("by changes\n%s\nat once\n%s", body(t, got), body(t, r))
			}
		}
		// And so does the log that took them in.
		got, _ := receiver.export(t, 0)
		if a, b := owns(t, full), owns(t, got); !slices.Equal(a, b) {
			t.Fatalf("the receiver's log has\n%v\nwant\n%v", b, a)
		}
		if list, _ := whole.export(t, int64(len(whole.records))); len(list) != 0 {
			t.Fatalf("%d changes after the last", len(list))
		}
	})
}

// owns lists what the extensions say, sorted.
func owns(t interface{ Fatalf(string, ...any) }, list []*exchange.Resource) []string {
	var out []string
	for _, r := range list {
		c := &exchange.Resource{Own: r.Own, Remark: r.Remark}
		// What she is called depends on renumberings, which have no resource.
		out = append(out, animal.ReplaceAllString(plain(t, c), ""))
	}
	slices.Sort(out)
	return out
}
