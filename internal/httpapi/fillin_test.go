package httpapi_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"byrelog.example/api"
)

// A list goes out as a form and comes back as it is: what was filled in is recorded,
// what was not is counted and no fault, the same file twice adds nothing, and a number
// that a program changed is refused and can be mended in the rejects.
func TestFillIn(t *testing.T) {
	t.Parallel()
	s := seededAt(t, ticking())
	for i := range 4 {
		importInto(s, herdPath+"/imports", strings.ReplaceAll("kind,animal,on,how,parity,pen,method,sire\narrival,00N,2025-01-01,purchased,2,p1,,\ncalving,00N,2026-08-01,,,,,\nbreeding,00N,2026-10-10,,,,ai,b-101\n", "N", fmt.Sprint(i))).Want(http.StatusCreated)
	}
	send := func(form string) (r api.ImportReport) {
		t.Helper()
		importInto(s, herdPath+"/imports", form).Want(http.StatusCreated).JSON(&r)
		return r
	}
	form := string(get(s, "%s/lists/diagnose/form?method=ultrasound&pen=p1", herdPath).Want(http.StatusOK).Body)
	want := "animal,about_pen,about_lactation,about_days_in_milk,about_times_bred,about_last_bred,about_days_since,about_last_bull,about_why," +
		"herd,kind,on,method,result,days_pregnant,fetuses,by,note,fill_in\r\n" +
		"000,p1,3,116,1,2026-10-10,46,b-101,result unknown,alder-row,pregnancy_diagnosis,2026-11-25,ultrasound,,,,,,000: result days_pregnant fetuses by note\r\n"
	if !strings.HasPrefix(form, want) || strings.Count(form, "\r\n") != 5 {
		t.Fatalf("the form\n%s\nbegins not with\n%s", form, want)
	}
	if c := send(form).Counts; c.Rows != 4 || c.Skipped != 4 || c.Refused != 0 || c.Appended != 0 {
		t.Errorf("blank: %+v", c)
	}
	// 000 pregnant, 001 open and typed with a capital, 002 left blank, 003 with its zeros lost.
	fill := func(form, animal, cells string) string {
		return strings.Replace(form, ",,,,,,"+animal+": ", ","+cells+","+animal+": ", 1)
	}
	filled := fill(fill(fill(form, "000", "pregnant,46,,v1,"), "001", "Open,,,v1,"), "003", "open,,,v1,")
	filled = strings.Replace(filled, "\n003,", "\n3,", 1)
	r := send(filled)
	if c := r.Counts; c.Appended != 2 || c.Skipped != 1 || c.Refused != 1 || r.Problems[0].Line != 5 || *r.Problems[0].Column != "animal" || *r.Problems[0].Value != "3" || !strings.Contains(r.Problems[0].Detail, `"003"`) {
		t.Errorf("filled in: %+v", r)
	}
	if c := send(filled).Counts; c.Appended != 0 || c.AlreadyThere != 2 {
		t.Errorf("the same again: %+v", c)
	}
	rejects := string(get(s, "%s", *r.Rejects).Want(http.StatusOK).Body)
	if c := send(strings.Replace(rejects, "\n3,", "\n003,", 1)).Counts; c.Appended != 1 {
		t.Errorf("the mended rejects: %+v\n%s", c, rejects)
	}
	var cow api.Cow
	if get(s, "%s/animals/001", herdPath).JSON(&cow); cow.Status.Code != "open" {
		t.Errorf("001 is %+v", cow.Status)
	}
	// As a spreadsheet program has it, with semicolons, guards and the rest of the cows.
	form = string(get(s, "%s/lists/diagnose/form?profile=spreadsheet&pen=p1", herdPath).Want(http.StatusOK).Body)
	if strings.Count(form, "\r\n") != 2 || !strings.Contains(form, "\n'002;") {
		t.Fatalf("the rest:\n%s", form)
	}
	if c := send(strings.Replace(form, ";;;;;;;002: ", ";BLOOD;Pregnant;;;v1;;002: ", 1)).Counts; c.Appended != 1 || c.Refused != 0 {
		t.Errorf("from a spreadsheet: %+v", c)
	}
	// Half filled in is a fault, not a guess.
	form = string(get(s, "%s/lists/examine/form", herdPath).Want(http.StatusOK).Body)
	half := strings.Replace(form, ",,,,,,0388: ", ",,strong,clear,,,0388: ", 1)
	if r := send(half); r.Counts.Refused != 1 || *r.Problems[0].Column != "verdict" {
		t.Errorf("half filled in: %+v\n%s", r, half)
	}
	if c := send(strings.Replace(half, ",,strong,", ",in_heat,strong,", 1)).Counts; c.Appended != 1 {
		t.Errorf("examined: %+v", c)
	}
	// Columns to read belong to a form only, and another herd's form is refused.
	importInto(s, herdPath+"/imports", "about_pen,kind,animal,on\np1,dry_off,000,2026-11-25\n").Want(http.StatusUnprocessableEntity)
	if r := send(strings.ReplaceAll(half, "alder-row", "mill-lane")); r.Counts.Refused != 1 {
		t.Errorf("another herd's form: %+v", r.Counts)
	}
}
