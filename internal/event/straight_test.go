package event

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
)

// The straight reader either gives what the general one gives or steps aside.
func FuzzStraight(f *testing.F) {
	for _, s := range straightSeeds {
		f.Add([]byte(s))
	}
	var used Decoder
	var lot Lot
	f.Fuzz(func(t *testing.T, raw []byte) {
		slow, err := decodeTree(raw, true)
		lot.Reset()
		lent, lentErr := used.Decode(raw, &lot)
		if !reflect.DeepEqual(lent, slow) || fmt.Sprint(lentErr) != fmt.Sprint(err) {
			t.Fatalf("a decoder gives\n%+v, %v\nthe general reader has\n%+v, %v", lent, lentErr, slow, err)
		}
		fast, ok := decodeStraight(raw)
		if !ok {
			return
		}
		if err != nil {
			t.Fatalf("taken, but the general reader refuses it: %v\n%s", err, raw)
		}
		if !reflect.DeepEqual(fast, slow) {
			t.Fatalf("read as\n%+v\nthe general reader has\n%+v", fast, slow)
		}
	})
}

// What a decoder lends is not disturbed by what it lends later, until the lot is
// reset; and nothing of an event is left in the one that takes its place.
func TestDecoderLends(t *testing.T) {
	var d Decoder
	var lot Lot
	for round := range 3 {
		lot.Reset()
		var lent, kept []*Event
		for i := range 2*eventRun + round {
			// In another order each time, so that each place has held every kind.
			s := strings.Replace(straightSeeds[(i+round)%len(straightSeeds)], `"animal":"`, fmt.Sprintf(`"animal":"%d-`, i), 1)
			e, err := d.Decode([]byte(s), &lot)
			own, err2 := DecodeCanonical([]byte(s))
			if err != nil || err2 != nil {
				t.Fatal(err, err2)
			}
			lent, kept = append(lent, e), append(kept, own)
		}
		for i := range lent {
			if !reflect.DeepEqual(lent[i], kept[i]) {
				t.Fatalf("round %d, event %d: %+v, want %+v", round, i, lent[i], kept[i])
			}
		}
	}
}

const straightID = `"id":"b5746231-bb2c-86ad-acbd-ccfb07c699c3"`

var straightSeeds = []string{
	`{"animal":"6773","at":"00:00","by":"s1","data":{"born_on":"2020-05-22","how":"transferred","official_id":{"id":"9","scheme":"x"},"parity":0,"sex":"female"},"herd":"big",` + straightID + `,"kind":"arrival","on":"2021-01-01"}`,
	`{"animal":"1","data":{"calves":[{"outcome":"alive","sex":"male"},{"outcome":"stillborn"}],"ease":1,"induced":true,"parity":3},"herd":"big",` + straightID + `,"kind":"calving","on":"2021-01-01"}`,
	`{"animal":"1","data":{"chalk":"gone","signs":["mucus","standing"],"verdict":"in_heat"},"half":"am","herd":"big",` + straightID + `,"kind":"heat","on":"2022-08-23","ref":"7","source":"s"}`,
	`{"animal":"1","data":{"left":{"corpus_luteum":true,"follicle_mm":12},"tone":"some","verdict":"unclear"},"herd":"big",` + straightID + `,"kind":"palpation","on":"2022-08-23"}`,
	`{"animal":"1","herd":"big",` + straightID + `,"kind":"dry_off","note_hash":"` + strings.Repeat("0a", 32) + `","on":"2022-08-23","replaces":"b5746231-bb2c-86ad-acbd-ccfb07c699c4"}`,
	`{"animal":"1","herd":"big",` + straightID + `,"kind":"dry_off","on":"2022-08-23"}`,
}

// The usual bytes must be read straight, or nothing is gained; everything that is
// not quite them goes to the general reader.
func TestStraightTakesTheUsual(t *testing.T) {
	for _, s := range straightSeeds {
		if _, ok := decodeStraight([]byte(s)); !ok {
			t.Errorf("not taken: %s", s)
		}
	}
	usual := straightSeeds[0]
	for _, c := range []struct{ why, from, to string }{
		{"a space", `,"by"`, `, "by"`},
		{"an escape", `"s1"`, `"s\u0031"`},
		{"beyond ASCII", `"s1"`, `"sé"`},
		{"another order", `"animal":"6773","at":"00:00"`, `"at":"00:00","animal":"6773"`},
		{"a member twice", `"animal":"6773"`, `"animal":"6773","animal":"6773"`},
		{"an unknown member", `"animal":"6773"`, `"aa":"1","animal":"6773"`},
		{"an unknown field", `"how"`, `"hov"`},
		{"a word that is not declared", `"transferred"`, `"stolen"`},
		{"a number with a zero in front", `"parity":0`, `"parity":00`},
		{"a fraction", `"parity":0`, `"parity":0.5`},
		{"no such day", `2021-01-01`, `2021-02-30`},
		{"no such kind", `"arrival"`, `"arrivals"`},
		{"something behind", `2021-01-01"}`, `2021-01-01"} `},
		{"cut off", `2021-01-01"}`, `2021-01-01"`},
		{"an empty text", `"s1"`, `""`},
		{"a UUID without its dashes", `b5746231-bb2c-86ad-acbd-ccfb07c699c3`, `b5746231abb2c-86ad-acbd-ccfb07c699c3`},
		{"a UUID that is not hex", `b5746231`, `g5746231`},
		{"a UUID of zeros", straightID, `"id":"00000000-0000-0000-0000-000000000000"`},
		{"a quote in a text", `"s1"`, `"s\"1"`},
		{"a backslash in data", `"9"`, `"\u0039"`},
		{"a trailing comma", `"female"}`, `"female",}`},
	} {
		bad := strings.Replace(usual, c.from, c.to, 1)
		if bad == usual {
			t.Fatalf("%s: nothing was changed", c.why)
		}
		if e, ok := decodeStraight([]byte(bad)); ok {
			t.Errorf("%s was taken: %+v", c.why, e)
		}
	}
}

func BenchmarkDecodeCanonical(b *testing.B) {
	raw := []byte(straightSeeds[2])
	b.ReportAllocs()
	for b.Loop() {
		if _, err := DecodeCanonical(raw); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDecoder(b *testing.B) {
	raw := []byte(straightSeeds[2])
	b.ReportAllocs()
	var d Decoder
	var lot Lot
	for b.Loop() {
		lot.Reset()
		if _, err := d.Decode(raw, &lot); err != nil {
			b.Fatal(err)
		}
	}
}
