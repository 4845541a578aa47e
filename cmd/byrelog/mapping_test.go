package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"byrelog.example/internal/sheet"
)

// Drafting, checking and the schema need no server.
func TestMappingOffline(t *testing.T) {
	t.Parallel()
	s := &server{}
	dir := t.TempDir()
	draft := filepath.Join(dir, "draft.yaml")
	r := s.call("mapping", "suggest", sheets+"office-events.csv").run(t)
	if r.code != 0 || r.out != read(t, sheets+"office-events.draft.yaml") || !strings.HasPrefix(r.err, "Nothing is left to choose.") {
		t.Errorf("%d %s\n%s", r.code, r.err, r.out)
	}
	r = s.call("mapping", "suggest", sheets+"office-cows.csv", "-o", draft).run(t)
	if r.code != 0 || r.out != "" || read(t, draft) != read(t, sheets+"office-cows.draft.yaml") {
		t.Errorf("%d %s\n%s", r.code, r.err, r.out)
	}
	contains(t, r.err, "The draft is in "+draft, "To choose (6):", "events 2 fields method const: ai or natural or embryo (no column tells)")
	r = s.call("mapping", "check", draft).run(t)
	if r.code != 1 {
		t.Errorf("%d %s", r.code, r.out)
	}
	contains(t, r.err, "events 3 fields on dates is still to choose: d/m/y or m/d/y; cannot be told")
	contains(t, s.call("mapping", "check", sheets+"office-cows.yaml").must(t), "is a sound mapping")
	if got := s.call("mapping", "schema").must(t); got != string(sheet.MappingSchema()) {
		t.Errorf("the schema comes out as\n%s", got)
	}
	var found struct {
		Rows    int
		Mapping string
	}
	if err := json.Unmarshal([]byte(s.call("mapping", "suggest", "--json", "--source", "x", sheets+"messy.csv").must(t)), &found); err != nil || found.Rows != 38 || !strings.Contains(found.Mapping, "source: x ") {
		t.Errorf("%v %+v", err, found)
	}
	for _, tc := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"mapping", "suggest", "--sheet", "2", sheets + "messy.csv"}, 2, "--sheet goes with a workbook"},
		{[]string{"mapping", "suggest", filepath.Join(dir, "none.csv")}, 1, "no such file"},
		{[]string{"mapping", "suggest", "../../testdata/hazards/workbook.csv"}, 1, "send it as the workbook that it is"},
		{[]string{"mapping", "check", sheets + "messy.csv"}, 1, "the mapping cannot be used"},
	} {
		r := s.call(tc.args...).run(t)
		if r.code != tc.code {
			t.Errorf("%v: exit code %d", tc.args, r.code)
		}
		contains(t, r.err, tc.says)
	}
}

// A workbook goes the whole way: draft, save, dry run, import, again.
func TestImportWorkbook(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "workbook")
	file := filepath.Join(t.TempDir(), "barn.xlsx")
	f := excelize.NewFile()
	for i, row := range [][]any{
		{"Cow", "Date", "Event", "Bull"},
		{"7001", time.Date(2026, 3, 7, 0, 0, 0, 0, time.UTC), "AI", "E-11"},
		{"7002", time.Date(2026, 3, 8, 0, 0, 0, 0, time.UTC), "heat", ""},
	} {
		if err := f.SetSheetRow("Sheet1", "A"+string(rune('1'+i)), &row); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.SaveAs(file); err != nil {
		t.Fatal(err)
	}
	draft := filepath.Join(filepath.Dir(file), "barn.yaml")
	contains(t, s.call("mapping", "suggest", file, "-o", draft).run(t).err, "Nothing is left to choose.")
	contains(t, read(t, draft), "source: barn #", "sheet: Sheet1 #")
	contains(t, s.call("mapping", "put", "barn", draft).must(t), "Mapping barn is saved, version 1.")
	if dry := s.takeIn(t, 0, herd, file, "--mapping", "barn", "--dry-run"); dry.Appended != 2 {
		t.Errorf("%+v", dry)
	}
	if taken := s.takeIn(t, 0, herd, file, "--mapping", "barn"); taken.Appended != 2 {
		t.Errorf("%+v", taken)
	}
	if again := s.takeIn(t, 0, herd, file, "--mapping", "barn"); again.Appended != 0 || again.AlreadyThere != 2 {
		t.Errorf("%+v", again)
	}
	renamed := filepath.Join(filepath.Dir(file), "barn.csv")
	if err := os.Rename(file, renamed); err != nil {
		t.Fatal(err)
	}
	r := s.call("import", herd, renamed, "--mapping", "barn").run(t)
	if r.code != 1 {
		t.Errorf("exit code %d: %s", r.code, r.out)
	}
	contains(t, r.err, "whatever its name")
}
