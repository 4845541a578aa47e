package round_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/event/eventtest"
	"byrelog.example/internal/round"
)

const heading = "round 2026-12-01 morning, by t2\n"

// one reads a line about one cow.
func one(t *testing.T, line string) []*event.Event {
	t.Helper()
	rounds, problems := round.Parse(heading + line)
	if len(problems) > 0 || len(rounds) != 1 || len(rounds[0].Cows) != 1 {
		t.Fatalf("%s: %+v", line, problems)
	}
	return rounds[0].Cows[0].Events
}

// Every way of saying the same thing is the same events.
func TestPhrasings(t *testing.T) {
	for want, lines := range map[string][]string{
		"6122 suspect; felt in heat, clear mucus, strong tone; bred b-101": {
			"6122 suspect, felt in heat, strong tone, clear mucus, bred b-101",
			"6122: bred b-101, mucus clear, tone strong, felt in heat, suspect",
			"6122 sus, fe in he, str ton, cle muc, br b-101",
			"6122 SUSPECT; Felt In Heat; Strong Tone; Clear Mucus; Bred b-101",
			"6122 suspect felt in heat strong tone clear mucus bred b-101",
			"6122 suspect, felt in-heat, strong tone, clear mucus, inseminated b-101 # as yesterday",
			`6122 suspect,, felt in_heat,strong tone,clear mucus,bred "b-101",`,
			"  6122   suspect ,felt in heat , strong tone, clear mucus, bred b-101, ai\r",
		},
		"0071 in heat, chalk rubbed, standing; bred b-104 at 10:40, straw 17": {
			"0071 in heat, standing, chalk rubbed, bred b-104 straw 17 at 10:40",
			"0071 rubbed chalk, standing, in heat, bred straw 17 sire b-104 at 10:40",
			"0071 bred b-104 at 10:40, straw 17, in heat standing, chalk rub",
		},
		"0412 suspect; felt pregnant":                {"0412 suspect, felt pregnant", "0412 felt pregnant, suspect"},
		"0388 not in heat, chalk intact":             {"0388 not in heat, chalk intact", "0388 chalk int, not in heat"},
		"0001 not in heat, mucus":                    {"0001 mucus, not in heat"},
		"0002 felt not in heat, no mucus, some tone": {"0002 felt not in heat, no mucus, some tone", "0002 mucus none, tone some, palpated not in heat"},
		"0003 felt unclear, left corpus luteum, left follicle 18, no right corpus luteum": {
			"0003 felt unclear, left corpus luteum, left follicle 18, no right corpus luteum",
			"0003 felt unclear left follicle 18 left corpus luteum not right corpus luteum",
		},
		"0555 calved, heifer calf alive, bull calf stillborn": {
			"0555 calved, heifer calf alive, bull calf stillborn",
			"0555 heifer calf alive, bull calf stillborn, calved",
			"0555 calved heifer calf alive, stillborn bull calf",
			"0555 calved, female calf alive, male calf stillborn",
		},
		"0556 calved, ease 2, calf died 24h tag 991":   {"0556 calved ease 2, calf died 24h tag 991", "0556 calved, calf tag 991 died-24h, ease 2"},
		"0557 pregnant by ultrasound 34 days pregnant": {"0557 pregnant by ultrasound, 34 days pregnant", "0557 34 days pregnant, by ultrasound, pregnant", "0557 preg by ult days pregnant 34"},
		"0558 open by palpation":                       {"0558 open by palpation", "0558 diagnosed open by palpation"},
		"0559 lost pregnancy, seen reabsorbed":         {"0559 lost pregnancy, seen reabsorbed", "0559 pregnancy loss seen reab"},
		"0560 lost pregnancy, seen abortion":           {"0560 aborted", "0560 lost pregnancy, seen abortion"},
		"0561 dry off; moved to p9":                    {"0561 dry off, moved to p9", "0561 dried off, to pen p9", "0561 dry, move to p9", "0561 dry-off moved to p9"},
		"0562 stop breeding reason lame until 2026-12-30": {
			"0562 stop breeding until 2026-12-30 reason lame", "0562 stop, reason lame, until 2026-12-30", "0562 do not breed reason lame until 2026-12-30",
		},
		"0563 resume breeding":                                 {"0563 resume breeding", "0563 resume"},
		"0564 treated gnrh, program p-1, step 1":               {"0564 treated gnrh program p-1 step 1", "0564 treated class gnrh, step 1, program p-1"},
		"0565 culled reason infertility":                       {"0565 culled, reason infertility", "0565 departure culled reason infertility"},
		"0566 transferred, to herd north":                      {"0566 transferred, to herd north"},
		"0567 natural until 2026-12-01, sire b-7":              {"0567 bred b-7 natural until 2026-12-01", "0567 natural, sire b-7, until 2026-12-01"},
		"0568 bred, basis timed, sexed female semen":           {"0568 bred basis timed semen sexed female"},
		`"pen" suspect`:                                        {`"pen" suspect`},
		`"a b" stop breeding reason "he said ""no"", twice"`:   {`"a b" stop reason "he said ""no"", twice"`},
		`0569 bred b-1 note "hard to catch"`:                   {`0569 bred b-1 note "hard to catch"`, `0569 note "hard to catch", bred b-1`},
		`0570 bred "at"`:                                       {`0570 bred "at"`},
		"0571 in heat pm":                                      {"0571 in heat pm", "0571 afternoon, in heat"},
		"0572 stop breeding reason lame; bred b-1":             {"0572 stop, bred b-1, reason lame"},
		"0573 transferred reason x; stop breeding reason lame": nil,
	} {
		rounds, _ := round.Parse(heading)
		for _, l := range lines {
			events := one(t, l)
			got := round.Line(&rounds[0], events[0].Animal, events)
			if norm(got) != norm(want) {
				t.Errorf("%s\n got %s\nwant %s", l, got, want)
			}
		}
	}
}

// norm forgets the order of events, which is that of their kinds.
func norm(s string) string {
	parts := strings.Split(s, "; ")
	head, first, _ := strings.Cut(parts[0], " ")
	parts[0] = first
	slices.Sort(parts)
	return head + " " + strings.Join(parts, "; ")
}

func TestHeadings(t *testing.T) {
	for line, want := range map[string]string{
		"round 2026-12-01":                       "2026-12-01",
		"round 2026-12-01 morning, by t2":        "2026-12-01 am by t2",
		"Round 2026-12-01 pm by t2":              "2026-12-01 pm by t2",
		"round 2026-12-01, by t2, afternoon":     "2026-12-01 pm by t2",
		"round 2026-12-01 at 7:30":               "2026-12-01 07:30",
		"round 2026-12-01 17:05 by \"the vet\"":  "2026-12-01 17:05 by the vet",
		"\ufeffround 2026-12-01 mor":             "2026-12-01 am",
		"# a remark\n\nround 2026-12-01 # first": "2026-12-01",
	} {
		rounds, problems := round.Parse(line)
		if len(problems) > 0 || len(rounds) != 1 || rounds[0].Name() != want {
			t.Errorf("%q: %+v %+v, want %s", line, rounds, problems, want)
			continue
		}
		again, problems := round.Parse(rounds[0].Heading())
		if len(problems) > 0 || again[0].Name() != want {
			t.Errorf("%q was written as %q", line, rounds[0].Heading())
		}
	}
}

func TestPens(t *testing.T) {
	rounds, problems := round.Parse(heading + "pen p1: nothing\npen p2 : not walked\n17 suspect\npen \"p 3\"\npen p4: seen 42\npen p5: 7 seen\npen p6: not\nround 2026-12-01 pm\npen p7:\n")
	if len(rounds) != 2 || len(problems) != 1 || problems[0].Line != 8 || problems[0].Column != 9 {
		t.Fatalf("%+v %+v", rounds, problems)
	}
	got := fmt.Sprint(rounds[0].Pens, rounds[1].Pens)
	want := "[{2 p1 true true {0 false}} {3 p2 false false {0 false}} {5 p 3 true false {0 false}} {6 p4 true false {42 true}} {7 p5 true false {7 true}}] [{10 p7 true false {0 false}}]" //nolint:dupword // as it is printed
	if got != want {
		t.Errorf("pens\n got %s\nwant %s", got, want)
	}
	if c := rounds[0].Cows[0]; c.Pen != "p2" || c.Line != 4 {
		t.Errorf("cow %+v", c)
	}
}

// What cannot be read says where it stands, and what could stand there.
func TestProblems(t *testing.T) {
	for _, c := range []struct {
		line   string
		column int
		code   string
		want   string // in the text or the words that could stand there
	}{
		{"0001 suspcet", 6, round.CodeUnknownWord, "suspect"},
		{"0001 suspect, strogn tone", 15, round.CodeUnknownWord, "strong tone"},
		{"0001 felt in heet", 11, round.CodeUnknownWord, "felt in heat"},
		{"0001 in heat, bred b-1, stravv 17", 25, round.CodeUnknownWord, "straw"},
		{"0001 st", 6, round.CodeAmbiguous, "standing"},
		{"0001 s", 6, round.CodeUnknownWord, "two letters"},
		{"0001 pregnant, by ult", 16, round.CodeAmbiguous, "by ultrasound"},
		{"0001 pregnant", 1, event.CodeRequired, "by ultrasound"},
		{"0001 strong tone", 1, event.CodeRequired, "felt in heat"},
		{"0001 standing", 1, event.CodeRequired, "suspect"},
		{"0001 heifer calf alive", 1, event.CodeRequired, "calved"},
		{"0001 straw 17", 1, event.CodeRequired, "bred"},
		{"0001 in heat, suspect", 15, event.CodeContradicts, "in_heat and suspect"},
		{"0001 bred b-1, bred b-2", 16, event.CodeContradicts, "b-1 and b-2"},
		{"0001 stop reason a, resume, reason b, reason c", 29, round.CodeAmbiguous, "stop breeding"},
		{"0001 note x", 6, round.CodeAmbiguous, "which event"},
		{"0001 calved ease 9", 13, event.CodeOutOfRange, "1 to 5"},
		{"0001 calved ease two", 13, event.CodeOutOfRange, "1 to 5"},
		{"0001 stop until 30.12.2026", 11, event.CodeBadDate, "2026-12-01"},
		{"0001 bred b-1 at noon", 15, event.CodeBadTime, "10:40"},
		{"0001 stop reason", 11, event.CodeRequired, "a value is missing"},
		{"0001 calved, calf alive, calf alive, calf alive, calf alive, calf alive", 62, event.CodeTooLong, "at most 4"},
		{"0001", 1, event.CodeRequired, "nothing is said"},
		{", suspect", 1, event.CodeRequired, "number"},
		{`0001 "suspect`, 6, event.CodeSyntax, "quote"},
		{`0001 "suspect"`, 6, round.CodeUnknownWord, ""},
		{"pen", 1, event.CodeRequired, "pen p3"},
		{"pen p1: nothin here", 9, round.CodeUnknownWord, "nothing"},
		{"pen p1: seen -3", 9, round.CodeUnknownWord, "seen 42"},
		{"round", 1, event.CodeBadDate, "2026-12-01"},
		{"round today", 7, event.CodeBadDate, "2026-12-01"},
		{"round 2026-12-01 by", 18, event.CodeRequired, "code"},
		{"round 2026-12-01 mourning", 18, round.CodeUnknownWord, "morning"},
		{"round 2026-12-01 morning at 07:30", 26, round.CodeUnknownWord, "morning"},
		{"0001 " + strings.Repeat("x", round.MaxLine), 1, event.CodeTooLong, "1000 bytes"},
	} {
		rounds, problems := round.Parse(heading + c.line + "\n")
		if len(problems) != 1 || problems[0].Line != 2 {
			t.Errorf("%s: %+v %+v", c.line, rounds, problems)
			continue
		}
		p := problems[0]
		if p.Column != c.column || p.Code != c.code || !strings.Contains(p.Detail+" "+strings.Join(p.Allowed, ", "), c.want) {
			t.Errorf("%s: %+v, want %+v", c.line, p, c)
		}
	}
	for text, code := range map[string]string{
		"":                                     event.CodeRequired,
		"# nothing\n":                          event.CodeRequired,
		"0001 suspect\n0002 suspect":           round.CodeNoHeading,
		"round x\n0001 suspect\n0002 nonsense": event.CodeBadDate,
		"\xff":                                 event.CodeBadText,
		strings.Repeat("#", round.MaxText+1):   event.CodeTooLong,
		strings.Repeat("\n", round.MaxLines):   event.CodeTooLong,
		heading + "pen p1: nothing\n0001 suspect\n": event.CodeContradicts,
	} {
		if _, problems := round.Parse(text); len(problems) != 1 || problems[0].Code != code {
			t.Errorf("%.40q: %+v, want %s", text, problems, code)
		}
	}
}

// A good line beside a bad one is read.
func TestGoodLinesStand(t *testing.T) {
	rounds, problems := round.Parse(heading + "0001 nonsense\n0002 suspect\nround 1\n0003 suspect\n" + heading + "0004 suspect\n")
	if len(problems) != 2 || len(rounds) != 2 || len(rounds[0].Cows) != 1 || rounds[0].Cows[0].Animal != "0002" || rounds[1].Cows[0].Animal != "0004" {
		t.Errorf("%+v %+v", rounds, problems)
	}
}

// notable makes an event of a kind that is noted on rounds.
func notable() *rapid.Generator[*event.Event] {
	return rapid.Custom(func(t *rapid.T) *event.Event {
		var kinds []event.Kind
		for _, s := range event.Specs() {
			if s.Animal && s.Kind != event.KindArrival && s.Kind != event.KindRenumber {
				kinds = append(kinds, s.Kind)
			}
		}
		e := eventtest.GenOf("herd", rapid.SampledFrom(kinds).Draw(t, "kind")).Draw(t, "event")
		e.On = event.NewDate(2026, 12, 1)
		if strings.ContainsAny(e.Note, "\n\t") || len(e.Note) > 200 {
			e.Note = ""
		}
		return e
	})
}

// What is written in the words of a round is read as the same event.
func TestRoundTripProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := notable().Draw(t, "e")
		r := round.Round{On: e.On, At: e.At, Half: e.Half, By: e.By}
		if rapid.Bool().Draw(t, "own time") && (e.At != "" || e.Half != "") {
			r.At, r.Half = "", ""
		}
		text := r.Heading() + "\n" + round.Line(&r, e.Animal, []*event.Event{e}) + "\n"
		rounds, problems := round.Parse(text)
		if len(problems) > 0 || len(rounds) != 1 || len(rounds[0].Cows) != 1 || len(rounds[0].Cows[0].Events) != 1 {
			t.Fatalf("%s%+v %+v", text, problems, rounds)
		}
		got, want := rounds[0].Cows[0].Events[0].Cells(nil), e.Cells(nil)
		for i, c := range event.Columns() {
			switch c.Name {
			case "event_id", "herd", "source", "ref", "replaces", "note_salt":
			default:
				if got[i] != want[i] {
					t.Fatalf("%s%s is %q, was %q", text, c.Name, got[i], want[i])
				}
			}
		}
	})
}

// Every word of every kind that is noted is known, and the help has it.
func TestEveryWordIsKnown(t *testing.T) {
	help := round.Help()
	for _, s := range event.Specs() {
		if !s.Animal || s.Kind == event.KindArrival || s.Kind == event.KindRenumber {
			continue
		}
		if !strings.Contains(help, "\n"+strings.ReplaceAll(s.Name, "_", " ")+"\n") {
			t.Errorf("the help has no %s", s.Name)
		}
		for _, f := range s.Fields {
			for _, v := range f.Values {
				_, problems := round.Parse(heading + "1 " + strings.ReplaceAll(f.Name+" "+v, "_", " "))
				for _, p := range problems {
					if p.Code == round.CodeUnknownWord {
						t.Errorf("%s %s %s: %+v", s.Name, f.Name, v, p)
					}
				}
			}
		}
	}
	if !strings.HasPrefix(help, round.Grammar()) {
		t.Error("the help does not begin with the grammar")
	}
	// The example of the grammar is one.
	var lines []string
	for line := range strings.Lines(round.Grammar()) {
		if l, example := strings.CutPrefix(line, "    "); example && !strings.Contains(l, " = ") {
			lines = append(lines, l)
		}
	}
	rounds, problems := round.Parse(strings.Join(lines, ""))
	if len(problems) > 0 || len(rounds) != 1 || len(rounds[0].Cows) != 5 || len(rounds[0].Pens) != 3 {
		t.Errorf("the example of the grammar: %+v %+v", rounds, problems)
	}
}

// The worst text that the bounds let through is read in a moment.
func BenchmarkHostile(b *testing.B) {
	for name, line := range map[string]string{
		"known": "1 " + strings.Repeat("mu ", 80) + "\n", "unknown": "1 " + strings.Repeat("x", 80) + "\n", "left": "1 in heat, " + strings.Repeat("le le,", 40) + "\n",
	} {
		text := heading + strings.Repeat(line, round.MaxLines-2)
		text = text[:min(len(text), round.MaxText)]
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				round.Parse(text)
			}
		})
	}
}

func FuzzParse(f *testing.F) {
	f.Add(heading + "pen p1: nothing\npen p3:\n6122 suspect, felt in heat, strong tone, bred b-101 at 10:40\n")
	f.Add(heading + "0555 calved, heifer calf alive tag \"a,b\", bull calf stillborn\n")
	f.Add("round 2026-12-01 7:30 by \"x\"\"y\"\n1: 34 days pregnant by milk pregnant note \"x\"\n")
	f.Fuzz(func(t *testing.T, text string) {
		rounds, problems := round.Parse(text)
		if len(rounds) == 0 && len(problems) == 0 {
			t.Fatal("neither a round nor a problem")
		}
		lines := strings.Count(text, "\n") + 1
		for _, p := range problems {
			if p.Line < 1 || p.Line > lines || p.Column < 1 || p.Code == "" || p.Detail == "" {
				t.Fatalf("%+v", p)
			}
		}
		for i := range rounds {
			r := &rounds[i]
			for _, c := range r.Cows {
				// What was read can be written, and is read again as what it was.
				if strings.ContainsAny(c.Animal, "\r\v\f") {
					continue
				}
				again, problems := round.Parse(r.Heading() + "\n" + round.Line(r, c.Animal, c.Events))
				if len(problems) > 0 && problems[0].Code != event.CodeTooLong {
					t.Fatalf("%s: %+v", round.Line(r, c.Animal, c.Events), problems)
				}
				if len(problems) == 0 && round.Line(&again[0], c.Animal, again[0].Cows[0].Events) != round.Line(r, c.Animal, c.Events) {
					t.Fatalf("%q became %q", round.Line(r, c.Animal, c.Events), round.Line(&again[0], c.Animal, again[0].Cows[0].Events))
				}
			}
		}
	})
}
