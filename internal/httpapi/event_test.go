package httpapi_test

import (
	"net/http"
	"strings"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/httpapi/httpapitest"
)

// A note goes for good, its event stays, and what has no note says so.
func TestEraseNote(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{})
	s.Herd("alder-row")
	s.Do(httpapitest.Request{
		Method: http.MethodPost, Path: "/v1/herds/alder-row/events", Token: s.Admin,
		Body: strings.Replace(heatEvent, `"half"`, `"note":"told by a neighbour","half"`, 1),
	}).Want(http.StatusCreated)
	path := "/v1/herds/alder-row/events/0199f3a2-5c10-7b6e-9d43-0c5d7e0b2a11"
	for range 2 {
		s.Do(httpapitest.Request{Method: http.MethodDelete, Path: path + "/note", Token: s.Admin}).Want(http.StatusNoContent)
	}
	body := string(s.Do(httpapitest.Request{Path: path, Token: s.Admin}).Want(http.StatusOK).Body)
	if strings.Contains(body, "neighbour") || !strings.Contains(body, "note_hash") {
		t.Errorf("after the erasure: %s", body)
	}
	other := strings.Replace(path, "2a11", "2a12", 1)
	if p := s.Do(httpapitest.Request{Method: http.MethodDelete, Path: other + "/note", Token: s.Admin}).Want(http.StatusNotFound).Problem(); p.Code != "note-not-found" {
		t.Errorf("no such event: %+v", p)
	}
}

const heatEvent = `{"id":"0199f3a2-5c10-7b6e-9d43-0c5d7e0b2a11","animal":"0412","kind":"heat","on":"2026-11-02","half":"am","data":{"verdict":"in_heat","chalk":"rubbed","found_by":"chalk"}}`

func TestAppendAndRead(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{})
	s.Herd("alder-row")
	post := httpapitest.Request{Method: http.MethodPost, Path: "/v1/herds/alder-row/events", Token: s.Admin, Body: heatEvent}
	var first, second api.AppendAnswer
	s.Do(post).Want(http.StatusCreated).JSON(&first)
	if len(first.Results) != 1 || first.Results[0].Outcome != api.AppendResultOutcomeAppended || *first.Results[0].Seq != 1 || first.Head.Seq != 1 {
		t.Fatalf("first append: %+v", first)
	}
	s.Do(post).Want(http.StatusOK).JSON(&second)
	if second.Results[0].Outcome != api.AppendResultOutcomeAlreadyThere || *second.Results[0].Seq != 1 {
		t.Fatalf("second append: %+v", second)
	}
	post.Body = strings.Replace(heatEvent, "rubbed", "gone", 1)
	p := s.Do(post).Want(http.StatusConflict).Problem()
	if p.Code != "event-id-conflict" || (*p.Results)[0].Outcome != api.AppendResultOutcomeConflict || *(*p.Errors)[0].Pointer != "#/id" {
		t.Fatalf("conflict: %+v", p)
	}
	var page api.EventPage
	s.Do(httpapitest.Request{Path: "/v1/herds/alder-row/events", Token: s.Admin}).Want(http.StatusOK).JSON(&page)
	if len(page.Items) != 1 || page.Items[0].Seq != 1 || page.Items[0].Animal != "0412" || page.HasMore || page.HeadSeq != 1 {
		t.Fatalf("page: %+v", page)
	}
}
