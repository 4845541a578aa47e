package event

// Decoder reads canonical bytes as [DecodeCanonical] does, and gives the same
// events and errors, but lends them out of a [Lot]. It is for who goes through a
// log: it makes next to no garbage.
//
// The zero Decoder is ready for use, by one goroutine at a time.
type Decoder struct {
	reader straight      // here, since a visitor escapes
	last   [lasts]string // texts of the fields below, as they came last
	day    string        // the last date as it was written; logs are mostly in order
	date   Date
}

// Fields that most events share with the one before, in Decoder.last. All other texts
// are made anew: small ones cost less than to look for those that there have been.
const (
	lastBy = iota
	lastHerd
	lastSource
	lasts
)

// Lot is memory for events that are read and done with together. The zero Lot is
// ready for use. Whoever has it may use its events; see Reset.
type Lot struct {
	events [][]Event // in runs, so that none moves
	used   int       // of events
	data   [kindEnd][]Data
	lent   [kindEnd]int // of data
}

// Reset takes back all events of the lot: their memory, and that of their data, is
// used again. Texts are anybody's to keep.
func (l *Lot) Reset() {
	l.used, l.lent = 0, [kindEnd]int{}
}

const eventRun = 256

// Decode reads the bytes of one event, of which it keeps none, into the lot.
func (d *Decoder) Decode(raw []byte, into *Lot) (*Event, error) {
	e := into.event()
	d.reader = straight{b: raw, lends: d, lot: into}
	if d.reader.event(e) {
		return e, nil
	}
	return decodeTree(raw, true)
}

func (l *Lot) event() *Event {
	run, at := l.used/eventRun, l.used%eventRun
	if run == len(l.events) {
		l.events = append(l.events, make([]Event, eventRun))
	}
	l.used++
	e := &l.events[run][at]
	*e = Event{}
	return e
}

func (l *Lot) blank(k Kind) Data {
	n := l.lent[k]
	l.lent[k]++
	if n < len(l.data[k]) {
		k.Spec().empty(l.data[k][n])
		return l.data[k][n]
	}
	fresh := k.Spec().blank()
	l.data[k] = append(l.data[k], fresh)
	return fresh
}

// dateOf is ParseDate.
func (d *Decoder) dateOf(b []byte) (Date, error) {
	if string(b) == d.day {
		return d.date, nil
	}
	date, err := ParseDate(string(b))
	if err == nil {
		d.day, d.date = string(b), date
	}
	return date, err
}
