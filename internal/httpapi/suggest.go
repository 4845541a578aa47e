package httpapi

import (
	"io"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/sheet"
)

func (s *Server) suggestMapping(r *request) (*reply, error) {
	found, err := s.book.SuggestMapping(r.body, book.SuggestOptions{
		Source: r.text("source"), Workbook: r.media == mediaBook, Sheet: r.text("sheet"),
	})
	if err != nil {
		return nil, err
	}
	// The rest of the sample: a client that is still sending would miss the answer.
	if _, err := io.Copy(io.Discard, r.body); err != nil {
		return nil, bodyProblem(err)
	}
	if r.give == mediaYAML {
		return &reply{raw: []byte(found.Mapping), media: mediaYAML}, nil
	}
	return &reply{json: Suggestion(found)}, nil
}

// Suggestion is what a sample shows, as the contract has it.
func Suggestion(s *sheet.Suggestion) *api.MappingSuggestion {
	out := &api.MappingSuggestion{
		Rows: s.Rows, Whole: s.Whole, Sheet: wireGuess(s.Sheet), Encoding: wireGuess(s.Encoding), Delimiter: wireGuess(s.Delimiter),
		Header: *wireGuess(&s.Header), Layout: *wireGuess(&s.Layout), Footers: wireProofs(s.Footers), NotRead: texts(s.Unread),
		Mapping: s.Mapping, Choices: []api.MappingChoice{}, Columns: []api.SuggestedColumn{},
	}
	for _, c := range s.Choices {
		out.Choices = append(out.Choices, api.MappingChoice{Path: c.Path, Options: c.Options, Reason: c.Reason})
	}
	for _, c := range s.Columns {
		w := api.SuggestedColumn{
			Position: c.Position, Name: c.Name, Role: text(c.Role), Reason: c.Reason, Filled: c.Filled, Distinct: c.Distinct,
			Samples: texts(c.Samples), Words: []api.SeenWord{},
		}
		if d := c.Dates; d != nil {
			w.Dates = &api.DateOrderGuess{Order: text(d.Order), Reason: d.Reason, Proof: wireProofs(d.Proof), Options: texts(d.Options)}
		}
		for _, seen := range c.Words {
			w.Words = append(w.Words, api.SeenWord{Word: seen.Word, Count: seen.Count, Meaning: text(seen.Meaning)})
		}
		out.Columns = append(out.Columns, w)
	}
	return out
}

func wireGuess(g *sheet.Guess) *api.SheetGuess {
	if g == nil {
		return nil
	}
	return &api.SheetGuess{Value: g.Value, Reason: g.Reason, Options: texts(g.Options)}
}

func wireProofs(list []sheet.Proof) []api.SheetProof {
	out := make([]api.SheetProof, len(list))
	for i, p := range list {
		out[i] = api.SheetProof{Line: p.Line, Value: p.Value}
	}
	return out
}
