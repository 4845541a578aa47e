package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// A simulated herd goes out by the standard, into another herd, and out again:
// the same resources. What changes follows by the token that was printed.
func TestExchange(t *testing.T) {
	t.Parallel()
	s := work(t)
	from, to := s.herd(t, "exchange-from"), s.herd(t, "exchange-to")
	dir := t.TempDir()
	c := s.call("events", "append", from, "-")
	c.in = strings.NewReader(invent(t, from, "60", "2"))
	c.must(t)

	first := filepath.Join(dir, "first.json")
	r := s.call("exchange", "export", from, "-o", first).run(t)
	if r.code != exitDone || r.out != "" {
		t.Fatalf("%+v", r)
	}
	var list []json.RawMessage
	parse(t, read(t, first), &list)
	n := len(list) - 2
	contains(t, r.err, fmt.Sprintf("%d resources.\n", n), "The standard has no place for:", "events of kind walk, left out", "chalk of ")
	token := regexp.MustCompile(`Next time: --since (\S+)\n`).FindStringSubmatch(r.err)
	if token == nil {
		t.Fatalf("no token in %s", r.err)
	}

	refused := s.call("exchange", "import", to, first).run(t)
	if refused.code != exitRefused {
		t.Fatalf("resources of another herd: %+v", refused)
	}
	contains(t, refused.out, fmt.Sprintf("%d refused", n), "which is not this herd", "(and 99 more alike)", "These are the first faults only")
	dry := s.call("exchange", "import", to, first, "--location", from, "--dry-run").must(t)
	contains(t, dry, fmt.Sprintf("%d resources read: %d would be new", n, n))
	contains(t, s.call("exchange", "import", to, first, "--location", from).must(t), fmt.Sprintf("%d resources read: %d new, 0 amended", n, n))
	contains(t, s.call("exchange", "import", to, first, "--location", from).must(t), fmt.Sprintf("0 new, 0 amended, 0 deleted, %d already there", n))

	second := s.call("exchange", "export", to).run(t)
	var again []json.RawMessage
	parse(t, second.out, &again)
	if second.code != exitDone || len(again) != len(list) {
		t.Errorf("%d resources became %d", n, len(again)-2)
	}
	contains(t, second.err, fmt.Sprintf("%d resources.\n", n))

	// One event is withdrawn: the change is one deletion.
	var resource struct{ ID string }
	if err := json.Unmarshal(list[n], &resource); err != nil {
		t.Fatal(err)
	}
	void := s.call("events", "append", from, "-")
	void.in = strings.NewReader(`{"kind":"void","on":"2026-01-01","data":{"event":"` + resource.ID + `","reason":"wrong cow"}}` + "\n")
	void.must(t)
	news := filepath.Join(dir, "news.json")
	var told struct {
		Resources int
		FullSync  bool `json:"full_sync"`
		Token     string
	}
	parse(t, s.call("exchange", "export", from, "--since", token[1], "-o", news, "--json").must(t), &told)
	if told.Resources != 1 || told.FullSync || told.Token == token[1] {
		t.Errorf("%+v in %s", told, read(t, news))
	}
	contains(t, read(t, news), `"isDeleted":true`)
	var report struct{ Counts map[string]int }
	parse(t, s.call("exchange", "import", to, news, "--location", from, "--json").must(t), &report)
	if report.Counts["deleted"] != 1 || report.Counts["events"] != 1 {
		t.Errorf("%+v", report)
	}
}

// What cannot be read is told, and an export that fails leaves no file.
func TestExchangeFaults(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "exchange-faults")
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	checkAll(t, []wrong{
		{name: "no JSON", c: s.call("exchange", "import", herd, file("a.json", "hello")), code: exitRefused, want: []string{"this is not the JSON of ADE resources"}},
		{name: "cut off", c: s.call("exchange", "import", herd, file("b.json", `[{"resourceType":`)), code: exitRefused, want: []string{"b.json", "ends too early"}},
		{name: "between", c: s.call("exchange", "import", herd, file("e.json", `[{} {}]`)), code: exitRefused, want: []string{"e.json", "at byte 4"}},
		{name: "empty", c: s.call("exchange", "import", herd, file("c.json", " ")), code: exitRefused, want: []string{"c.json", "ends too early"}},
		{name: "no file", c: s.call("exchange", "import", herd, filepath.Join(dir, "none.json")), code: exitRefused, want: []string{"none.json"}},
		{name: "no herd", c: s.call("exchange", "export", "no-such-herd", "-o", filepath.Join(dir, "out.json")), code: exitRefused, want: []string{"no herd of this name"}},
		{name: "no token", c: s.call("exchange", "export", herd, "--since", "yesterday", "-o", filepath.Join(dir, "out.json")), code: exitRefused, want: []string{"no token of this data set"}},
	})
	t.Cleanup(func() {
		if left, err := filepath.Glob(filepath.Join(dir, "out.json*")); err != nil || len(left) > 0 {
			t.Errorf("left behind: %v %v", left, err)
		}
	})
	mixed := file("d.json", strings.ReplaceAll(`[
		{"resourceType":"icarMilkingDryOffEventResource","meta":{"source":"x.y","sourceId":"1","modified":"2026-01-02T00:00:00Z"},"animal":{"id":"7","scheme":"tag"},"eventDateTime":"2026-01-01T00:00:00Z","pressure":7},
		{"resourceType":"icarWeightEventResource"},
		{"resourceType":"icarMilkingDryOffEventResource"}]`, "\t", ""))
	r := s.call("exchange", "import", herd, mixed).run(t)
	if r.code != exitRefused {
		t.Errorf("%+v", r)
	}
	contains(t, r.out, "3 resources read: 1 new", "1 refused, 1 without a place", "#/2/meta icarMilkingDryOffEventResource: meta is missing",
		"1 of icarWeightEventResource", "pressure of 1 icarMilkingDryOffEventResource")
}
