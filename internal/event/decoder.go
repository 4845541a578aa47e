package event

// Decoder reads canonical bytes as [DecodeCanonical] does, and gives the same
// events and errors, but lends them: an event and its data are valid until the next
// call of Reset, after which their memory is used again. Texts are the caller's to
// keep. For who goes through a log: it makes next to no garbage.
//
// The zero Decoder is ready for use, by one goroutine at a time.
type Decoder struct {
	events [][]Event // in lots, so that none moves
	used   int       // of events
	data   [kindEnd][]Data
	lent   [kindEnd]int // of data

	texts []string // that came lately, by their hash
	day   string   // the last date as it was written; logs are mostly in order
	date  Date
}

const (
	eventLot  = 256
	keptTexts = 1 << 13 // a power of two; numbers of animals, mostly
)

// Decode reads the bytes of one event, of which it keeps none.
func (d *Decoder) Decode(raw []byte) (*Event, error) {
	e := d.event()
	r := straight{b: raw, keep: d}
	if r.event(e) {
		return e, nil
	}
	return decodeSlowly(raw)
}

// Reset takes back all events that were given.
func (d *Decoder) Reset() {
	d.used, d.lent = 0, [kindEnd]int{}
}

func (d *Decoder) event() *Event {
	lot, at := d.used/eventLot, d.used%eventLot
	if lot == len(d.events) {
		d.events = append(d.events, make([]Event, eventLot))
	}
	d.used++
	e := &d.events[lot][at]
	*e = Event{}
	return e
}

func (d *Decoder) blank(k Kind) Data {
	n := d.lent[k]
	d.lent[k]++
	if n < len(d.data[k]) {
		k.Spec().empty(d.data[k][n])
		return d.data[k][n]
	}
	fresh := k.Spec().blank()
	d.data[k] = append(d.data[k], fresh)
	return fresh
}

// text gives the text of some bytes, the one that came before if it did. What is
// longer than codes and numbers seldom comes twice.
func (d *Decoder) text(b []byte) string {
	const long = 40
	if len(b) > long {
		return string(b)
	}
	if d.texts == nil {
		d.texts = make([]string, keptTexts)
	}
	h := uint32(len(b))
	for _, c := range b {
		h = (h ^ uint32(c)) * 0x01000193 // FNV-1a
	}
	s := &d.texts[(h^h>>15)%keptTexts]
	if *s != string(b) {
		*s = string(b)
	}
	return *s
}
