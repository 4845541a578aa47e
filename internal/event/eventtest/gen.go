// Package eventtest generates arbitrary valid events for property tests. Only
// tests import it.
package eventtest

import (
	"fmt"
	"strings"
	"unicode"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
)

// Today is a day on which every generated event is valid.
var Today = event.NewDate(2026, 11, 25)

// Gen generates valid events of any kind in the given herd. A void or a
// replacing event names an arbitrary id. A note comes with its salt, sealed.
// Lists of words may come in any order; an ovary, where there is one, says
// something.
func Gen(herd string) *rapid.Generator[*event.Event] {
	return rapid.Custom(func(t *rapid.T) *event.Event {
		specs := event.Specs()
		return GenOf(herd, specs[rapid.IntRange(0, len(specs)-1).Draw(t, "kind")].Kind).Draw(t, "event")
	})
}

// GenPlain is Gen without voids and replacements: events that a log takes in
// any order.
func GenPlain(herd string) *rapid.Generator[*event.Event] {
	return rapid.Custom(func(t *rapid.T) *event.Event {
		e := Gen(herd).Filter(func(e *event.Event) bool { return e.Kind != event.KindVoid }).Draw(t, "event")
		e.Replaces = uuid.Nil
		return e
	})
}

// GenOf is Gen for one kind.
func GenOf(herd string, k event.Kind) *rapid.Generator[*event.Event] {
	return rapid.Custom(func(t *rapid.T) *event.Event {
		g := gen{t}
		e := event.New(k, herd, "", g.date("on", event.NewDate(1900, 1, 1), Today))
		e.ID = g.id("id")
		if k.Spec().Animal {
			e.Animal = g.text("animal", 32)
		}
		switch rapid.IntRange(0, 2).Draw(t, "time") {
		case 1:
			e.At = fmt.Sprintf("%02d:%02d", rapid.IntRange(0, 23).Draw(t, "hour"), rapid.IntRange(0, 59).Draw(t, "minute"))
		case 2:
			e.Half = g.word("half", event.AM, event.PM)
		}
		e.By = g.optText("by", 32)
		e.Source = g.optText("source", 64)
		e.Ref = g.optText("ref", 128)
		if rapid.IntRange(0, 9).Draw(t, "replaces?") == 0 {
			e.Replaces = g.id("replaces")
		}
		e.Data = g.data(e)
		if rapid.IntRange(0, 4).Draw(t, "note?") == 0 {
			e.Note = g.note()
			e.Seal(event.Salt(g.id("salt")))
		}
		return e
	})
}

// Text generates texts that a field of at most the given number of characters
// takes: with quotes, escapes and characters of every length.
func Text(most int) *rapid.Generator[string] {
	return rapid.Custom(func(t *rapid.T) string { return gen{t}.text("text", most) })
}

type gen struct{ t *rapid.T }

// Characters that are cut, escaped, folded or split by careless code.
var odd = []rune("\"\\/<>&'`=+-@,;|\t\n\r\b\f\x00\x1f\x7f   ~éÄßø\u00a0\u00ad\u0301\u0600\u200b\u200d\u2028\u2029\ufeff\ufffe\uffff牛🐄𝒳\U0010ffff{}[]:")

func (g gen) runes(label string, most int) string {
	kind := rapid.IntRange(0, 3).Draw(g.t, label+" kind")
	var rs []rune
	switch kind {
	case 0, 1:
		return rapid.StringMatching(fmt.Sprintf(`[0-9A-Za-z-]{1,%d}`, min(most, 12))).Draw(g.t, label)
	case 2:
		rs = rapid.SliceOfN(rapid.SampledFrom(odd), 1, most).Draw(g.t, label)
	default:
		rs = rapid.SliceOfN(rapid.Rune(), most, most).Draw(g.t, label)
	}
	return string(rs)
}

func (g gen) text(label string, most int) string {
	s := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == unicode.ReplacementChar {
			return -1
		}
		return r
	}, g.runes(label, most))
	if s = strings.TrimSpace(s); s == "" {
		return "0"
	}
	return s
}

func (g gen) note() string {
	s := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' && r != '\t' || r == unicode.ReplacementChar {
			return -1
		}
		return r
	}, g.runes("note", 500))
	if s == "" {
		return "\n"
	}
	return s
}

func (g gen) yes(label string) bool { return rapid.Bool().Draw(g.t, label+"?") }

func (g gen) optText(label string, most int) string {
	if !g.yes(label) {
		return ""
	}
	return g.text(label, most)
}

func (g gen) word(label string, words ...string) string {
	return rapid.SampledFrom(words).Draw(g.t, label)
}

// words draws one of the declared words of the field, required or not.
func (g gen) enum(f *event.Field) string {
	if !f.Required && !g.yes(f.Name) {
		return ""
	}
	return g.word(f.Name, f.Values...)
}

func (g gen) integer(f *event.Field) event.OptInt {
	if !f.Required && !g.yes(f.Name) {
		return event.OptInt{}
	}
	return event.Int(rapid.IntRange(f.Min, f.Max).Draw(g.t, f.Name))
}

func (g gen) boolean(f *event.Field) event.OptBool {
	if !g.yes(f.Name) {
		return event.OptBool{}
	}
	return event.OptBool{V: rapid.Bool().Draw(g.t, f.Name), Set: true}
}

func (g gen) date(label string, from, to event.Date) event.Date {
	return event.Date(rapid.Int32Range(int32(from), int32(to)).Draw(g.t, label))
}

func (g gen) optDate(f *event.Field, from, to event.Date) event.Date {
	if !g.yes(f.Name) {
		return 0
	}
	return g.date(f.Name, from, to)
}

// id draws a UUID of any version but the zero one.
func (g gen) id(label string) uuid.UUID {
	var u uuid.UUID
	copy(u[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(g.t, label))
	if u == uuid.Nil {
		u[15] = 1
	}
	return u
}

func (g gen) textOf(f *event.Field) string {
	if !f.Required && !g.yes(f.Name) {
		return ""
	}
	return g.text(f.Name, f.Max)
}

// fields finds the kind's declarations by name.
func fields(k event.Kind) map[string]*event.Field { return byName(k.Spec().Fields) }

func byName(list []*event.Field) map[string]*event.Field {
	m := make(map[string]*event.Field, len(list))
	for _, f := range list {
		m[f.Name] = f
	}
	return m
}

var last = event.NewDate(2199, 12, 31)

func (g gen) data(e *event.Event) event.Data {
	f := fields(e.Kind)
	switch d := e.Data.(type) {
	case *event.Arrival:
		g.arrival(f, d, e.On)
	case *event.Renumber:
		d.To = g.textOf(f["to"])
		if d.To == e.Animal {
			d.To = "other"
			if e.Animal == "other" {
				d.To = "another"
			}
		}
	case *event.Calving:
		calf := byName(f["calves"].Fields)
		for range rapid.IntRange(0, f["calves"].Max).Draw(g.t, "calves") {
			d.Calves = append(d.Calves, event.Calf{Outcome: g.enum(calf["outcome"]), Sex: g.enum(calf["sex"]), Tag: g.textOf(calf["tag"])})
		}
		d.Ease, d.Induced, d.Parity = g.integer(f["ease"]), g.boolean(f["induced"]), g.integer(f["parity"])
	case *event.PregnancyLoss:
		d.DaysPregnant, d.Seen = g.integer(f["days_pregnant"]), g.enum(f["seen"])
	case *event.Walk:
		d.Pen, d.Seen = g.textOf(f["pen"]), g.integer(f["seen"])
	case *event.Heat:
		d.Chalk, d.FoundBy, d.Verdict = g.enum(f["chalk"]), g.enum(f["found_by"]), g.enum(f["verdict"])
		words := rapid.Permutation(f["signs"].Values).Draw(g.t, "order")
		if n := rapid.IntRange(0, len(words)).Draw(g.t, "signs"); n > 0 {
			d.Signs = words[:n]
		}
	case *event.Palpation:
		d.Left, d.Right = g.ovary(f["left"]), g.ovary(f["right"])
		d.Mucus, d.Tone, d.Verdict = g.enum(f["mucus"]), g.enum(f["tone"]), g.enum(f["verdict"])
	case *event.PregnancyDiagnosis:
		d.DaysPregnant, d.Fetuses = g.integer(f["days_pregnant"]), g.integer(f["fetuses"])
		d.Method, d.Result = g.enum(f["method"]), g.enum(f["result"])
	case *event.BreedingStop:
		d.Reason, d.Until = g.textOf(f["reason"]), g.optDate(f["until"], e.On, last)
	case *event.BreedingResume:
		d.Reason = g.textOf(f["reason"])
	case *event.Treatment:
		d.Class, d.Program, d.Step = g.textOf(f["class"]), g.textOf(f["program"]), g.textOf(f["step"])
		d.MeatWithheldUntil = g.optDate(f["meat_withheld_until"], e.On, last)
		d.MilkWithheldUntil = g.optDate(f["milk_withheld_until"], e.On, last)
	case *event.Size:
		d.BigEnough, d.HeightCM, d.WeightKG = g.boolean(f["big_enough"]), g.integer(f["height_cm"]), g.integer(f["weight_kg"])
		if *d == (event.Size{}) {
			d.BigEnough = event.Yes
		}
	case *event.Breeding:
		d.Basis, d.Method, d.Semen = g.enum(f["basis"]), g.enum(f["method"]), g.enum(f["semen"])
		d.Sire, d.Straw = g.textOf(f["sire"]), g.textOf(f["straw"])
		if d.Method == event.Natural {
			d.Until = g.optDate(f["until"], e.On, Today)
		}
	case *event.DryOff:
	case *event.Move:
		d.Pen = g.textOf(f["pen"])
	case *event.Departure:
		d.How, d.Reason, d.ToHerd = g.enum(f["how"]), g.textOf(f["reason"]), g.textOf(f["to_herd"])
	case *event.Void:
		d.Event, d.Reason = g.id("event"), g.textOf(f["reason"])
		if d.Event == e.ID {
			d.Event[0] ^= 1
		}
	default:
		panic(fmt.Sprintf("eventtest: no generator for %T", d)) // a new kind needs one
	}
	return e.Data
}

func (g gen) arrival(f map[string]*event.Field, d *event.Arrival, on event.Date) {
	first := event.NewDate(1900, 1, 1)
	d.BornOn = g.optDate(f["born_on"], first, on)
	past := max(d.BornOn, first)
	d.ConceivedOn = g.optDate(f["conceived_on"], past, on)
	d.LastBredOn = g.optDate(f["last_bred_on"], past, on)
	d.LastCalvedOn = g.optDate(f["last_calved_on"], past, on)
	d.Sire, d.DamSire = g.textOf(f["sire"]), g.textOf(f["dam_sire"])
	d.Breed, d.Dam, d.Pen = g.textOf(f["breed"]), g.textOf(f["dam"]), g.textOf(f["pen"])
	d.FromAnimal, d.FromHerd = g.textOf(f["from_animal"]), g.textOf(f["from_herd"])
	d.How, d.Sex, d.Parity = g.enum(f["how"]), g.enum(f["sex"]), g.integer(f["parity"])
	switch rapid.IntRange(0, 3).Draw(g.t, "identity") {
	case 1:
		d.OfficialID = &event.OfficialID{Scheme: "std.iso.11785", ID: fmt.Sprintf("999%012d", rapid.Int64Range(0, 1<<38-1).Draw(g.t, "national"))}
	case 2:
		d.OfficialID = &event.OfficialID{Scheme: "eu.bovine", ID: rapid.StringMatching(`[A-Z]{2}[0-9A-Z]{1,12}`).Draw(g.t, "tag")}
	case 3:
		d.OfficialID = &event.OfficialID{Scheme: "herd.own/1~a", ID: rapid.StringMatching(`[a-z][0-9a-z./~]{0,31}`).Draw(g.t, "own")}
	}
}

func (g gen) ovary(f *event.Field) *event.Ovary {
	if !g.yes(f.Name) {
		return nil
	}
	sub := byName(f.Fields)
	o := &event.Ovary{CorpusLuteum: g.boolean(sub["corpus_luteum"]), FollicleMM: g.integer(sub["follicle_mm"])}
	if *o == (event.Ovary{}) {
		o.CorpusLuteum = event.Yes
	}
	return o
}
