package sheet

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"path"
	"regexp"
	"strconv"
	"strings"

	"golang.org/x/text/encoding/unicode"

	"byrelog.example/internal/event"
)

// Bounds of a workbook, beside [Limits]: what a file of 16 MiB can inflate to
// is a thousand times as much.
const (
	bookBytes  = 16 << 20  // of the file, which is held in memory: a zip is read from its end
	bookParts  = 4096      // files in it
	bookSmall  = 8 << 20   // inflated, of the parts that say where and how the sheets are
	bookSheet  = 512 << 20 // inflated, of one sheet, which streams
	bookTexts  = 12 << 20  // of the texts that cells share, which are held in memory
	bookShared = 500_000   // how many they are
	bookToken  = 1 << 20   // of one piece of XML: a tag, a text
	bookDepth  = 64        // of nested elements
)

// WithWorkbook says that the file is a workbook (.xlsx), of which the mapping's
// sheet is read. Its cells are what the spreadsheet knows them as: a date is a
// date, by the workbook's own system of days, and goes before the order that the
// mapping states for texts.
//
// The reader is our own, over archive/zip and encoding/xml. The excelize module,
// by which its tests write workbooks, reads rows as a stream too, but drops what
// goes wrong on the way (broken XML ends the rows without an error, a shared text
// that is not there is an empty cell), and gives no types with them.
func WithWorkbook() Option { return func(r *Reader) { r.isBook = true } }

func badBook(format string, args ...any) *FileError {
	return &FileError{Code: CodeWorkbook, Detail: "the workbook is damaged: " + fmt.Sprintf(format, args...), Suggestion: "open it in the spreadsheet program and save it again"}
}

// openBook takes the workbook apart as far as its list of sheets.
func openBook(r io.Reader) (*bookFile, error) {
	raw, err := io.ReadAll(io.LimitReader(r, bookBytes+1))
	if err != nil {
		return nil, err
	}
	switch {
	case len(raw) > bookBytes:
		return nil, &FileError{Code: CodeFileTooLarge, Detail: "the workbook is larger than " + byteCount(bookBytes), Suggestion: "save the sheet as CSV, which has no such limit"}
	case bytes.HasPrefix(raw, magicOLE):
		return nil, oldBook(raw)
	case !bytes.HasPrefix(raw, magicZip):
		return nil, &FileError{Code: CodeNotWorkbook, Detail: "this is no workbook of the form .xlsx, whatever its name", Suggestion: "a CSV file is sent as text/csv; another form is to be saved as .xlsx or CSV"}
	}
	z, err := zip.NewReader(bytes.NewReader(raw), int64(len(raw)))
	if err != nil {
		return nil, badBook("it was cut off, or is no zip (%v)", err)
	}
	if len(z.File) > bookParts {
		return nil, badBook("it has more than %d parts", bookParts)
	}
	b := &bookFile{parts: map[string]*zip.File{}}
	for _, f := range z.File {
		name := strings.TrimPrefix(strings.ReplaceAll(f.Name, `\`, "/"), "/")
		if b.parts[strings.ToLower(name)] != nil {
			return nil, badBook("it has the part %s twice", quote(name))
		}
		b.parts[strings.ToLower(name)] = f
	}
	if b.parts["mimetype"] != nil {
		return nil, &FileError{Code: CodeNotWorkbook, Detail: "this is an OpenDocument file, not .xlsx", Suggestion: "save it as .xlsx or as CSV"}
	}
	return b, b.readSheets()
}

// oldBook tells the two kinds of files in the older container.
func oldBook(raw []byte) error {
	name, err := unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewEncoder().Bytes([]byte("EncryptedPackage"))
	if err == nil && bytes.Contains(raw, name) {
		return &FileError{Code: CodeEncrypted, Detail: "the workbook is protected by a password", Suggestion: "save it without one"}
	}
	return &FileError{Code: CodeNotWorkbook, Detail: "this is a workbook of the older form .xls", Suggestion: "save it as .xlsx or as CSV"}
}

// bookFile is a workbook as its parts.
type bookFile struct {
	parts   map[string]*zip.File // by name, in lower case
	sheets  []bookSheetRef
	late    bool // its days count from 1904
	texts   string
	formats string
}

type bookSheetRef struct {
	name, part string
	hidden     bool
}

// xmlPart reads the XML of a part. What it holds at a time is bounded.
type xmlPart struct {
	*xml.Decoder
	in    io.ReadCloser
	name  string
	left  int64 // bytes that may still come
	piece int   // bytes that the current token may still take
	depth int
}

func (b *bookFile) open(name string, limit int64) (*xmlPart, error) {
	f := b.parts[strings.ToLower(name)]
	if f == nil {
		return nil, badBook("its part %s is missing", quote(name))
	}
	in, err := f.Open()
	if err != nil {
		return nil, badBook("its part %s cannot be read (%v)", quote(name), err)
	}
	p := &xmlPart{in: in, name: name, left: limit}
	p.Decoder = xml.NewDecoder(p)
	return p, nil
}

func (p *xmlPart) close() { _ = p.in.Close() } // it was only read

// Read hands on what the zip inflates, within the bounds.
func (p *xmlPart) Read(to []byte) (int, error) {
	if p.piece <= 0 {
		return 0, &FileError{Code: CodeFieldTooLong, Detail: fmt.Sprintf("a cell or tag of the workbook's part %s is longer than %s", quote(p.name), byteCount(bookToken))}
	}
	n, err := p.in.Read(to[:min(len(to), 4096)])
	p.piece -= n
	if p.left -= int64(n); p.left < 0 {
		return 0, &FileError{Code: CodeFileTooLarge, Detail: fmt.Sprintf("the workbook's part %s inflates beyond its limit", quote(p.name)), Suggestion: "save the sheet as CSV"}
	}
	return n, err
}

// token gives the next piece of XML; nil at the end of a whole part.
func (p *xmlPart) token() (xml.Token, error) {
	p.piece = bookToken
	t, err := p.Token()
	if errors.Is(err, io.EOF) {
		return nil, nil
	}
	var fe *FileError
	switch {
	case errors.As(err, &fe):
		return nil, fe
	case err != nil:
		return nil, badBook("its part %s cannot be read (%v)", quote(p.name), err)
	}
	switch t.(type) {
	case xml.StartElement:
		if p.depth++; p.depth > bookDepth {
			return nil, badBook("its part %s is nested too deep", quote(p.name))
		}
	case xml.EndElement:
		p.depth--
	case xml.Directive:
		return nil, badBook("its part %s has declarations that no workbook has", quote(p.name))
	}
	return t, nil
}

// each visits the start tags of a part.
func (b *bookFile) each(name string, visit func(xml.StartElement) error) error {
	p, err := b.open(name, bookSmall)
	if err != nil {
		return err
	}
	defer p.close()
	for {
		t, err := p.token()
		if err != nil || t == nil {
			return err
		}
		if e, ok := t.(xml.StartElement); ok {
			if err := visit(e); err != nil {
				return err
			}
		}
	}
}

func attr(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// related lists what a part refers to: id -> part, and type -> part.
func (b *bookFile) related(part string) (byID, byType map[string]string, err error) {
	byID, byType = map[string]string{}, map[string]string{}
	dir, base := path.Split(part)
	err = b.each(dir+"_rels/"+base+".rels", func(e xml.StartElement) error {
		if e.Name.Local != "Relationship" || attr(e, "TargetMode") == "External" {
			return nil
		}
		target := attr(e, "Target")
		if strings.HasPrefix(target, "/") {
			target = strings.TrimPrefix(path.Clean(target), "/")
		} else {
			target = path.Join(dir, target)
		}
		byID[attr(e, "Id")] = target
		byType[path.Base(attr(e, "Type"))] = target
		return nil
	})
	return byID, byType, err
}

func (b *bookFile) readSheets() error {
	_, byType, err := b.related("")
	if err != nil {
		return err
	}
	main := byType["officeDocument"]
	switch {
	case strings.HasSuffix(main, ".bin"):
		return &FileError{Code: CodeNotWorkbook, Detail: "this is a workbook of the binary form .xlsb", Suggestion: "save it as .xlsx or as CSV"}
	case main == "" || b.parts[strings.ToLower(main)] == nil:
		return &FileError{Code: CodeNotWorkbook, Detail: "this is a zip and no workbook", Suggestion: "send the sheet itself, as .xlsx or CSV"}
	}
	ids, types, err := b.related(main)
	if err != nil {
		return err
	}
	b.texts, b.formats = types["sharedStrings"], types["styles"]
	book := false
	err = b.each(main, func(e xml.StartElement) error {
		switch e.Name.Local {
		case "workbook":
			book = true
		case "workbookPr":
			v := attr(e, "date1904")
			b.late = v == "1" || v == "true"
		case "sheet":
			part := ids[attr(e, "id")]
			if part == "" || len(b.sheets) == maxSheets {
				return badBook("its sheet %s is not to be found", quote(attr(e, "name")))
			}
			if strings.Contains(strings.ToLower(part), "worksheets/") {
				b.sheets = append(b.sheets, bookSheetRef{attr(e, "name"), part, attr(e, "state") != "" && attr(e, "state") != "visible"})
			}
		}
		return nil
	})
	if err == nil && !book {
		return &FileError{Code: CodeNotWorkbook, Detail: "this is a document and no workbook", Suggestion: "send the sheet itself, as .xlsx or CSV"}
	}
	return err
}

// find chooses the sheet: the named or numbered one, or the only one that is
// visible and holds anything.
func (b *bookFile) find(wanted string) (*bookSheetRef, error) {
	var names []string
	for i := range b.sheets {
		s := &b.sheets[i]
		names = append(names, s.name)
		if wanted != "" && foldWord(s.name) == foldWord(wanted) {
			return s, nil
		}
	}
	if n, err := strconv.Atoi(wanted); err == nil && n >= 1 && n <= len(b.sheets) {
		return &b.sheets[n-1], nil
	}
	if wanted != "" {
		return nil, &FileError{Code: CodeSheet, Detail: "the workbook has no sheet " + quote(wanted), Suggestion: "it has " + shownList(names)}
	}
	var found []*bookSheetRef
	names = nil
	for i := range b.sheets {
		s := &b.sheets[i]
		if s.hidden {
			continue
		}
		if some, err := b.holds(s); err != nil {
			return nil, err
		} else if some {
			found = append(found, s)
			names = append(names, s.name)
		}
	}
	switch len(found) {
	case 0:
		return nil, &FileError{Code: CodeNoHeader, Detail: "no sheet of the workbook that is visible holds anything"}
	case 1:
		return found[0], nil
	}
	return nil, &FileError{Code: CodeSheet, Detail: "several sheets of the workbook hold rows: " + shownList(names), Suggestion: "say which one in the mapping: sheet, a name or a number"}
}

// holds tells whether a sheet has a cell with a value.
func (b *bookFile) holds(s *bookSheetRef) (bool, error) {
	p, err := b.open(s.part, bookSheet)
	if err != nil {
		return false, err
	}
	defer p.close()
	for {
		t, err := p.token()
		if err != nil || t == nil {
			return false, err
		}
		if e, ok := t.(xml.StartElement); ok && (e.Name.Local == "v" || e.Name.Local == "is") {
			return true, nil
		}
	}
}

// sharedTexts are the texts of the workbook, in blocks, so that growing does
// not copy them.
type sharedTexts struct {
	blocks [][]byte
	index  []textPlace
	size   int
}

type textPlace struct{ block, from, to uint32 }

const textBlock = 256 << 10

func (t *sharedTexts) add(s []byte) error {
	if t.size += len(s); t.size > bookTexts || len(t.index) == bookShared {
		return &FileError{Code: CodeFileTooLarge, Detail: fmt.Sprintf("the workbook's texts are more than %s or %d", byteCount(bookTexts), bookShared), Suggestion: "save the sheet as CSV"}
	}
	n := len(t.blocks)
	if n == 0 || cap(t.blocks[n-1])-len(t.blocks[n-1]) < len(s) {
		t.blocks = append(t.blocks, make([]byte, 0, max(textBlock, len(s))))
		n++
	}
	block := &t.blocks[n-1]
	from := len(*block)
	*block = append(*block, s...)
	t.index = append(t.index, textPlace{uint32(n - 1), uint32(from), uint32(len(*block))}) //nolint:gosec // bounded by bookTexts
	return nil
}

func (t *sharedTexts) get(i int) (string, bool) {
	if i < 0 || i >= len(t.index) {
		return "", false
	}
	p := t.index[i]
	return string(t.blocks[p.block][p.from:p.to]), true
}

// readTexts reads the texts that cells share. Those above the signs (phonetic
// runs) are no part of them.
func (b *bookFile) readTexts(limit int) (*sharedTexts, error) {
	out := &sharedTexts{}
	if b.texts == "" {
		return out, nil
	}
	p, err := b.open(b.texts, bookSheet)
	if err != nil {
		return nil, err
	}
	defer p.close()
	for {
		t, err := p.token()
		if err != nil || t == nil {
			return out, err
		}
		if e, ok := t.(xml.StartElement); ok && e.Name.Local == "si" {
			text, err := p.text("si", limit)
			if err != nil {
				return nil, err
			}
			if err := out.add(text); err != nil {
				return nil, err
			}
		}
	}
}

// text reads the t elements up to the end of the element that is open.
func (p *xmlPart) text(until string, limit int) ([]byte, error) {
	var out []byte
	in, skip := false, 0
	for {
		t, err := p.token()
		if err != nil {
			return nil, err
		}
		switch t := t.(type) {
		case nil:
			return nil, badBook("its part %s ends in the middle", quote(p.name))
		case xml.StartElement:
			in = t.Name.Local == "t"
			if t.Name.Local == "rPh" {
				skip++
			}
		case xml.EndElement:
			in = false
			switch t.Name.Local {
			case "rPh":
				skip--
			case until:
				return unescape(out), nil
			}
		case xml.CharData:
			if in && skip == 0 {
				out = append(out, t...)
			}
			if len(out) > limit {
				return nil, &FileError{Code: CodeFieldTooLong, Detail: "a text of the workbook is longer than " + byteCount(int64(limit))}
			}
		}
	}
}

var escaped = regexp.MustCompile(`_x00(0[AaDd9]|5[Ff])_`)

// unescape puts back the line ends and underscores that a workbook writes as
// _x000D_; other control characters stay as they are written.
func unescape(s []byte) []byte {
	if bytes.Contains(s, []byte("_x00")) {
		s = escaped.ReplaceAllFunc(s, func(code []byte) []byte {
			return map[string][]byte{"D": {'\r'}, "A": {'\n'}, "9": {'\t'}, "F": {'_'}}[strings.ToUpper(string(code[5:6]))]
		})
	}
	if bytes.IndexByte(s, '\r') >= 0 {
		s = bytes.ReplaceAll(bytes.ReplaceAll(s, []byte("\r\n"), []byte("\n")), []byte("\r"), []byte("\n"))
	}
	return s
}

// day is the date of a day number in the workbook's system. In that of 1900 the
// first 59 days are one later than the rest, since the 60th never was: it gives
// none.
func (b *bookFile) day(n event.Date) event.Date {
	switch {
	case b.late:
		return serial1904 + n
	case n == 60:
		return 0
	case n < 60:
		return serial1900 + n + 1
	}
	return serial1900 + n
}
