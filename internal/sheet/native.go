package sheet

import (
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"time"

	"byrelog.example/internal/event"
)

// The log's own columns behind those of event.Columns.
const (
	columnNoteHash   = "note_hash"
	columnRowCheck   = "row_check"
	columnSeq        = "seq"
	columnRecordedAt = "recorded_at"
	columnHash       = "hash"
)

// kindEnd is the kind of the record that ends an export.
const kindEnd = "end"

// logColumns are the columns of the profile behind those of event.Columns.
var logColumns = []string{columnNoteHash, columnRowCheck, columnSeq, columnRecordedAt, columnHash}

// Header names the columns of the project's profile in their fixed order.
func Header() []string {
	columns := event.Columns()
	names := make([]string, 0, len(columns)+len(logColumns))
	for i := range columns {
		names = append(names, columns[i].Name)
	}
	return append(names, logColumns...)
}

// timeLayout is how recorded_at is written: RFC 3339 in UTC with microseconds,
// always all six digits, so that equal times have equal text.
const timeLayout = "2006-01-02T15:04:05.000000Z"

// What a column of the sheet is, where it is not an index into event.Columns.
const (
	isNoteHash = -1 - iota
	isRowCheck
	isSeq
	isRecordedAt
	isHash
	isProfile
	isFillIn
	isAbout
	isReject
)

var (
	columnID     = index("event_id")
	columnHerd   = index("herd")
	columnAnimal = index("animal")
	columnKind   = index("kind")
	columnOn     = index("on")
	columnNote   = index("note")
)

// index finds a column that package event is known to have; a test holds it.
func index(name string) int {
	i, _ := event.ColumnIndex(name)
	return i
}

// nativeColumns is the header of the project's profile, and what the end of
// the file is held against.
type nativeColumns struct {
	is   []int // for each column of the sheet
	back []int // for each of event.Columns its column in the sheet, or -1
	log  [isReject * -1]int

	events  int64 // rows that are no end record
	end     *endRecord
	maxSeq  int64
	maxHash string
}

type endRecord struct {
	line int
	seq  int64
	hash string
}

// wanted counts the columns of a header that are needed.
func (r *Reader) wanted(cells []string) int {
	if !r.m.native {
		return r.wantedForeign(cells)
	}
	kind, on, known := false, false, 0
	for _, c := range cells {
		switch name := foldHeader(c); name {
		case "kind":
			kind = true
		case "on":
			on = true
		default:
			if _, ok := event.ColumnIndex(strings.ReplaceAll(name, " ", "_")); ok {
				known++
			}
		}
	}
	if !kind || !on {
		return 0
	}
	return known + 2
}

func (r *Reader) bindNative(header []string, line int) error {
	n := &r.native
	n.is = make([]int, len(header))
	n.back = make([]int, len(event.Columns()))
	for i := range n.back {
		n.back[i] = -1
	}
	for i := range n.log {
		n.log[i] = -1
	}
	var unknown, about, doubled []string
	seen := map[string]bool{}
	for i, h := range header {
		name := strings.ReplaceAll(foldHeader(h), " ", "_")
		if seen[name] {
			doubled = append(doubled, h)
			continue
		}
		seen[name] = true
		if c, ok := event.ColumnIndex(name); ok {
			n.is[i], n.back[c] = c, i
			continue
		}
		switch name {
		case columnNoteHash:
			n.is[i] = isNoteHash
		case columnRowCheck:
			n.is[i] = isRowCheck
		case columnProfile:
			n.is[i] = isProfile
		case columnFillIn:
			n.is[i] = isFillIn
		case columnSeq:
			n.is[i] = isSeq
		case columnRecordedAt:
			n.is[i] = isRecordedAt
		case columnHash:
			n.is[i] = isHash
		case columnEnd:
			return &FileError{
				Line: line, Code: CodeHeader, Detail: "this is one page of a herd's events, not its log",
				Suggestion: "fetch the export (export.csv); to send some of its rows, take the columns hash and end out, and the last row",
			}
		default:
			n.is[i] = isReject
			switch {
			case strings.HasPrefix(name, aboutPrefix):
				about = append(about, h)
				n.is[i] = isAbout
			case !isRejectColumn(name):
				unknown = append(unknown, h)
			}
		}
		n.log[-n.is[i]-1] = i
	}
	if n.log[-isFillIn-1] < 0 { // not a form
		unknown = append(unknown, about...)
	}
	switch {
	case len(doubled) > 0:
		return &FileError{Line: line, Code: CodeHeader, Detail: "the header names a column twice: " + missing(doubled)}
	case len(unknown) > 0:
		return &FileError{
			Line: line, Code: CodeHeader, Detail: "the log has no such column: " + missing(unknown),
			Suggestion: "a sheet with columns of its own needs a mapping",
		}
	case n.back[columnKind] < 0 || n.back[columnOn] < 0:
		return &FileError{
			Line: line, Code: CodeHeader, Detail: "the header must have the columns kind and on",
			Suggestion: "a sheet with columns of its own needs a mapping",
		}
	}
	return nil
}

// fromLog is the text of one of the log's own columns.
func (n *nativeColumns) fromLog(cells []string, which int) string {
	i := n.log[-which-1]
	if i < 0 || i >= len(cells) {
		return ""
	}
	return trimCell(cells[i])
}

// namesAnimal tells which of event.Columns hold the number of an animal.
var namesAnimal = func() []bool {
	columns := event.Columns()
	list := make([]bool, len(columns))
	for i := range columns {
		switch name := columns[i].Name; name {
		case "animal", "dam", "from_animal", "official_id", "to":
			list[i] = true
		default:
			list[i] = strings.HasSuffix(name, "_tag")
		}
	}
	return list
}()

// lostDigits is what a spreadsheet makes of a long number.
var lostDigits = regexp.MustCompile(`^[0-9]([.,][0-9]+)?[eE]\+?[0-9]{1,2}$`)

func (r *Reader) nativeRow(line *Line) error {
	n := &r.native
	n.events++
	if !r.takeCells(line) {
		return nil
	}
	if r.cells[columnKind] == kindEnd {
		n.events--
		return r.endRow(line)
	}
	if !r.filledIn(line) {
		return nil
	}
	r.stamp(line)
	e, err := event.FromCells(r.cells)
	if err != nil {
		return r.eventProblems(line, err, n.columnOf)
	}
	switch {
	case e.Herd == "":
		e.Herd = r.herd
	case r.herd != "" && e.Herd != r.herd:
		r.problem(line, n.back[columnHerd], "herd", event.CodeHerdMismatch, "the row belongs to herd "+quote(e.Herd)+", the import is of "+r.herd, "")
	}
	if text := n.fromLog(line.Cells, isNoteHash); text != "" && e.Note == "" {
		if e.NoteHash.UnmarshalText([]byte(text)) != nil {
			r.problem(line, n.log[-isNoteHash-1], columnNoteHash, event.CodeBadText, "64 lower-case hex digits are expected", "")
		}
	}
	if n.fromLog(line.Cells, isRowCheck) == "" {
		// With its check the row would tell by itself whether that is the name.
		for i, c := range r.cells {
			if namesAnimal[i] && lostDigits.MatchString(c) {
				r.problem(line, n.back[i], event.Columns()[i].Name, CodeScientific, scientificDetail(c), scientificHelp)
			}
		}
	}
	if err := e.Validate(r.today); err != nil {
		return r.eventProblems(line, err, n.columnOf)
	}
	r.checked(line, e)
	if len(line.Problems) > 0 {
		return nil
	}
	if r.cells[columnID] == "" {
		r.ids.give(e)
		if err := r.tooMany(line); err != nil {
			return err
		}
	}
	line.Events = []*event.Event{e}
	return nil
}

// takeCells brings the cells of a row into the order of event.Columns, without
// the guards of the spreadsheet profile. It is false for a row of a profile that
// is not known.
func (r *Reader) takeCells(line *Line) bool {
	n := &r.native
	guarded := false
	switch profile := n.fromLog(line.Cells, isProfile); profile {
	case "": // every row of the interchange profile, and one that somebody put in
	case profileSpreadsheet:
		guarded = true
	default:
		r.problem(line, n.log[-isProfile-1], columnProfile, event.CodeNotAllowed, quote(profile)+" is no profile of byrelog",
			"write "+profileSpreadsheet+" if texts bear the guards of an export, or leave the cell empty")
		return false
	}
	columns := event.Columns()
	clear(r.cells)
	for i, c := range line.Cells {
		if i >= len(n.is) || n.is[i] < 0 {
			continue
		}
		k := n.is[i]
		if k != columnNote {
			// Not trimCell: what a valid text may hold must come back as it was.
			c = strings.TrimSpace(c)
		}
		switch {
		case guarded && userText[k]:
			c = unguard(c)
		case columns[k].Type == event.Bool && (c == "TRUE" || c == "FALSE"):
			c = strings.ToLower(c) // programs write truth values in capitals
		case columns[k].Type == event.Enum || columns[k].Type == event.EnumSet:
			c = strings.ToLower(c) // and begin a word that is typed with one
		}
		r.cells[k] = c
	}
	return true
}

func (n *nativeColumns) columnOf(name string) int {
	if i, ok := event.ColumnIndex(name); ok {
		return n.back[i]
	}
	return -1
}

// stamp reads the log's own columns. What is no stamp is ignored, as the whole
// of it is by an import.
func (r *Reader) stamp(line *Line) {
	n := &r.native
	hash := n.fromLog(line.Cells, isHash)
	seq, err := strconv.ParseInt(n.fromLog(line.Cells, isSeq), 10, 64)
	if err != nil || seq < 1 {
		return
	}
	s := &Stamp{Seq: seq}
	if seq > n.maxSeq {
		n.maxSeq, n.maxHash = seq, hash
	}
	at, ok := parseTime(n.fromLog(line.Cells, isRecordedAt))
	if !ok || s.Hash.UnmarshalText([]byte(hash)) != nil {
		return
	}
	s.RecordedAt = at
	line.Stamp = s
}

// parseTime reads timeLayout and nothing else; time.Parse is slower, and takes
// forms that are not written back alike.
func parseTime(s string) (time.Time, bool) {
	if len(s) != len(timeLayout) || s[10] != 'T' || s[13] != ':' || s[16] != ':' || s[19] != '.' || s[26] != 'Z' {
		return time.Time{}, false
	}
	day, err := event.ParseDate(s[:10])
	part := func(from, to int) int {
		n := 0
		for _, c := range []byte(s[from:to]) {
			if c < '0' || c > '9' {
				return 1 << 30
			}
			n = n*10 + int(c-'0')
		}
		return n
	}
	hour, minute, second, micro := part(11, 13), part(14, 16), part(17, 19), part(20, 26)
	if err != nil || hour > 23 || minute > 59 || second > 59 || micro > 999_999 {
		return time.Time{}, false
	}
	secs := int64(day.UnixDay())*86_400 + int64(hour*3600+minute*60+second)
	return time.UnixMicro(secs*1_000_000 + int64(micro)).UTC(), true
}

// eventProblems turns the problems of an event into those of its row. Any
// other error is given back.
func (r *Reader) eventProblems(line *Line, err error, columnOf func(string) int) error {
	var ps event.Problems
	if !errors.As(err, &ps) {
		return err
	}
	for _, p := range ps {
		i := -1
		if p.Column != "" {
			i = columnOf(p.Column)
		}
		r.addOnce(line, r.fault(line, i, p.Column, p.Code, p.Detail, suggest(p)))
	}
	return nil
}

// addOnce adds a problem that the row does not have yet: the events of one row
// share cells.
func (r *Reader) addOnce(line *Line, p Problem) {
	for _, q := range line.Problems {
		if q == p || p.Column != "" && q.Column == p.Column && q.Field == p.Field {
			return
		}
	}
	line.Problems = append(line.Problems, p)
}

// suggest says what would mend a fault of an event, where that can be said.
func suggest(p event.Problem) string {
	switch p.Code {
	case event.CodeBadDate:
		return "write the date as YYYY-MM-DD"
	case event.CodeFuture:
		return "check the year, and whether day and month changed places"
	case event.CodeRequired:
		return "fill the cell"
	}
	return ""
}

// endRow takes the record that ends an export. It may stand anywhere: a file
// that was sorted is still whole.
func (r *Reader) endRow(line *Line) error {
	n := &r.native
	if n.end != nil {
		return &FileError{
			Line: line.Number, Code: CodeEndRecord, Detail: fmt.Sprintf("a second end record; the first stands in line %d", n.end.line),
			Suggestion: "import exports one by one",
		}
	}
	seq, err := strconv.ParseInt(n.fromLog(line.Cells, isSeq), 10, 64)
	if err != nil || seq < 0 {
		return &FileError{
			Line: line.Number, Code: CodeEndRecord, Detail: "the end record does not say in seq how many events the file has",
			Suggestion: "leave the end record out if the file was made by hand",
		}
	}
	if h := r.cells[columnHerd]; r.herd != "" && h != "" && h != r.herd {
		return &FileError{Line: line.Number, Code: event.CodeHerdMismatch, Detail: "the file is an export of herd " + quote(h) + ", the import is of " + r.herd}
	}
	if n.log[-isProfile-1] >= 0 && n.fromLog(line.Cells, isProfile) == "" {
		return &FileError{
			Line: line.Number, Code: CodeEndRecord, Detail: "the end record does not name its profile: the file was cut off in its last row",
			Suggestion: "fetch the export again",
		}
	}
	n.end = &endRecord{line: line.Number, seq: seq, hash: n.fromLog(line.Cells, isHash)}
	line.Skipped, line.End = "the end record", true
	r.stats.Rows--
	r.stats.Skipped--
	return nil
}

// atEnd is what the end of the file is told as: io.EOF, or that rows are
// missing.
func (r *Reader) atEnd() error {
	n := &r.native
	if !r.m.native && r.parts == nil { // of a part, the splitter does it with all the others
		if err := errors.Join(r.checkOrders(), r.checkMixed()); err != nil {
			return err
		}
	}
	if n.end == nil {
		if n.log[-isHash-1] >= 0 && n.log[-isReject-1] < 0 {
			// A file with that column is an export, which always ends with its end
			// record; a reject file has columns of its own, and a file made by hand no
			// hashes. The column decides, not its cells: a file may be cut off in its
			// first row.
			return &FileError{
				Line: r.rows.at(), Code: CodeEndRecord, Detail: "the rows are those of an export, and its end record is missing: the file was cut off",
				Suggestion: "fetch the export again; if only these rows are meant, take the column hash out",
			}
		}
		return io.EOF
	}
	if n.events != n.end.seq {
		return &FileError{
			Line: n.end.line, Code: CodeEndRecord,
			Detail:     fmt.Sprintf("the end record counts %d events, the file has %d", n.end.seq, n.events),
			Suggestion: "fetch the export again; if rows were meant to be taken out or added, take the end record out too",
		}
	}
	if n.log[-isHash-1] >= 0 && n.end.hash == "" {
		return &FileError{
			Line: n.end.line, Code: CodeEndRecord, Detail: "the end record has no hash: the file was cut off in its last row",
			Suggestion: "fetch the export again",
		}
	}
	if n.maxHash != "" && n.end.hash != "" && (n.maxSeq != n.end.seq || n.maxHash != n.end.hash) {
		return &FileError{
			Line: n.end.line, Code: CodeEndRecord,
			Detail:     fmt.Sprintf("the last event of the file (seq %d) is not the head that the end record names (seq %d)", n.maxSeq, n.end.seq),
			Suggestion: "fetch the export again",
		}
	}
	r.stats.Complete = true
	return io.EOF
}
