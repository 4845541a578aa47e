package sheet

import (
	"crypto/sha256"
	"encoding/base32"
	"strings"

	"byrelog.example/internal/event"
)

// The check of a row: what an event said when it was exported, in 25
// characters, so that each row can be held against its own cells wherever it
// stands and whatever became of the rows around it. The hash chain cannot do
// that: it needs the row before.
//
// It is "r" and the first 15 bytes of SHA-256("byrelog-row-1" ‖ 0x00 ‖ the
// canonical bytes without herd and without the note's commitment ‖ 0x00 ‖ the
// note ‖ 0x00 ‖ the 16 bytes of its salt), in base32 of RFC 4648 in lower case.
// Where the note was erased its commitment stays in the bytes. The letter in
// front keeps spreadsheet programs from taking it for a number. The herd is left
// out, since a log may be moved into a herd of another name, and a row of
// another herd than the import's is refused anyhow.

const checkBytes = 15

var checkCode = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)

// appendCheck appends the check of e to dst, using buf for what is hashed, and
// gives both back. e is as it was afterwards.
func appendCheck(dst, buf []byte, e *event.Event) (check, scratch []byte) {
	herd, commitment := e.Herd, e.NoteHash
	e.Herd = ""
	if e.Note != "" {
		e.NoteHash = event.Digest{}
	}
	b := append(buf[:0], "byrelog-row-1\x00"...)
	b = append(e.AppendCanonical(b), 0)
	b = append(append(b, e.Note...), 0)
	if e.Note != "" {
		b = append(b, e.NoteSalt[:]...)
	}
	e.Herd, e.NoteHash = herd, commitment
	sum := sha256.Sum256(b)
	return checkCode.AppendEncode(append(dst, 'r'), sum[:checkBytes]), b
}

const (
	checkDetail = "the row is not what was exported: a cell was changed since (spreadsheet programs drop zeros, round long numbers, replace letters)"
	checkHelp   = "take the row as it was exported; if the change is meant, empty row_check, and event_id too where the log has the event"
)

// checked holds a row of an export against its check. A row without one states
// what it says, as any sheet does.
func (r *Reader) checked(line *Line, e *event.Event) {
	n := &r.native
	at := n.log[-isRowCheck-1]
	if at >= len(line.Cells) {
		r.problem(line, at, columnRowCheck, CodeRowCheck, "the row ends before its column row_check: it was cut off, or a program left out what was empty",
			"give the row a cell for every column of the header")
		return
	}
	stated := n.fromLog(line.Cells, isRowCheck)
	if stated == "" {
		return
	}
	if r.fits(e, stated) {
		r.stats.Checked++
		return
	}
	help := checkHelp
	if a := r.lostZeros(e, stated); a != "" {
		help = "it was animal " + quote(a) + " before its zeros were lost: " + help
	}
	r.problem(line, at, columnRowCheck, CodeRowCheck, checkDetail, help)
}

func (r *Reader) fits(e *event.Event, stated string) bool {
	r.check, r.scratch = appendCheck(r.check[:0], r.scratch, e)
	return string(r.check) == stated
}

// mostSearched is for how many rows of a file lost zeros are looked for: each
// costs as many hashes as a number can have digits.
const mostSearched = 10_000

// lostZeros finds the animal's number that the check was made of, if only
// zeros in front of it were lost. It is proposed, never put in its place.
func (r *Reader) lostZeros(e *event.Event, stated string) string {
	animal := e.Animal
	defer func() { e.Animal = animal }()
	if r.searched++; r.searched > mostSearched || animal == "" || strings.Trim(animal, "0123456789") != "" {
		return ""
	}
	for most := event.Columns()[index("animal")].Max; len(e.Animal) < most; {
		e.Animal = "0" + e.Animal
		if r.fits(e, stated) {
			return e.Animal
		}
	}
	return ""
}
