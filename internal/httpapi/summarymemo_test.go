package httpapi_test

import (
	"net/http"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/httpapi/httpapitest"
	"byrelog.example/internal/repro"
)

// A summary that is kept is given again only while nothing that it depends on has
// changed, and only to who asks the same of the same herds.
func TestSummaryIsNeverStale(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	s.Herd("second-herd")
	const path = "/v1/summary?on=2026-06-30"
	ask := func(path, token, tag string, status int) (api.Summary, *httpapitest.Response) {
		t.Helper()
		r := httpapitest.Request{Path: path, Token: token}
		if tag != "" {
			r.Header = http.Header{"If-None-Match": {tag}}
		}
		rsp := s.Do(r).Want(status)
		var out api.Summary
		if status == http.StatusOK {
			rsp.JSON(&out)
		}
		return out, rsp
	}
	_, first := ask(path, s.Admin, "", 200)
	tag := first.Header.Get("ETag")
	_, again := ask(path, s.Admin, "", 200)
	if string(again.Body) != string(first.Body) || again.Header.Get("ETag") != tag {
		t.Error("the same question has another answer")
	}
	ask(path, s.Admin, tag, 304)

	if other, _ := ask(path+"&keys=days_open", s.Admin, tag, 200); len(other.Pool) != 1 {
		t.Errorf("one key: %d indices", len(other.Pool))
	}
	one := s.Token(book.GrantSpec{Herd: "second-herd", Scopes: []book.Scope{"read"}})
	if own, _ := ask(path, one, tag, 200); len(own.Herds) != 1 || own.Herds[0].Herd != "second-herd" {
		t.Errorf("who may read one herd gets %d", len(own.Herds))
	}

	seqOf := func(x api.Summary, herd string) int64 {
		for _, h := range x.Herds {
			if h.Herd == herd {
				return h.AsOf.Seq
			}
		}
		t.Errorf("%s is not in the summary", herd)
		return 0
	}
	h, err := s.Book.Herd(t.Context(), "second-herd")
	if err != nil {
		t.Fatal(err)
	}
	e := event.New(event.KindHeat, "", "1", event.NewDate(2026, 6, 1))
	e.Data = &event.Heat{Verdict: event.InHeat}
	if _, err := s.Book.Append(t.Context(), h, []*event.Event{e}, book.AppendOptions{Unknown: repro.UnknownBegin}); err != nil {
		t.Fatal(err)
	}
	after, rsp := ask(path, s.Admin, tag, 200)
	if n := seqOf(after, "second-herd"); n != 1 {
		t.Errorf("after an append the summary stands at %d", n)
	}
	tag = rsp.Header.Get("ETag")
	ask(path, s.Admin, tag, 304)
	p := repro.DefaultPolicy()
	p.WaitFirst = 70
	if err := s.Book.PutPolicy(t.Context(), h, event.NewDate(2020, 1, 1), p, "test"); err != nil {
		t.Fatal(err)
	}
	ask(path, s.Admin, tag, 200) // another policy, perhaps other figures
}
