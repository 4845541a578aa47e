package httpapi

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
)

// What is written by hand is what the contract's types give.
func TestAppendAnswerByHand(t *testing.T) {
	herd := &book.Herd{Name: "alder-row"}
	at := time.Date(2026, 6, 30, 4, 5, 6, 70_000_000, time.UTC)
	id := uuid.MustParse("0199f3a2-5c10-7b6e-9d43-0c5d7e0b2a11")
	for name, r := range map[string]*book.Receipt{
		"one": {
			Results: []book.Result{{ID: id, Seq: 7, Outcome: book.Appended, Hash: event.Digest{1, 2, 250}}},
			Head:    book.Head{Seq: 7, Hash: event.Digest{1, 2, 250}, RecordedAt: at},
		},
		"two, one of them there before": {
			Results: []book.Result{{ID: id, Seq: 7, Outcome: book.AlreadyThere, Hash: event.Digest{9}}, {ID: uuid.Max, Seq: 8, Outcome: book.Appended, Hash: event.Digest{8}}},
			Head:    book.Head{Seq: 8, Hash: event.Digest{8}, RecordedAt: at.Add(time.Microsecond)},
		},
		"none stored": {Results: []book.Result{{ID: id, Outcome: book.InConflict}}},
	} {
		_, got := appendAnswer(herd, r, 3)
		var want bytes.Buffer
		if err := encodeJSON(&want, &api.AppendAnswer{Herd: herd.Name, Results: resultsOf(r.Results), Head: wireHead(r.Head, 3)}); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want.Bytes()) || !json.Valid(got) {
			t.Errorf("%s:\n%s\nby hand, but\n%s", name, got, want.Bytes())
		}
	}
}
