package sheet_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

// fromExport reads an export back as a log.
func fromExport(t interface{ Fatalf(string, ...any) }, doc []byte) []*event.Recorded {
	r, err := sheet.NewReader(bytes.NewReader(doc), sheet.Native(), herd, today)
	if err != nil {
		t.Fatalf("%v", err)
	}
	var log []*event.Recorded
	for {
		line, err := r.Next()
		if errors.Is(err, io.EOF) {
			if !r.Stats().Complete {
				t.Fatalf("the end record was not found")
			}
			return log
		}
		if err != nil {
			t.Fatalf("%v", err)
		}
		if len(line.Problems)+len(line.Notices) > 0 {
			t.Fatalf("problems %v %v in %q", line.Problems, line.Notices, line.Cells)
		}
		if len(line.Events) == 0 {
			continue
		}
		e := line.Events[0]
		e.Seal(e.NoteSalt)
		log = append(log, &event.Recorded{
			Event: *e, Seq: line.Stamp.Seq, RecordedAt: line.Stamp.RecordedAt,
			Bytes: e.Canonical(), Hash: line.Stamp.Hash,
		})
	}
}

// TestRoundTrip is the law of the profile: what is exported comes back as the
// same bytes, notes and salts, and exported again is the same file.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := recorded(12).Draw(t, "log")
		doc := export(t, log)
		back := fromExport(t, doc)
		if len(back) != len(log) {
			t.Fatalf("%d events came back of %d", len(back), len(log))
		}
		for i, r := range log {
			b := back[i]
			if !bytes.Equal(r.Bytes, b.Bytes) || r.Note != b.Note || r.NoteSalt != b.NoteSalt || r.NoteHash != b.NoteHash {
				t.Fatalf("seq %d came back changed:\n%s note %q %s\n%s note %q %s", r.Seq, r.Bytes, r.Note, r.NoteSalt, b.Bytes, b.Note, b.NoteSalt)
			}
		}
		if again := export(t, back); !bytes.Equal(doc, again) {
			t.Fatalf("exported again it differs:\n%s\n%s", doc, again)
		}
		report, err := sheet.VerifyExport(bytes.NewReader(doc))
		if err != nil || !report.Complete || report.Events != int64(len(log)) {
			t.Fatalf("%+v, %v", report, err)
		}
	})
}

// TestOtherReader holds the written form against another implementation of
// RFC 4180, the standard library's.
func TestOtherReader(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		log := recorded(6).Draw(t, "log")
		rows, err := csv.NewReader(bytes.NewReader(export(t, log))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		if len(rows) != len(log)+2 || strings.Join(rows[0], ",") != strings.Join(sheet.Header(), ",") {
			t.Fatalf("%d rows, header %q", len(rows), rows[0])
		}
		for i, r := range log {
			check := rows[i+1][len(rows[0])-4]
			if !strings.HasPrefix(check, "r") || len(check) != 25 {
				t.Fatalf("row %d has the check %q", i+1, check)
			}
			want := append(r.Cells(nil), "", check, fmt.Sprint(r.Seq), r.RecordedAt.Format("2006-01-02T15:04:05.000000Z"), r.Hash.String())
			if r.NoteHash != (event.Digest{}) {
				want[len(want)-5] = r.NoteHash.String()
			}
			if strings.Join(rows[i+1], "\x00") != strings.Join(want, "\x00") {
				t.Fatalf("row %d\n got %q\nwant %q", i+1, rows[i+1], want)
			}
		}
	})
}

// TestWrittenForm fixes the bytes: delimiter, line ends, quoting, end record.
func TestWrittenForm(t *testing.T) {
	e := event.New(event.KindMove, herd, "0017", event.NewDate(2026, 3, 1))
	e.Data = &event.Move{Pen: "a, b"}
	e.Note = " 5\" high\nand wet"
	e.ID = sheet.EndID(event.Digest{1})
	e.Seal(event.Salt{9})
	at := time.Date(2026, 3, 2, 1, 2, 3, 4000, time.UTC)
	hash := event.Link(herd, 1, at, event.Digest{}, event.Leaf(e.Canonical()))
	doc := string(export(t, []*event.Recorded{{Event: *e, Seq: 1, RecordedAt: at, Bytes: e.Canonical(), Hash: hash}}))
	lines := strings.Split(doc, "\r\n")
	if len(lines) != 4 || lines[3] != "" {
		t.Fatalf("want header, row, end record and nothing behind the last CRLF:\n%q", lines)
	}
	for _, part := range []string{
		e.ID.String() + ",north-farm,0017,move,2026-03-01,,,,,,",
		`,"a, b",`, `," 5"" high` + "\n" + `and wet",09000000000000000000000000000000,` + e.NoteHash.String() + ",rj37onw6xxlvbowwlk4cxm2cg,1,2026-03-02T01:02:03.000004Z," + hash.String(),
	} {
		if !strings.Contains(lines[1], part) {
			t.Errorf("the row lacks %q:\n%s", part, lines[1])
		}
	}
	end := sheet.EndID(hash).String() + ",north-farm,,end,2026-03-01," + strings.Repeat(",", len(sheet.Header())-8) + "1,2026-03-02T01:02:03.000004Z," + hash.String()
	if lines[2] != end {
		t.Errorf("end record\n got %s\nwant %s", lines[2], end)
	}
}

func TestEmptyLog(t *testing.T) {
	doc := export(t, nil)
	report, err := sheet.VerifyExport(bytes.NewReader(doc))
	if err != nil || !report.Complete || report.Herd != herd || report.Events != 0 {
		t.Errorf("%+v, %v", report, err)
	}
	if log := fromExport(t, doc); len(log) != 0 {
		t.Errorf("an empty log gave %d events", len(log))
	}
}

// TestWriterRefuses: an export never has a gap or a foreign row.
func TestWriterRefuses(t *testing.T) {
	log := fixedLog(t, 6)
	for name, spoil := range map[string]func(*event.Recorded){
		"gap":  func(r *event.Recorded) { r.Seq++ },
		"herd": func(r *event.Recorded) { r.Herd = "south-farm" },
	} {
		var out bytes.Buffer
		w, err := sheet.NewWriter(&out, herd)
		if err != nil {
			t.Fatal(err)
		}
		r := *log[0]
		spoil(&r)
		if err := w.Write(&r); err == nil {
			t.Errorf("%s: written", name)
		}
		if err := w.Close(); err == nil {
			t.Errorf("%s: closed as if whole", name)
		}
	}
	if _, err := sheet.NewWriter(io.Discard, "North Farm"); err == nil {
		t.Error("a herd's name with a space was taken")
	}
	// Every write of the file below fails once.
	doc := export(t, log)
	for after := 0; after < len(doc); after += 97 {
		w, err := sheet.NewWriter(&failing{left: after}, herd)
		for i := 0; err == nil && i < len(log); i++ {
			err = w.Write(log[i])
		}
		if err == nil {
			err = w.Close()
		}
		if !errors.Is(err, errDisk) {
			t.Fatalf("a disk that fills after %d bytes: %v", after, err)
		}
	}
}

var errDisk = errors.New("the disk is full")

type failing struct{ left int }

func (f *failing) Write(p []byte) (int, error) {
	if f.left -= len(p); f.left < 0 {
		return 0, errDisk
	}
	return len(p), nil
}

// TestCutOff: a file that was cut anywhere is told from a whole one, both by
// verification and by import.
func TestCutOff(t *testing.T) {
	log := fixedLog(t, 6)
	for name, doc := range map[string][]byte{"interchange": export(t, log), "spreadsheet": exportSpreadsheet(t, log, 0)} {
		whole := len(doc) - len("\r\n")
		for n := range whole {
			if _, err := sheet.VerifyExport(bytes.NewReader(doc[:n])); err == nil {
				t.Fatalf("%s: cut after %d of %d bytes it still verifies: …%q", name, n, whole, doc[max(0, n-40):n])
			}
			_, r, err := tryAll(doc[:n], sheet.Native())
			switch {
			case err != nil:
			case r.Stats().Complete || r.Stats().Events > 0:
				t.Fatalf("%s: cut after %d of %d bytes the import takes %d events, as a whole: %t", name, n, whole, r.Stats().Events, r.Stats().Complete)
			}
		}
		if _, err := sheet.VerifyExport(bytes.NewReader(doc)); err != nil {
			t.Errorf("%s: the whole file does not verify: %v", name, err)
		}
	}
}

// TestTamper changes one byte anywhere. Either verification names the row, or
// the change means nothing (the case of a hex digit in a UUID) and what is read
// is the same log.
func TestTamper(t *testing.T) {
	log := fixedLog(t, 6)
	want := export(t, log)
	for name, doc := range map[string][]byte{"interchange": want, "spreadsheet": exportSpreadsheet(t, log, ',')} {
		harmless := 0
		for i := range doc {
			for _, flip := range []byte{0x01, 0x20, 0x40} {
				bad := bytes.Clone(doc)
				bad[i] ^= flip
				if _, err := sheet.VerifyExport(bytes.NewReader(bad)); err != nil {
					continue
				}
				harmless++
				if again := export(t, fromExport(t, bad)); !bytes.Equal(again, want) {
					t.Fatalf("%s: byte %d changed from %q to %q, and another log verifies", name, i, doc[i], bad[i])
				}
			}
		}
		if harmless > 3*len(doc)/10 {
			t.Errorf("%s: %d changes of %d went without effect: verification hardly looks", name, harmless, 3*len(doc))
		}
	}
}

// TestVerifyNames the first bad row when whole rows are changed, moved, left
// out, doubled or added.
func TestVerifyNames(t *testing.T) {
	log := fixedLog(t, 8)
	doc := export(t, log)
	rows, err := csv.NewReader(bytes.NewReader(doc)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rewrite := func(change func([][]string) [][]string) []byte {
		var c [][]string
		for _, r := range rows {
			c = append(c, append([]string(nil), r...))
		}
		var out bytes.Buffer
		w := csv.NewWriter(&out)
		w.UseCRLF = true
		if err := w.WriteAll(change(c)); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	on := 4
	for _, tc := range []struct {
		name, code string
		seq        int64
		change     func([][]string) [][]string
	}{
		{"a date is changed", sheet.CodeChain, 2, func(r [][]string) [][]string { r[2][on] = "2001-01-01"; return r }},
		{"two rows change places", sheet.CodeOrder, 1, func(r [][]string) [][]string { r[1], r[2] = r[2], r[1]; return r }},
		{"a row is left out", sheet.CodeOrder, 2, func(r [][]string) [][]string { return append(r[:2], r[3:]...) }},
		{"the last row is left out", sheet.CodeEndRecord, 0, func(r [][]string) [][]string { return append(r[:len(r)-2], r[len(r)-1]) }},
		{"a row is doubled", sheet.CodeOrder, 2, func(r [][]string) [][]string { return append(r[:2], r[1:]...) }},
		{"the end record is gone", sheet.CodeEndRecord, 0, func(r [][]string) [][]string { return r[:len(r)-1] }},
		{"a row follows the end", sheet.CodeEndRecord, int64(len(log) + 1), func(r [][]string) [][]string { return append(r, r[1]) }},
		{"the end names another head", sheet.CodeEndRecord, 0, func(r [][]string) [][]string {
			r[len(r)-1][len(r[0])-1] = strings.Repeat("0", 64)
			return r
		}},
		{"the end has another date", sheet.CodeEndRecord, 0, func(r [][]string) [][]string { r[len(r)-1][on] = "2001-01-01"; return r }},
		{"the end has another id", sheet.CodeEndRecord, 0, func(r [][]string) [][]string { r[len(r)-1][0] = r[1][0]; return r }},
		{"the end has another time", sheet.CodeEndRecord, 0, func(r [][]string) [][]string {
			r[len(r)-1][len(r[0])-2] = "2001-01-01T00:00:00.000000Z"
			return r
		}},
		{"a hash is missing", sheet.CodeChain, 1, func(r [][]string) [][]string { r[1][len(r[0])-1] = ""; return r }},
		{"another herd", event.CodeHerdMismatch, 2, func(r [][]string) [][]string { r[2][1] = "south-farm"; return r }},
	} {
		_, err := sheet.VerifyExport(bytes.NewReader(rewrite(tc.change)))
		var fe *sheet.FileError
		if !errors.As(err, &fe) || fe.Code != tc.code || fe.Seq != tc.seq || fe.Line == 0 {
			t.Errorf("%s: got %#v, want code %s at seq %d", tc.name, err, tc.code, tc.seq)
		}
	}
	same, err := sheet.VerifyExport(bytes.NewReader(rewrite(func(r [][]string) [][]string { return r })))
	if err != nil || same.Hash != log[len(log)-1].Hash {
		t.Errorf("control: %+v, %v", same, err)
	}
}

// TestVerifyTime: a chain that fits and goes back in time is none: what was
// known at a time must be a beginning of the log.
func TestVerifyTime(t *testing.T) {
	log := fixedLog(t, 4)
	var head event.Digest
	for i, r := range log {
		r.RecordedAt = time.Date(2026, 1, 9-i, 0, 0, 0, 0, time.UTC)
		r.Hash = event.Link(herd, r.Seq, r.RecordedAt, head, event.Leaf(r.Bytes))
		head = r.Hash
	}
	_, err := sheet.VerifyExport(bytes.NewReader(export(t, log)))
	var fe *sheet.FileError
	if !errors.As(err, &fe) || fe.Code != sheet.CodeOrder || fe.Seq != 2 {
		t.Errorf("got %v, want the order of seq 2 refused", err)
	}
}

// TestVerifyEmpty: the end record of an empty log names the head of an empty
// log.
func TestVerifyEmpty(t *testing.T) {
	doc := bytes.Replace(export(t, nil), []byte(strings.Repeat("0", 64)), []byte(strings.Repeat("1", 64)), 1)
	_, err := sheet.VerifyExport(bytes.NewReader(doc))
	var fe *sheet.FileError
	if !errors.As(err, &fe) || fe.Code != sheet.CodeEndRecord {
		t.Errorf("got %v, want the end record refused", err)
	}
}

// TestNativeRefuses: what is wrong with a file of the profile is said by name.
func TestNativeRefuses(t *testing.T) {
	const head = "kind,on,animal,pen,verdict\n"
	for _, tc := range []struct {
		name, doc, code, says string
	}{
		{"unknown column", "kind,on,animal,colour\n", sheet.CodeHeader, `"colour"`},
		{"doubled column", "kind,on,animal,Animal\n", sheet.CodeHeader, `"Animal"`},
		{"no date", "kind,animal\n", sheet.CodeDelimiter, "header"},
		{"nothing", "", sheet.CodeNoHeader, "header"},
		{"only blank lines", "\n\r\n\n", sheet.CodeNoHeader, "header"},
		{"open quote", head + "move,2026-01-01,\"12,a\n", sheet.CodeOpenQuote, "never closed"},
		{"zero byte", head + "move,2026-01-01,1\x002,a\n", sheet.CodeNUL, "zero byte"},
		{"not UTF-8", head + "move,2026-01-01,1\xe92,a\n", sheet.CodeEncoding, "windows-1252"},
		{"a letter over two cells", head + "move,2026-01-01,1\xc3,\xa9\n", sheet.CodeEncoding, "UTF-8"},
		{"zero bytes in text", "ki\x00n\x00", sheet.CodeNUL, "utf-16"},
		{"workbook", "PK\x03\x04....", sheet.CodeNotCSV, "save it as CSV"},
		{"old workbook", "\xd0\xcf\x11\xe0\xa1\xb1", sheet.CodeNotCSV, "workbook"},
		{"page", "\xef\xbb\xbf <HTML><body>", sheet.CodeNotCSV, "web page"},
		{"table", "<table border=1>", sheet.CodeNotCSV, "web page"},
		{"two ends", "kind,on,seq\nend,,0\nend,,1\n", sheet.CodeEndRecord, "second end"},
		{"end without count", "kind,on,seq\nend,,\n", sheet.CodeEndRecord, "seq"},
		{"rows missing", "kind,on,animal,seq\nmove,2026-01-01,1,1\nend,,,2\n", sheet.CodeEndRecord, "counts 2 events, the file has 1"},
		{"sep names a letter", "sep=a\n" + head, sheet.CodeDelimiter, "sep="},
	} {
		_, _, err := tryAll([]byte(tc.doc), sheet.Native())
		var fe *sheet.FileError
		if !errors.As(err, &fe) || fe.Code != tc.code || !strings.Contains(fe.Error(), tc.says) {
			t.Errorf("%s: got %v, want %s with %q", tc.name, err, tc.code, tc.says)
		}
	}
	for _, tc := range []struct {
		name, row, column, code string
	}{
		{"unknown kind", "moo,2026-01-01,1,a,", "kind", event.CodeNotAllowed},
		{"no date", "move,,1,a,", "on", event.CodeRequired},
		{"other order", "move,1/2/2026,1,a,", "on", event.CodeBadDate},
		{"future", "move,2026-11-26,1,a,", "on", event.CodeFuture},
		{"field of another kind", "move,2026-01-01,1,a,in_heat", "verdict", event.CodeNotAllowed},
		{"cell behind the header", "move,2026-01-01,1,a,,b", "", sheet.CodeExtraCells},
		{"stray quote", `move,2026-01-01,1,a "b",`, "pen", sheet.CodeBareQuote},
		{"behind a closing quote", `move,2026-01-01,"1"2,a,`, "animal", sheet.CodeBareQuote},
		{"number cut", "move,2026-01-01,1E+05,a,", "animal", sheet.CodeScientific},
	} {
		lines, _, err := tryAll([]byte(head+"\n"+tc.row+"\nmove,2026-01-02,7,b,\n"), sheet.Native())
		if err != nil {
			t.Errorf("%s: %v", tc.name, err)
			continue
		}
		if len(lines) != 2 || len(lines[0].Events) != 0 || len(lines[0].Problems) != 1 || len(lines[1].Events) != 1 {
			t.Errorf("%s: %+v", tc.name, lines)
			continue
		}
		if p := lines[0].Problems[0]; p.Code != tc.code || p.Column != tc.column || p.Line != 3 {
			t.Errorf("%s: got %+v, want %s in %s of line 3", tc.name, p, tc.code, tc.column)
		}
	}
}

// TestHerds: with a herd given, a row of another is refused; without one, each
// row must say.
func TestHerds(t *testing.T) {
	const doc = "herd,kind,on,animal,pen\nnorth-farm,move,2026-01-01,1,a\nsouth-farm,move,2026-01-01,1,a\n,move,2026-01-01,1,a\n"
	for _, tc := range []struct {
		herd string
		want []string
	}{{"north-farm", []string{"north-farm", "!herd_mismatch", "north-farm"}}, {"", []string{"north-farm", "south-farm", "!required"}}} {
		r, err := sheet.NewReader(strings.NewReader(doc), sheet.Native(), tc.herd, today)
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range tc.want {
			line, err := r.Next()
			if err != nil {
				t.Fatal(err)
			}
			got := ""
			if len(line.Events) > 0 {
				got = line.Events[0].Herd
			} else {
				got = "!" + line.Problems[0].Code
			}
			if got != want {
				t.Errorf("herd %q line %d: %s, want %s", tc.herd, line.Number, got, want)
			}
		}
	}
}

// An export that lost its end with its last rows is not taken for a file made by
// hand; its refused rows, and the same rows without their hashes, are taken.
func TestCutBetweenRows(t *testing.T) {
	t.Parallel()
	rows := strings.SplitAfter(string(export(t, fixedLog(t, 6))), "\r\n")
	read := func(doc string) error {
		r, err := sheet.NewReader(strings.NewReader(doc), sheet.Native(), herd, today)
		for err == nil {
			_, err = r.Next()
		}
		return err
	}
	for n := 2; n < len(rows)-2; n++ {
		var fe *sheet.FileError
		if err := read(strings.Join(rows[:n], "")); !errors.As(err, &fe) || fe.Code != sheet.CodeEndRecord {
			t.Errorf("cut behind row %d: %v", n-1, err)
		}
	}
	header, row := strings.TrimSuffix(rows[0], "\r\n"), strings.TrimSuffix(rows[1], "\r\n")
	if err := read(header + ",byrelog_line,byrelog_reason\r\n" + row + ",2,why\r\n"); !errors.Is(err, io.EOF) {
		t.Errorf("a mended reject file: %v", err)
	}
	last := func(s string) string { return s[:strings.LastIndexByte(s, ',')] + "\r\n" }
	if err := read(last(header) + last(row)); !errors.Is(err, io.EOF) {
		t.Errorf("without the hashes: %v", err)
	}
}
