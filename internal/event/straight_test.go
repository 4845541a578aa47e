package event

import (
	"reflect"
	"strings"
	"testing"
)

// The straight reader either gives what the general one gives or steps aside.
func FuzzStraight(f *testing.F) {
	for _, s := range straightSeeds {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		fast, ok := decodeStraight(raw)
		if !ok {
			return
		}
		slow, err := decodeSlowly(raw)
		if err != nil {
			t.Fatalf("taken, but the general reader refuses it: %v\n%s", err, raw)
		}
		if !reflect.DeepEqual(fast, slow) {
			t.Fatalf("read as\n%+v\nthe general reader has\n%+v", fast, slow)
		}
	})
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
