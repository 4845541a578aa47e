package sheet

import (
	"errors"
	"io"
	"math"
	"time"

	"byrelog.example/internal/event"
)

// Report is what [VerifyExport] found.
type Report struct {
	Herd       string       `json:"herd"`
	Events     int64        `json:"events"` // events whose hash was recomputed and fits
	Hash       event.Digest `json:"hash"`   // the chain at the last of them
	RecordedAt time.Time    `json:"recorded_at"`
	Notes      int64        `json:"notes"`  // notes whose commitment was recomputed
	Erased     int64        `json:"erased"` // commitments whose note is erased
	Complete   bool         `json:"complete"`
}

// VerifyExport reads an export of the project's profile and recomputes, row by
// row, the canonical bytes, the leaf and the chain, and at the end the head that
// the end record names. It needs nothing but the file. What it proves: the
// rows are those of a log whose head has that hash, none changed, left out,
// added or moved. The report counts what was sound up to the first fault, which
// is the error: a *[FileError] with line and seq, or what r failed with.
func VerifyExport(r io.Reader) (Report, error) {
	rd, err := NewReader(r, Native(), "", event.NewDate(2199, 12, 31), WithLimits(Limits{Rows: math.MaxInt32, Bytes: math.MaxInt64 - 1}))
	if err != nil {
		return Report{}, err
	}
	v := verifier{rd: rd}
	for {
		line, err := rd.Next()
		if errors.Is(err, io.EOF) {
			return v.report, v.end()
		}
		if err != nil {
			return v.report, err
		}
		if err := v.row(&line); err != nil {
			return v.report, err
		}
	}
}

type verifier struct {
	rd     *Reader
	report Report
	on     event.Date // of the last event
	buf    []byte
}

func fault(line *Line, seq int64, code, detail string) error {
	return &FileError{Line: line.Number, Seq: seq, Code: code, Detail: detail}
}

func (v *verifier) row(line *Line) error {
	next := v.report.Events + 1
	if v.rd.native.end != nil && line.Skipped == "" {
		return fault(line, next, CodeEndRecord, "a row follows the end record")
	}
	if line.Skipped != "" {
		return v.endRow(line)
	}
	if len(line.Problems) > 0 {
		p := line.Problems[0]
		if p.Code == CodeRowCheck {
			p.Code, p.Detail = CodeChain, "row_check does not fit: this row is not what the log's hash was made of, or its row_check was changed"
		}
		return fault(line, next, p.Code, p.Detail)
	}
	s, e := line.Stamp, line.Events[0]
	switch {
	case v.rd.native.log[-isRowCheck-1] >= 0 && v.rd.native.fromLog(line.Cells, isRowCheck) == "":
		return fault(line, next, CodeChain, "row_check is missing")
	case v.rd.native.log[-isProfile-1] >= 0 && v.rd.native.fromLog(line.Cells, isProfile) == "":
		return fault(line, next, CodeChain, "profile is missing")
	case s == nil:
		return fault(line, next, CodeChain, "seq, recorded_at or hash is missing or malformed")
	case s.Seq != next:
		return fault(line, next, CodeOrder, "the rows do not follow one another by seq")
	case s.RecordedAt.Before(v.report.RecordedAt):
		return fault(line, next, CodeOrder, "recorded_at is earlier than that of the row before")
	case v.report.Herd != "" && e.Herd != v.report.Herd:
		return fault(line, next, event.CodeHerdMismatch, "the row is of another herd than those before")
	}
	if e.Note != "" {
		e.Seal(e.NoteSalt)
		v.report.Notes++
		if stated := v.rd.native.fromLog(line.Cells, isNoteHash); stated != "" && stated != e.NoteHash.String() {
			return fault(line, next, CodeChain, "note_hash is not the commitment to the note")
		}
	} else if e.NoteHash != (event.Digest{}) {
		v.report.Erased++
	}
	v.buf = e.AppendCanonical(v.buf[:0])
	hash := event.Link(e.Herd, s.Seq, s.RecordedAt, v.report.Hash, event.Leaf(v.buf))
	if hash != s.Hash {
		return fault(line, next, CodeChain, "the hash does not fit: this row, or one before it, is not what the log holds")
	}
	v.report.Herd, v.report.Events, v.report.Hash, v.report.RecordedAt = e.Herd, s.Seq, hash, s.RecordedAt
	v.on = e.On
	return nil
}

// endRow holds the end record against the chain up to it.
func (v *verifier) endRow(line *Line) error {
	end := v.rd.native.end
	switch {
	case end.seq != v.report.Events:
		return fault(line, 0, CodeEndRecord, "the end record counts other events than the file has")
	case end.hash != v.report.Hash.String():
		return fault(line, 0, CodeEndRecord, "the end record names another head than the rows lead to")
	case v.rd.cells[columnID] != EndID(v.report.Hash).String():
		return fault(line, 0, CodeEndRecord, "the end record's event_id does not fit the head")
	case v.report.Herd != "" && v.rd.cells[columnHerd] != v.report.Herd:
		return fault(line, 0, event.CodeHerdMismatch, "the end record is of another herd than the rows")
	case v.report.Events > 0 && v.rd.native.fromLog(line.Cells, isRecordedAt) != v.report.RecordedAt.Format(timeLayout):
		return fault(line, 0, CodeEndRecord, "the end record has another recorded_at than the last event")
	}
	for i, c := range v.rd.cells {
		want := ""
		switch i {
		case columnID, columnHerd, columnKind:
			continue
		case columnOn:
			want = v.on.String()
		}
		if c != want {
			return fault(line, 0, CodeEndRecord, "the end record has another "+event.Columns()[i].Name+" than the log's head gives it")
		}
	}
	if v.report.Herd == "" {
		v.report.Herd = v.rd.cells[columnHerd]
	}
	return nil
}

func (v *verifier) end() error {
	if v.rd.native.end == nil {
		return &FileError{Line: v.rd.sc.line, Code: CodeEndRecord, Detail: "the file has no end record: it was cut off"}
	}
	v.report.Complete = true
	return nil
}
