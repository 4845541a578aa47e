package book

import (
	"errors"
	"io"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

// suggestName is no name for a mapping: its address drafts one.
const suggestName = "suggest"

// reading says how the reader is to take the file.
func (p importPlan) reading() []sheet.Option {
	if p.Workbook {
		return []sheet.Option{sheet.WithWorkbook()}
	}
	return nil
}

// SuggestOptions say what is known of a sample.
type SuggestOptions struct {
	Source   string // the system that the sheet comes from; empty is "sheet"
	Workbook bool   // it is a workbook (.xlsx)
	Sheet    string // which of its sheets, a name or number; empty: the only one with rows
}

// SuggestMapping drafts a mapping from the beginning of a sheet. Nothing is
// kept, and no herd is looked at.
func (b *Book) SuggestMapping(sample io.Reader, o SuggestOptions) (*sheet.Suggestion, error) {
	var opts []sheet.SuggestOption
	if o.Source != "" {
		opts = append(opts, sheet.SuggestSource(o.Source))
	}
	if o.Workbook {
		opts = append(opts, sheet.SuggestWorkbook(o.Sheet))
	}
	s, err := sheet.Suggest(sample, event.DateOf(b.now().UTC()), opts...)
	var told *Error
	if err == nil {
		return s, nil
	}
	if err = fileFault(err); errors.As(err, &told) {
		told.Detail = "the sample cannot be read: " + told.Faults[0].Detail
	}
	return nil, err
}
