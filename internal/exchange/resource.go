package exchange

import (
	"encoding/json"
	"time"
)

// Extension is the name of the member for what ADE has no place for.
const Extension = "x-byrelog"

// Version of the mapping: a receiver's token of another version is answered
// with everything, since the same events may look different now.
const Version = 2

// Identifier names something within a scheme; always text.
type Identifier struct {
	ID     string `json:"id"`
	Scheme string `json:"scheme"`
}

// Meta is what synchronisation needs of a resource.
type Meta struct {
	Source   string `json:"source"`
	SourceID string `json:"sourceId"`
	Deleted  bool   `json:"isDeleted,omitempty"`
	Created  string `json:"created,omitempty"`
	Modified string `json:"modified"`
}

// Resource is one resource of any of the types that are written; members of
// other types than its own are empty and left out.
type Resource struct {
	ResourceType  string      `json:"resourceType"`
	ID            string      `json:"id"`
	Meta          Meta        `json:"meta"`
	Location      *Identifier `json:"location"`
	Animal        *Identifier `json:"animal"`
	EventDateTime string      `json:"eventDateTime"`
	Responsible   string      `json:"responsible,omitempty"`
	Remark        string      `json:"remark,omitempty"`

	DamParity      *int      `json:"damParity,omitempty"`
	LiveProgeny    *int      `json:"liveProgeny,omitempty"`
	TotalProgeny   *int      `json:"totalProgeny,omitempty"`
	CalvingEase    string    `json:"calvingEase,omitempty"`
	ProgenyDetails []Progeny `json:"progenyDetails,omitempty"`

	HeatDetectionMethod string  `json:"heatDetectionMethod,omitempty"`
	Certainty           string  `json:"certainty,omitempty"`
	VisualDetection     *Visual `json:"visualDetection,omitempty"`

	InseminationType string       `json:"inseminationType,omitempty"`
	SireIdentifiers  []Identifier `json:"sireIdentifiers,omitempty"`
	Straw            *Straw       `json:"straw,omitempty"`
	EventEndDateTime string       `json:"eventEndDateTime,omitempty"`

	Method      string   `json:"method,omitempty"`
	Result      string   `json:"result,omitempty"`
	FoetalAge   *int     `json:"foetalAge,omitempty"`
	FoetusCount *int     `json:"foetusCount,omitempty"`
	Exceptions  []string `json:"exceptions,omitempty"`

	DoNotBreed *bool `json:"doNotBreed,omitempty"`

	RegistrationReason string       `json:"registrationReason,omitempty"`
	ArrivalReason      string       `json:"arrivalReason,omitempty"`
	AnimalDetail       *Animal      `json:"animalDetail,omitempty"`
	DepartureKind      string       `json:"departureKind,omitempty"`
	DepartureReason    string       `json:"departureReason,omitempty"`
	DeathReason        string       `json:"deathReason,omitempty"`
	DeathMethod        string       `json:"deathMethod,omitempty"`
	Explanation        string       `json:"explanation,omitempty"`
	Consignment        *Consignment `json:"consignment,omitempty"`

	Own *Own `json:"x-byrelog,omitempty"`
}

// Progeny is one calf of a parturition.
type Progeny struct {
	ResourceType  string `json:"resourceType"`
	Specie        string `json:"specie"`
	Gender        string `json:"gender"`
	ManagementTag string `json:"managementTag,omitempty"`
	BirthStatus   string `json:"birthStatus,omitempty"`
}

// Visual is what was seen of a heat.
type Visual struct {
	HeatSigns []string `json:"heatSigns,omitempty"`
}

// Straw is the semen of an insemination.
type Straw struct {
	ResourceType string      `json:"resourceType"`
	ID           *Identifier `json:"id,omitempty"`
	IsSexed      *bool       `json:"isSexedSemen,omitempty"`
	SexedGender  string      `json:"sexedGender,omitempty"`
}

// Animal describes the animal that comes in.
type Animal struct {
	ResourceType  string       `json:"resourceType"`
	Identifier    Identifier   `json:"identifier"`
	Alternative   []Identifier `json:"alternativeIdentifiers,omitempty"`
	Specie        string       `json:"specie"`
	Gender        string       `json:"gender"`
	BirthDate     string       `json:"birthDate,omitempty"`
	PrimaryBreed  *Identifier  `json:"primaryBreed,omitempty"`
	ManagementTag string       `json:"managementTag,omitempty"`
	Parentage     []Parent     `json:"parentage,omitempty"`
}

// Parent is one parent of an animal.
type Parent struct {
	ParentOf   Identifier `json:"parentOf"`
	Gender     string     `json:"gender"`
	Identifier Identifier `json:"identifier"`
}

// Consignment tells where an animal came from or went to.
type Consignment struct {
	Origin      *Identifier `json:"originLocation,omitempty"`
	Destination *Identifier `json:"destinationLocation,omitempty"`
}

// Own is the extension: how exactly the time is known, and the event as it was
// stated, but for what the resource says itself (id, herd, what it replaces) and
// the note, which can be erased.
type Own struct {
	Precision string          `json:"precision"` // day, half_day or minute
	Event     json.RawMessage `json:"event"`
}

// System is who speaks: the log of one herd of one service.
type System struct {
	Source string         // meta.source: a URI or reverse DNS name of the service
	Herd   string         // the herd's short name
	Zone   *time.Location // the herd's
}

// Schemes of the log's own identifiers. Those of a herd carry its name, since
// its numbers say nothing elsewhere.
const locationScheme = "byrelog.herd"

func localScheme(herd, what string) string { return "local." + herd + "." + what }

func (s *System) local(what, id string) *Identifier {
	return &Identifier{ID: id, Scheme: localScheme(s.Herd, what)}
}

// Location is the herd as ADE names a place.
func (s *System) Location() *Identifier { return &Identifier{ID: s.Herd, Scheme: locationScheme} }

// stampLayout is how moments of recording are written: as in the log's own
// answers, always all six digits.
const stampLayout = "2006-01-02T15:04:05.000000Z"

func stamp(t time.Time) string { return t.UTC().Format(stampLayout) }
