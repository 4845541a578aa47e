package main

import (
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"

	"byrelog.example/api"
)

// A round from the pen to the log and back: dry, with faults, in part, twice, from a
// phone's text, and taken back by --last and by number.
func TestRoundCommand(t *testing.T) {
	t.Parallel()
	s := work(t)
	stdin := func(c call, text string) call { c.in = strings.NewReader(text); return c }
	const herd = "round-herd"
	s.herd(t, herd)
	var events []string
	for _, cow := range []string{"0071", "0412", "6122"} {
		events = append(events, `{"animal":"`+cow+`","kind":"arrival","on":"2025-01-01","data":{"how":"purchased","parity":2,"pen":"p3"}}`,
			`{"animal":"`+cow+`","kind":"calving","on":"2026-08-01"}`)
	}
	stdin(s.call("events", "append", herd, "-"), strings.Join(events, "\n")).must(t)
	const first = 7 // the seq of the first event of a round
	text := "\ufeffround 2026-11-24 morning, by t2\r\npen p3:\r\n6122 Suspect, felt in heat, strong tone, bred b-101\r\n0412 sus, felt pregnant\r\n"
	file := write(t, t.TempDir(), "morning.txt", text)

	contains(t, s.call("round", herd, file, "--dry-run").must(t), "line 3  6122: suspect; felt in heat, strong tone; bred b-101\n", "6 events would be recorded, 0 there already.")
	contains(t, s.call("round", herd, file).must(t), "line 3  6122: suspect; felt in heat, strong tone; bred b-101  [8 9 10]\n", "6 events recorded, 0 there already.")
	contains(t, stdin(s.call("round", herd), text).must(t), "0 events recorded, 6 there already.")

	// Every fault is told in a line of its own, and nothing is recorded.
	bad := stdin(s.call("round", herd, "-"), text+"0071 stronk tone\n9999 suspect\n0412 in heat\n").run(t)
	if bad.code != exitRefused || bad.err != "byrelog: 3 lines were refused; nothing was recorded\n" {
		t.Errorf("with faults: %+v", bad)
	}
	contains(t, bad.out, "line 5, character 6: ", "strong tone", "line 6: no animal 9999 is recorded", "line 7: line 4 of this round says something else of the same")
	part := stdin(s.call("round", herd, "--part"), text+"0071 stronk tone\n0071 in heat, standing\n").run(t)
	if part.code != exitRefused || part.err != "" {
		t.Errorf("in part: %+v", part)
	}
	contains(t, part.out, "line 5  refused\n        character 6: ", "1 event recorded, 6 there already; 1 line refused.")
	other := strings.Replace(text, "0412 sus", "0412 in heat", 1)
	contains(t, stdin(s.call("round", herd), other).run(t).out, `recorded as "suspect am"`)
	contains(t, stdin(s.call("round", herd, "--replace"), other).must(t), "1 event recorded, 5 there already.")

	// Back again: the last request that stands, then the one before, then one event.
	contains(t, s.call("void", herd, "--last", "--dry-run").must(t), "would be withdrawn:  2026-11-24 am 0412: in heat")
	if got := s.call("void", herd, "--last", "--why", "misread").must(t); strings.Count(got, "\n") != 1 {
		t.Errorf("the last request: %s", got)
	}
	contains(t, s.call("void", herd, "--last", "--why", "misread").must(t), "withdrawn:  2026-11-24 am 0071: in heat, standing")
	contains(t, s.call("void", herd, "10", "--why", "the wrong cow").must(t), "withdrawn:  10")
	var told []api.ToldEvent
	parse(t, s.call("void", herd, "--last", "--why", "the wrong herd", "--json").must(t), &told)
	if len(told) != 4 || told[0].Seq != first { // without the replaced suspect and the breeding withdrawn by its number
		t.Errorf("the first round: %+v", told)
	}
	for _, w := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"void", herd, "--last", "--why", "x"}, exitRefused, "nothing that this token recorded lately in round-herd still stands"},
		{[]string{"void", herd, "10", "--why", "x"}, exitRefused, "event 10 is withdrawn already"},
		{[]string{"void", herd, "4711", "--why", "x"}, exitRefused, "round-herd has no event 4711"},
		{[]string{"void", herd, "ten", "--why", "x"}, exitUsage, "ten is neither the number nor the id of an event"},
		{[]string{"void", herd, "--why", "x"}, exitUsage, "either the number of an event or --last"},
		{[]string{"void", herd, "10"}, exitUsage, "--why is needed"},
		{[]string{"round", herd, filepath.Join(t.TempDir(), "none.txt")}, exitRefused, "no such file"},
	} {
		if r := s.call(w.args...).run(t); r.code != w.code || !strings.Contains(r.err, w.want) {
			t.Errorf("%q: %+v", w.args, r)
		}
	}
	var answer api.RoundAnswer
	if err := json.Unmarshal([]byte(stdin(s.call("round", herd, "--json", "--dry-run"), text).must(t)), &answer); err != nil || !answer.DryRun || len(answer.Lines) != 3 {
		t.Errorf("as JSON: %v %+v", err, answer)
	}
}
