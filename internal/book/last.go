package book

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/store"
)

// Request is what one request of a token has put into a herd's log, as far as it stands.
type Request struct {
	Operation string
	At        time.Time
	Items     []Item // in the order of the log
	Texts     []string
}

// LastRequest finds the last request of the principal to the herd of which anything
// still stands; without items if there is none. Which requests there were is known from their idempotency keys, which
// rounds always have and appends where the client sends one; they are kept for some
// days. Voids are no part of it: they cannot be withdrawn.
func (b *Book) LastRequest(ctx context.Context, h *Herd, p *Principal) (*Request, error) {
	const most = 50 // nobody undoes more in a row
	list, err := b.db.Requests(ctx, h.ID, p.Owner(), statusCreated, most)
	if err != nil {
		return nil, wrap("find the last request", err)
	}
	for _, r := range list {
		q, err := b.standing(ctx, h, r)
		if err != nil || len(q.Items) > 0 {
			return q, err
		}
	}
	return &Request{}, nil
}

// standing reads what a request has appended and nobody has withdrawn.
func (b *Book) standing(ctx context.Context, h *Herd, r store.IdempotencyRecord) (*Request, error) {
	var answer struct {
		Results []struct {
			ID      uuid.UUID `json:"id"`
			Outcome Outcome   `json:"outcome"`
		} `json:"results"`
	}
	q := &Request{Operation: r.Operation, At: r.CreatedAt}
	if err := json.Unmarshal(r.Body, &answer); err != nil {
		return nil, wrap("read the last request", err)
	}
	var ids []uuid.UUID
	for _, res := range answer.Results {
		if res.Outcome == Appended {
			ids = append(ids, res.ID)
		}
	}
	for part := range slices.Chunk(ids, maxPage) {
		page, err := b.db.Page(ctx, h.ID, store.Filter{IDs: part, Limit: maxPage})
		if err != nil {
			return nil, wrap("read the last request", err)
		}
		err = b.View(ctx, h, AsOf{}, func(v *View) error {
			for _, row := range page.Rows {
				if row.Kind == event.KindVoid.String() || v.Voided(row.Seq) {
					continue
				}
				e, err := event.DecodeCanonical(row.Bytes)
				if err != nil {
					return err
				}
				q.Items, q.Texts = append(q.Items, Item{Row: row}), append(q.Texts, Tell(e))
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return q, nil
}

const (
	maxPage = 1000
	// statusCreated is what a request that appended something was answered with; the
	// service knows no HTTP but for the status that Key.Render gives.
	statusCreated = 201
)

// Tell says in words what an event records: of whom and when, and what.
func Tell(e *event.Event) string {
	s := e.On.String() + " "
	if when := e.At + e.Half; when != "" {
		s += when + " "
	}
	if e.Animal != "" {
		s += e.Animal + ": "
	}
	bare := *e
	bare.At, bare.Half = "", ""
	s += wordsOf(&bare)
	if d, ok := e.Data.(*event.Arrival); ok && d.How != "" {
		s += ", " + d.How
	}
	return s
}
