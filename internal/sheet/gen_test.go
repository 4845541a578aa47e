package sheet_test

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

// text draws what a text field can hold: any letters and marks but control
// characters, with those that CSV and spreadsheets trip over drawn often.
func text(most int) *rapid.Generator[string] {
	r := rapid.OneOf(rapid.Rune(), rapid.SampledFrom([]rune(`",;'=+-@|#é€０ `+"\u200b\u00a0\u2028\ufeff")))
	return rapid.Custom(func(t *rapid.T) string {
		s := strings.Map(func(c rune) rune {
			if unicode.IsControl(c) || c == unicode.ReplacementChar {
				return -1
			}
			return c
		}, rapid.StringOfN(r, 1, most, -1).Draw(t, "text"))
		if s = strings.TrimSpace(s); s == "" {
			return "x"
		}
		return s
	})
}

func note() *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string {
		s := text(60).Draw(t, "note")
		return rapid.SampledFrom([]string{"", " ", "\n", "\t", "'", "="}).Draw(t, "before") + s +
			rapid.SampledFrom([]string{"", " ", "\n\n", "\t", `"`}).Draw(t, "behind")
	})
}

func id(t *rapid.T, label string) uuid.UUID {
	var u uuid.UUID
	copy(u[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, label))
	u[6], u[8] = u[6]&0x0f|0x70, u[8]&0x3f|0x80
	return u
}

// validEvent draws an event of any kind with any of its fields.
func validEvent() *rapid.Generator[*event.Event] {
	return rapid.Custom(func(t *rapid.T) *event.Event {
		spec := rapid.SampledFrom(event.Specs()).Draw(t, "kind")
		on := today - 60 - event.Date(rapid.IntRange(0, 4000).Draw(t, "on"))
		cells := make([]string, len(event.Columns()))
		set := func(name, v string) {
			i, ok := event.ColumnIndex(name)
			if !ok {
				t.Fatalf("no column %s", name)
			}
			cells[i] = v
		}
		maybe := func(p string) bool { return rapid.Bool().Draw(t, p+"?") }
		set("event_id", id(t, "id").String())
		set("herd", herd)
		set("kind", spec.Name)
		set("on", on.String())
		if spec.Animal {
			set("animal", text(32).Draw(t, "animal"))
		}
		switch rapid.IntRange(0, 2).Draw(t, "time") {
		case 1:
			set("at", rapid.SampledFrom([]string{"00:00", "06:40", "23:59"}).Draw(t, "at"))
		case 2:
			set("half", rapid.SampledFrom([]string{"am", "pm"}).Draw(t, "half"))
		}
		for _, name := range []string{"by", "source", "ref"} {
			if maybe(name) {
				set(name, text(32).Draw(t, name))
			}
		}
		if maybe("replaces") {
			set("replaces", id(t, "replaces").String())
		}
		if maybe("note") {
			set("note", note().Draw(t, "note"))
		}
		natural := false
		var fill func(prefix string, fields []*event.Field)
		fill = func(prefix string, fields []*event.Field) {
			for _, f := range fields {
				name := prefix + f.Name
				if f.Column != "" && f.Type != event.Objects {
					name = f.Column
				}
				if !f.Required && !(spec.Kind == event.KindSize && f.Name == "big_enough") && !maybe(name) { // a size says at least one thing
					continue
				}
				switch f.Type {
				case event.Text:
					if f.Name == "scheme" {
						set(name, "herd.own")
					} else {
						v := text(f.Max-1).Draw(t, name)
						if i, _ := event.ColumnIndex("animal"); f.Name == "to" && v == cells[i] {
							v += "2"
						}
						set(name, v)
					}
				case event.Enum:
					v := rapid.SampledFrom(f.Values).Draw(t, name)
					natural = natural || v == event.Natural
					set(name, v)
				case event.Integer:
					set(name, itoa(rapid.IntRange(f.Min, f.Max).Draw(t, name)))
				case event.Bool:
					set(name, rapid.SampledFrom([]string{"true", "false"}).Draw(t, name))
				case event.DateOn:
					switch {
					case f.Name == "born_on":
						set(name, (on - 2000).String())
					case spec.Kind == event.KindArrival:
						set(name, (on - event.Date(rapid.IntRange(0, 900).Draw(t, name))).String())
					case spec.Kind != event.KindBreeding || natural:
						set(name, (on + event.Date(rapid.IntRange(0, 50).Draw(t, name))).String())
					}
				case event.ID:
					set(name, id(t, name).String())
				case event.EnumSet:
					set(name, strings.Join(rapid.SliceOfNDistinct(rapid.SampledFrom(f.Values), 1, -1, rapid.ID[string]).Draw(t, name), " "))
				case event.Object:
					fill(name+"_", f.Fields)
				case event.Objects:
					for i := range rapid.IntRange(1, f.Max).Draw(t, name) {
						fill(f.ColumnName()+itoa(i+1)+"_", f.Fields)
					}
				}
			}
		}
		fill("", spec.Fields)
		e, err := event.FromCells(cells)
		if err == nil {
			err = e.Validate(today)
		}
		if err != nil {
			t.Fatalf("the generator made an invalid event: %v\n%q", err, cells)
		}
		return e
	})
}

func itoa(n int) string {
	const digits = "0123456789"
	if n >= 10 {
		return itoa(n/10) + digits[n%10:n%10+1]
	}
	return digits[n : n+1]
}

// recorded draws a whole log of one herd, with its chain.
func recorded(most int) *rapid.Generator[[]*event.Recorded] {
	return rapid.Custom(func(t *rapid.T) []*event.Recorded {
		var log []*event.Recorded
		at := time.Date(2020, 2, 29, 23, 59, 59, 999_999_000, time.UTC)
		var head event.Digest
		for i, e := range rapid.SliceOfN(validEvent(), 0, most).Draw(t, "log") {
			e.Seal(event.Salt{1, byte(i), 3})
			if e.Note != "" && rapid.IntRange(0, 4).Draw(t, "erased") == 0 {
				e.Note, e.NoteSalt = "", event.Salt{} // erased: the commitment stays
			}
			at = at.Add(time.Duration(rapid.IntRange(0, 3_000_000).Draw(t, "later")) * time.Microsecond)
			r := &event.Recorded{Event: *e, Seq: int64(i + 1), RecordedAt: at, Bytes: e.Canonical()}
			r.Leaf = event.Leaf(r.Bytes)
			r.Hash = event.Link(herd, r.Seq, at, head, r.Leaf)
			head = r.Hash
			log = append(log, r)
		}
		return log
	})
}

// export writes a log.
func export(t interface{ Fatal(...any) }, log []*event.Recorded) []byte {
	var out bytes.Buffer
	w, err := sheet.NewWriter(&out, herd)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range log {
		if err := w.Write(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// fixedLog is a log that does not change from run to run.
func fixedLog(t testing.TB, n int) []*event.Recorded {
	t.Helper()
	g := recorded(n)
	for seed := 1; seed < 200; seed++ {
		if log := g.Example(seed); len(log) >= n/2 && len(log) > 2 {
			return log
		}
	}
	t.Fatal("no example is long enough")
	return nil
}
