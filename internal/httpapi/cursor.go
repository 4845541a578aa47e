package httpapi

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"net/http"
	"strings"
)

// cursor is the opaque token of keyset pagination: where a list goes on. It names the epoch of the log and the head's
// seq that the list was computed from, so that all pages of a list come from
// one state of the log; at is the position inside the list.
type cursor struct {
	epoch int64
	seq   int64
	on    int64 // day that the figures are computed to; 0 where the list has none
	at    int64
}

const (
	cursorVersion = 1
	cursorSum     = 9 // bytes of the checksum; 9 + 15 or so encode without padding waste
)

var errCursor = errors.New("not a cursor of this list")

// encode writes the cursor for one question. The question (operation, herd and
// filter) is not in the cursor, but its checksum holds only for it.
func (c cursor) encode(question string) string {
	b := make([]byte, 0, 1+4*binary.MaxVarintLen64+cursorSum)
	b = append(b, cursorVersion)
	for _, n := range []int64{c.epoch, c.seq, c.on, c.at} {
		b = binary.AppendVarint(b, n)
	}
	return base64.RawURLEncoding.EncodeToString(append(b, cursorCheck(b, question)...))
}

func cursorCheck(b []byte, question string) []byte {
	h := sha256.New()
	h.Write([]byte("byrelog-cursor\x00"))
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(question))))
	h.Write([]byte(question))
	h.Write(b)
	return h.Sum(nil)[:cursorSum]
}

// parseCursor reads a cursor back. Anything but what encode wrote for the same
// question is errCursor: a list never starts over because its cursor is bad.
func parseCursor(s, question string) (cursor, error) {
	// Strict, and no line breaks, which the decoder skips: otherwise two texts
	// could be the same cursor.
	b, err := base64.RawURLEncoding.Strict().DecodeString(s)
	if err != nil || strings.ContainsAny(s, "\r\n") || len(b) < 1+cursorSum || b[0] != cursorVersion {
		return cursor{}, errCursor
	}
	body, sum := b[:len(b)-cursorSum], b[len(b)-cursorSum:]
	if string(sum) != string(cursorCheck(body, question)) {
		return cursor{}, errCursor
	}
	var c cursor
	rest := body[1:]
	for _, to := range []*int64{&c.epoch, &c.seq, &c.on, &c.at} {
		v, n := binary.Varint(rest)
		if n <= 0 {
			return cursor{}, errCursor
		}
		*to, rest = v, rest[n:]
	}
	if len(rest) != 0 || c.seq < 0 || c.at < 0 {
		return cursor{}, errCursor
	}
	return c, nil
}

// fits holds a cursor against the log as it is.
func (c cursor) fits(epoch, headSeq int64) error {
	p := &problem{status: http.StatusConflict, code: "log-epoch-changed", epoch: &epoch, headSeq: &headSeq}
	switch {
	case c.epoch != epoch:
		p.detail = "the log was restored since this cursor was given; drop what you hold of this herd and read it from the start"
	case c.seq > headSeq:
		p.detail = "this cursor lies past the log's head, so the log is not the one that it was given for; drop what you hold of this herd and read it from the start"
	default:
		return nil
	}
	return p
}

func badCursor() error {
	p := refuse(http.StatusBadRequest, "bad-cursor", "this is not a cursor of this list: send back the `next` of an answer to the same question, unchanged")
	return p
}
