package main

import (
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/repro"
)

// Every list of the demo's herd prints on the screen, on paper, as JSON and as CSV,
// with the same animals.
func TestListCommand(t *testing.T) {
	t.Parallel()
	s := demo(t)
	rows := 0
	for _, d := range repro.Lists() {
		c := args("list", "alder-row", d.Name, "--on", "2026-11-20")
		page := s.call(c...).must(t)
		contains(t, page, "alder-row: "+strings.ToLower(d.Title)+", Friday 2026-11-20")
		for _, line := range strings.Split(page, "\n") {
			if len([]rune(line)) > 110 {
				t.Errorf("%s: a line of %d characters: %s", d.Name, len([]rune(line)), line)
			}
		}
		var l api.WorkList
		parse(t, s.call(append(c, "--json")...).must(t), &l)
		text := s.call(append(c, "--csv")...).must(t)
		records, err := csv.NewReader(strings.NewReader(text)).ReadAll()
		if err != nil || len(records) != len(l.Rows)+2 { // header and end
			t.Fatalf("%s: %d records of CSV, %d rows of JSON, %v", d.Name, len(records), len(l.Rows), err)
		}
		for i, r := range l.Rows {
			if records[i+1][2] != r.Animal || records[i+1][6] != r.Text {
				t.Errorf("%s: %v, in JSON %s: %s", d.Name, records[i+1], r.Animal, r.Text)
			}
			if r.Animal != "" && !strings.Contains(page, "\n"+r.Animal) {
				t.Errorf("%s: %s is not on the page", d.Name, r.Animal)
			}
		}
		paper := filepath.Join(t.TempDir(), "list.html")
		contains(t, s.call(append(c, "--page", paper)...).must(t), paper+" is written: ")
		html, err := os.ReadFile(paper)
		if err != nil {
			t.Fatal(err)
		}
		for i := range l.Rows {
			if a := l.Rows[i].Animal; a != "" && !strings.Contains(string(html), `<td class="number">`+a+`</td>`) {
				t.Errorf("%s: %s is not on paper", d.Name, a)
			}
		}
		file := write(t, t.TempDir(), d.Name+".csv", s.call(append(c, "--csv", "--profile", "spreadsheet", "--delimiter", "tab")...).must(t))
		for name, in := range map[string]string{file: "", "-": text} {
			contains(t, call{args: []string{"verify", name}, in: strings.NewReader(in)}.must(t), fmt.Sprintf("whole and as it was given: a table of %d rows", len(l.Rows)))
		}
		cut := call{args: []string{"verify", "-"}, in: strings.NewReader(text[:len(text)-40])}.run(t)
		if cut.code != exitRefused || cut.out != "" || !strings.Contains(cut.err, "does not verify") {
			t.Errorf("%s: a list that was cut: %+v", d.Name, cut)
		}
		rows += len(l.Rows)
	}
	if rows < 100 {
		t.Errorf("all lists of a herd of 180 cows have %d rows", rows)
	}
	var l api.WorkList
	parse(t, s.call("list", "alder-row", "calve", "--on", "2026-11-20", "--days", "0", "--json").must(t), &l)
	if l.Days != 0 {
		t.Errorf("--days 0 asks for %d days", l.Days)
	}
}

// A list goes to the clinic as a form and comes back by import.
func TestListForm(t *testing.T) {
	t.Parallel()
	s := demo(t)
	file := filepath.Join(t.TempDir(), "form.csv")
	contains(t, s.call("list", "mill-lane", "diagnose", "--on", "2026-11-20", "--method", "ultrasound", "--form", file).must(t), "fill it in, then byrelog import mill-lane "+file)
	form, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(form)), "\r\n")
	filled := strings.Replace(lines[1], ",ultrasound,,", ",ultrasound,open,", 1)
	write(t, filepath.Dir(file), filepath.Base(file), strings.Replace(string(form), lines[1], filled, 1))
	var r api.ImportReport
	parse(t, s.call("import", "mill-lane", file, "--dry-run", "--json").must(t), &r)
	if n := int64(len(lines)); n < 5 || r.Counts.Rows != n-1 || r.Counts.Skipped != n-2 || r.Counts.Appended != 1 {
		t.Errorf("%d lines: %+v", len(lines), r.Counts)
	}
}

func TestVisitCommand(t *testing.T) {
	t.Parallel()
	s := demo(t)
	c := args("visit", "--herd", "alder-row", "--herd", "mill-lane", "--on", "2026-11-20")
	page := s.call(c...).must(t)
	contains(t, page, "alder-row: pregnancy diagnosis, ", "\nmill-lane: pregnancy diagnosis, ")
	var v api.Visit
	parse(t, s.call(append(c, "--json")...).must(t), &v)
	records, err := csv.NewReader(strings.NewReader(s.call(append(c, "--csv")...).must(t))).ReadAll()
	if err != nil || v.Animals < 10 || len(records) != v.Animals+2 || len(v.Herds) != 2 {
		t.Errorf("%d records of CSV, %d animals, %v", len(records), v.Animals, err)
	}
}

func TestFindingsCommand(t *testing.T) {
	t.Parallel()
	s := demo(t)
	var list []api.Check
	parse(t, s.call("checks", "alder-row", "--on", "2026-11-20", "--json").must(t), &list)
	if len(list) == 0 {
		t.Fatal("a herd recorded by people has no finding")
	}
	records, err := csv.NewReader(strings.NewReader(s.call("checks", "alder-row", "--on", "2026-11-20", "--csv").must(t))).ReadAll()
	if err != nil || len(records) != len(list)+2 {
		t.Fatalf("%d records of CSV, %d of JSON, %v", len(records), len(list), err)
	}
	text := s.call("checks", "alder-row", "--on", "2026-11-20", "--rule", list[0].Rule).must(t)
	contains(t, text, "severity", list[0].Rule, "please check: "+list[0].PleaseCheck)
	var of []api.Check
	parse(t, s.call("checks", "alder-row", "--on", "2026-11-20", "--animal", list[0].Animal, "--severity", string(list[0].Severity), "--json").must(t), &of)
	for _, x := range of {
		if x.Severity != list[0].Severity {
			t.Errorf("%+v", x)
		}
	}
	if len(of) == 0 {
		t.Errorf("no finding of %s", list[0].Animal)
	}
}

func TestTechniciansCommand(t *testing.T) {
	t.Parallel()
	s := demo(t)
	var got api.Technicians
	parse(t, s.call(args("technicians", lastYear, "--json")...).must(t), &got)
	sum := 0
	for _, r := range got.Rows {
		sum += r.Denominator
	}
	if len(got.Rows) == 0 || sum != got.Denominator || got.Denominator < 50 {
		t.Fatalf("%+v", got)
	}
	contains(t, s.call(args("technicians", lastYear)...).must(t), "99.8 % limits", "expected", got.Rows[0].Codes[0].Herd, "no judgement of a person")
	people := write(t, t.TempDir(), "people.csv", "\ufeffherd;code;person\r\nalder-row;t1;J. Reed\r\nmill-lane;t1;J. Reed\r\n")
	contains(t, s.call(args("technicians", lastYear, "--people", people)...).must(t), "J. Reed", "t1 of alder-row, t1 of mill-lane", "(not in the map)", "the map does not say whose they are")
	var fair api.Technicians
	parse(t, s.call(args("technicians", lastYear, "--people", people, "--json")...).must(t), &fair)
	if r := fair.Rows[0]; r.Person == nil || len(r.Codes) != 2 || r.Expected == nil || len(fair.Unmapped) < 3 {
		t.Errorf("%+v", fair)
	}
	out := s.call(args("summary", lastYear, "--key", "conception_risk", "--by", "technician")...).must(t)
	contains(t, out, "  "+got.Rows[0].Codes[0].Herd+"/")
}
