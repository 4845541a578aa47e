package simherd

import (
	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// Truth is what really happened in an invented herd from Params.First to
// Params.Last, as no farm ever knows it. Animals are told apart by Individual;
// Animal is the number she bore on that day.
type Truth struct {
	Heats       []Heat
	Services    []Service
	Pregnancies []Pregnancy
	Calvings    []Born
	Departures  []Left
}

// Shown is how a heat could be read.
type Shown uint8

// How heats show.
const (
	Missed  Shown = iota // nothing to be seen
	Suspect              // a doubtful mark
	Obvious              // rubbed
)

// Heat is one true heat.
type Heat struct {
	Individual int
	Animal     string
	On         event.Date
	Lactation  int
	Shown      Shown
	Walked     bool // her pen was walked that day, so that it could be read
	Eligible   bool // she might have been bred: past waiting, open for all that is known, not stopped
	Pregnant   bool // a heat in pregnancy
	Served     bool
}

// Found is how a service came about.
type Found uint8

// How services come about.
const (
	FoundObvious Found = iota
	FoundSuspect
	FoundTimed
	FoundByBull
)

// Service is one service, recorded or not. A run with a bull is one service On its
// first day, of no Probability: each heat in it has a chance of its own.
type Service struct {
	Individual  int
	Animal      string
	On          event.Date
	Event       uuid.UUID // the id that its record has, if it was recorded
	Lactation   int
	Number      int // within the lactation, from 1
	Technician  string
	Sire        string
	Semen       string
	Found       Found
	TrueHeat    bool
	Pregnant    bool    // she was pregnant already, so that it could not take
	Probability float64 // that it takes; 0 without a true heat or when pregnant
	Conceived   bool    // pregnant on day 28 from this service
	Pregnancy   int     // index into Truth.Pregnancies; -1 if it did not take

	// The first examination after this service that was not unclear, if there was
	// one before the next service. A pregnancy lost before it is found open.
	DiagnosedOn event.Date
	Diagnosis   string // event.Pregnant or event.Open
}

// Pregnancy is one pregnancy that lived to day 28. One that was under way on
// the first day of the record has On before Params.First.
type Pregnancy struct {
	Individual int
	Animal     string
	On         event.Date // conception
	Lactation  int        // in which she conceived; 0 is a heifer
	LostOn     event.Date // none if it came to term or is still under way
	LossSeen   bool       // somebody saw the loss and wrote it down
	CalvedOn   event.Date
	LeftOn     event.Date // she left the herd pregnant
}

// Born is one calving.
type Born struct {
	Individual int
	Animal     string
	On         event.Date
	Lactation  int // the one that begins
	Gestation  int // days
	Calves     int
}

// Left is one departure.
type Left struct {
	Individual int
	Animal     string
	On         event.Date
	Lactation  int
	How        string
	Reason     string
}
