package sheet

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"strings"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// utf8Name is the default encoding; it needs no decoder, the scanner checks it.
const utf8Name = "utf-8"

var charmaps = map[string]encoding.Encoding{
	"iso-8859-1":   charmap.ISO8859_1,
	"iso-8859-2":   charmap.ISO8859_2,
	"iso-8859-15":  charmap.ISO8859_15,
	"windows-1250": charmap.Windows1250,
	"windows-1251": charmap.Windows1251,
	"windows-1252": charmap.Windows1252,
	"windows-1254": charmap.Windows1254,
	"windows-1257": charmap.Windows1257,
	"macintosh":    charmap.Macintosh,
	"ibm437":       charmap.CodePage437,
	"ibm850":       charmap.CodePage850,
	"ibm852":       charmap.CodePage852,
	"ibm866":       charmap.CodePage866,
	"utf-16":       unicode.UTF16(unicode.LittleEndian, unicode.UseBOM),
	"utf-16le":     unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM),
	"utf-16be":     unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM),
}

var encodingAliases = map[string]string{
	"": utf8Name, "utf8": utf8Name, "latin1": "iso-8859-1", "latin-1": "iso-8859-1", "latin9": "iso-8859-15",
	"cp1252": "windows-1252", "cp1250": "windows-1250", "cp1251": "windows-1251", "utf16": "utf-16",
}

// Encodings lists the names that a mapping's encoding can have.
func Encodings() []string {
	return []string{
		utf8Name, "utf-16", "utf-16le", "utf-16be", "windows-1252", "windows-1250", "windows-1251", "windows-1254",
		"windows-1257", "iso-8859-1", "iso-8859-2", "iso-8859-15", "macintosh",
		"ibm437", "ibm850", "ibm852", "ibm866",
	}
}

// encodingName folds aliases and case; ok is false for an unknown name.
func encodingName(s string) (name string, ok bool) {
	s = strings.ToLower(strings.TrimSpace(s))
	if a, found := encodingAliases[s]; found {
		return a, true
	}
	_, ok = charmaps[s]
	return s, ok || s == utf8Name
}

var (
	bomUTF8  = []byte("\xef\xbb\xbf")
	bomLE    = []byte("\xff\xfe")
	bomBE    = []byte("\xfe\xff")
	magicZip = []byte("PK\x03\x04")
	magicOLE = []byte("\xd0\xcf\x11\xe0")
)

// utf8Source turns the raw file into UTF-8 without a byte order mark, having
// refused what is no CSV. A mark is the file's own word for its encoding and
// goes before what is stated for it; without one, what is stated holds. used is
// the encoding that it came to.
func utf8Source(raw io.Reader, stated string, limit int64) (src io.Reader, used string, bom bool, err error) {
	br := bufio.NewReaderSize(&limited{r: raw, left: limit, limit: limit}, 64<<10)
	head, err := br.Peek(1024)
	var fe *FileError
	if err != nil && !errors.Is(err, io.EOF) && (!errors.As(err, &fe) || len(head) == 0) {
		return nil, "", false, err
	}
	if err := refuseOther(head); err != nil {
		return nil, "", false, err
	}
	used = stated
	for _, mark := range []struct {
		name  string
		bytes []byte
	}{{utf8Name, bomUTF8}, {"utf-16le", bomLE}, {"utf-16be", bomBE}} {
		if bytes.HasPrefix(head, mark.bytes) {
			used, bom = mark.name, true
			if _, err := br.Discard(len(mark.bytes)); err != nil {
				return nil, "", false, err
			}
			break
		}
	}
	if order := zeroPattern(head); order != "" && !bom && !strings.HasPrefix(stated, "utf-16l") && !strings.HasPrefix(stated, "utf-16b") {
		used = order
	}
	switch used {
	case "utf-16":
		return nil, "", false, &FileError{
			Line: 1, Code: CodeEncoding,
			Detail:     "utf-16 is stated, but the file has no byte order mark, and without it the order of its bytes would be a guess",
			Suggestion: "state utf-16le or utf-16be in the mapping",
		}
	case utf8Name:
		return br, used, bom, nil
	}
	return transform.NewReader(br, charmaps[used].NewDecoder()), used, bom, nil
}

// zeroPattern tells UTF-16 without a mark by its zero bytes, of which no other
// encoding that is read here has any: one in each of the first pairs, in most
// of the others, and always on the same side.
func zeroPattern(head []byte) string {
	pairs := len(head) / 2
	if pairs < 2 {
		return ""
	}
	var first, second int
	for i := 0; i < 2*pairs; i += 2 {
		if head[i] == 0 {
			first++
		}
		if head[i+1] == 0 {
			second++
		}
	}
	switch {
	case first == 0 && 2*second > pairs && head[1] == 0 && head[3] == 0:
		return "utf-16le"
	case second == 0 && 2*first > pairs && head[0] == 0 && head[2] == 0:
		return "utf-16be"
	}
	return ""
}

// refuseOther tells files that only bear the name of CSV by their first bytes.
func refuseOther(head []byte) error {
	what := ""
	text := bytes.ToLower(bytes.TrimSpace(bytes.TrimPrefix(head, bomUTF8)))
	switch {
	case bytes.HasPrefix(head, magicZip):
		return &FileError{
			Line: 1, Code: CodeNotCSV, Detail: "this is a spreadsheet workbook, not CSV, whatever its name",
			Suggestion: "send it as the workbook that it is (.xlsx), or open it in the spreadsheet program and save it as CSV",
		}
	case bytes.HasPrefix(head, magicOLE):
		what = "a spreadsheet workbook"
	case bytes.HasPrefix(text, []byte("<html")), bytes.HasPrefix(text, []byte("<!doctype html")),
		bytes.HasPrefix(text, []byte("<table")):
		what = "a web page"
	case bytes.HasPrefix(text, []byte("<?xml")):
		what = "an XML document"
	case bytes.HasPrefix(head, []byte("%PDF-")):
		what = "a PDF document"
	default:
		return nil
	}
	return &FileError{
		Line: 1, Code: CodeNotCSV, Detail: "this is " + what + ", not CSV, whatever its name",
		Suggestion: "open it in the spreadsheet program and save it as CSV",
	}
}

// limited refuses a file that is larger than the limit, where io.LimitReader
// would quietly cut it.
type limited struct {
	r           io.Reader
	left, limit int64
}

func (l *limited) Read(p []byte) (int, error) {
	if l.left < 0 {
		return 0, &FileError{Code: CodeFileTooLarge, Detail: "the file is larger than the limit of " + byteCount(l.limit)}
	}
	if int64(len(p)) > l.left+1 {
		p = p[:l.left+1]
	}
	n, err := l.r.Read(p)
	l.left -= int64(n)
	if l.left < 0 {
		return n + int(l.left), &FileError{Code: CodeFileTooLarge, Detail: "the file is larger than the limit of " + byteCount(l.limit)}
	}
	return n, err
}
