package event

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"time"
)

// Digest is a SHA-256; in text it is 64 lower-case hex digits.
type Digest [sha256.Size]byte

// Salt makes the commitment to a note unguessable; in text 32 hex digits.
type Salt [16]byte

var errHex = errors.New("want lower-case hex digits of the right length")

func (d Digest) String() string { return hex.EncodeToString(d[:]) }

func (d Digest) appendHex(b []byte) []byte { return hex.AppendEncode(b, d[:]) }

// MarshalText writes 64 hex digits.
func (d Digest) MarshalText() ([]byte, error) { return d.appendHex(nil), nil }

// UnmarshalText reads 64 hex digits.
func (d *Digest) UnmarshalText(b []byte) error { return decodeHex(d[:], b) }

func (s Salt) String() string { return hex.EncodeToString(s[:]) }

// MarshalText writes 32 hex digits.
func (s Salt) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, s[:]), nil }

// UnmarshalText reads 32 hex digits.
func (s *Salt) UnmarshalText(b []byte) error { return decodeHex(s[:], b) }

func decodeHex(dst, src []byte) error {
	if len(src) != hex.EncodedLen(len(dst)) {
		return errHex
	}
	for _, c := range src {
		if c >= 'A' && c <= 'F' {
			return errHex
		}
	}
	if _, err := hex.Decode(dst, src); err != nil {
		return errHex
	}
	return nil
}

// Commit is the commitment to a note: SHA-256(salt || text). Whoever has salt
// and text can check it; once both are erased the text cannot be guessed back.
func Commit(salt Salt, note string) Digest {
	h := sha256.New()
	h.Write(salt[:])
	h.Write([]byte(note))
	return Digest(h.Sum(nil))
}

// Seal fixes the commitment of the event's note, with the salt given if it has
// none yet. Without a note there is no salt, and a commitment that stands is
// that of a note that was erased.
func (e *Event) Seal(salt Salt) {
	if e.Note == "" {
		e.NoteSalt = Salt{}
		return
	}
	if e.NoteSalt == (Salt{}) {
		e.NoteSalt = salt
	}
	e.NoteHash = Commit(e.NoteSalt, e.Note)
}

// Leaf is the hash of an event's canonical bytes: SHA-256(0x00 || bytes), the
// leaf hash of RFC 6962 section 2.1, so that a Merkle tree can be laid over the
// same leaves later.
func Leaf(canonical []byte) Digest {
	// A stack buffer for the usual size keeps this off the heap.
	var buf [1024]byte
	return sha256.Sum256(append(append(buf[:0], 0), canonical...))
}

const chainTag = "byrelog-chain-1\x00"

// Link is one step of a herd's chain: SHA-256 over the tag, the length of the
// herd's name in one byte, the name, seq and recordedAt (microseconds since
// 1970) as big-endian 64-bit integers, the previous link and the leaf. Before
// the first event the link is all zeros. The herd's name is at most 40 bytes.
func Link(herd string, seq int64, recordedAt time.Time, prev, leaf Digest) Digest {
	var buf [len(chainTag) + 1 + 40 + 8 + 8 + 2*sha256.Size]byte
	b := append(buf[:0], chainTag...)
	b = append(b, byte(len(herd)))
	b = append(b, herd...)
	b = binary.BigEndian.AppendUint64(b, uint64(seq))
	b = binary.BigEndian.AppendUint64(b, uint64(recordedAt.UnixMicro()))
	b = append(b, prev[:]...)
	b = append(b, leaf[:]...)
	return sha256.Sum256(b)
}
