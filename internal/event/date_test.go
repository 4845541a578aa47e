package event_test

import (
	"encoding/json"
	"testing"
	"time"

	"byrelog.example/internal/event"
)

// Every day of the range against the standard library's calendar: number,
// parts, text, and the way back.
func TestDateAgainstTime(t *testing.T) {
	day := time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)
	end := time.Date(2199, 12, 31, 0, 0, 0, 0, time.UTC)
	want := event.Date(1)
	for ; !day.After(end); day, want = day.AddDate(0, 0, 1), want+1 {
		y, m, d := day.Date()
		text := day.Format(time.DateOnly)
		got := event.NewDate(y, int(m), d)
		if got != want {
			t.Fatalf("%s is %d, want %d", text, got, want)
		}
		if gy, gm, gd := got.Civil(); gy != y || gm != int(m) || gd != d {
			t.Fatalf("%s falls apart as %d %d %d", text, gy, gm, gd)
		}
		if got.String() != text || !got.Time().Equal(day) || event.DateOf(day) != got {
			t.Fatalf("%s is written %s, at %s", text, got, got.Time())
		}
		if parsed, err := event.ParseDate(text); err != nil || parsed != got {
			t.Fatalf("%s is read as %d, %v", text, parsed, err)
		}
		if n := day.Unix() / 86400; int64(got.UnixDay()) != n || event.FromUnixDay(int32(n)) != got {
			t.Fatalf("%s is day %d, want %d", text, got.UnixDay(), n)
		}
	}
	if want-1 != event.NewDate(2199, 12, 31) || want-1 != 109573 {
		t.Errorf("the last day is %d", want-1)
	}
}

// The last day of the range is a date like any other: it is taken as the end of
// a stop.
func TestRangeIsInclusive(t *testing.T) {
	for _, on := range []string{"1900-01-01", "2199-12-31"} {
		d, err := event.ParseDate(on)
		if err != nil {
			t.Fatal(err)
		}
		e := event.New(event.KindBreedingStop, "alder-row", "1", d)
		e.ID[0] = 1
		e.Data = &event.BreedingStop{Until: d}
		if err := e.Validate(d); err != nil {
			t.Errorf("%s: %v", on, err)
		}
	}
}

func TestNoSuchDate(t *testing.T) {
	for _, c := range [][3]int{
		{1899, 12, 31},
		{2200, 1, 1},
		{2026, 0, 1},
		{2026, 13, 1},
		{2026, 1, 0},
		{2026, 1, 32},
		{2026, 4, 31},
		{2026, 6, 31},
		{2026, 9, 31},
		{2026, 11, 31},
		{2026, 2, 29},
		{2024, 2, 30},
		{2100, 2, 29},
		{1900, 2, 29},
		{-1, 1, 1},
	} {
		if d := event.NewDate(c[0], c[1], c[2]); d != 0 {
			t.Errorf("%v is %s", c, d)
		}
	}
	for _, s := range []string{
		"", "2026", "2026-01-1", "2026-01-011", "2026/01/02", "02-01-2026", "2026-0a-02", "2026-01-0b", "202c-01-02", "+026-01-02", "2026-01-02 ",
		" 2026-01-02", "2026-1--02", "0000-00-00", "2026-02-30",
	} {
		if d, err := event.ParseDate(s); err == nil || d != 0 {
			t.Errorf("%q is %s", s, d)
		}
	}
	if y, m, d := event.Date(0).Civil(); y != 0 || m != 0 || d != 0 || event.Date(0).String() != "" {
		t.Error("the zero date has parts")
	}
}

func TestDateText(t *testing.T) {
	var row struct{ A, B event.Date }
	if err := json.Unmarshal([]byte(`{"A":"2026-11-25","B":""}`), &row); err != nil || row.A != event.NewDate(2026, 11, 25) || row.B != 0 {
		t.Errorf("%+v, %v", row, err)
	}
	b, err := json.Marshal(row)
	if err != nil || string(b) != `{"A":"2026-11-25","B":""}` {
		t.Errorf("%s, %v", b, err)
	}
	row.A = 7
	if err := json.Unmarshal([]byte(`{"A":"25.11.2026"}`), &row); err == nil || row.A != 7 {
		t.Errorf("taken: %+v, %v", row, err)
	}
}

// A date is that of the place, whatever the zone does to the hour.
func TestDateOfPlace(t *testing.T) {
	east := time.FixedZone("east", 13*3600)
	at := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	if got := event.DateOf(at.In(east)); got != event.NewDate(2026, 11, 25) {
		t.Error(got)
	}
	if got := event.DateOf(at); got != event.NewDate(2026, 11, 24) {
		t.Error(got)
	}
}

func FuzzParseDate(f *testing.F) {
	for _, s := range []string{"2026-11-25", "1900-01-01", "2199-12-31", "2024-02-29", "2100-02-29", "2026-02-30", "２０２６-01-02", "2026-1-02", "", "0000-00-00"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := event.ParseDate(s)
		want, wantErr := time.Parse(time.DateOnly, s)
		if wantErr == nil && (want.Year() < 1900 || want.Year() > 2199) {
			wantErr = err
			if err == nil {
				t.Fatalf("%q lies outside the range and is %s", s, d)
			}
		}
		if (err == nil) != (wantErr == nil) {
			t.Fatalf("%q: %v, but time.Parse says %v", s, err, wantErr)
		}
		if err == nil && (d.String() != s || !d.Time().Equal(want)) {
			t.Fatalf("%q is %s", s, d)
		}
	})
}
