package event

import "fmt"

// Kind is the kind of an event. The zero Kind is none.
type Kind uint8

// The kinds, in the order in which events of one day are told when nothing
// else orders them: she must be there before anything can befall her, she is
// looked at before she is bred, and she leaves last.
const (
	KindArrival Kind = iota + 1
	KindRenumber
	KindCalving
	KindPregnancyLoss
	KindWalk
	KindHeat
	KindPalpation
	KindPregnancyDiagnosis
	KindBreedingStop
	KindBreedingResume
	KindTreatment
	KindSize
	KindBreeding
	KindDryOff
	KindMove
	KindDeparture
	KindVoid
	kindEnd
)

// Spec is the published declaration of a kind.
type Spec struct {
	Kind   Kind
	Name   string
	Doc    string
	Animal bool // an animal is required; otherwise it is refused
	Fields []*Field
	blank  func() Data
	empty  func(Data) // makes a used one blank
}

// Specs lists the kinds in the order of their constants.
func Specs() []Spec { return specs[1:] }

// Spec is the declaration of the kind; k must be valid.
func (k Kind) Spec() *Spec { return &specs[k] }

// Valid tells whether k is one of the declared kinds.
func (k Kind) Valid() bool { return k > 0 && k < kindEnd }

func (k Kind) String() string {
	if !k.Valid() {
		return fmt.Sprintf("Kind(%d)", uint8(k))
	}
	return specs[k].Name
}

// MarshalText writes the kind's name.
func (k Kind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// ParseKind finds a kind by its name; ok is false if there is none.
func ParseKind(name string) (k Kind, ok bool) {
	k, ok = kindByName[name]
	return k, ok
}

// New makes an event of the kind with empty data.
func New(k Kind, herd, animal string, on Date) *Event {
	return &Event{Kind: k, Herd: herd, Animal: animal, On: on, Data: k.Spec().blank()}
}

var specs, kindByName = func() ([kindEnd]Spec, map[string]Kind) {
	all := [kindEnd]Spec{
		KindArrival:            {Name: "arrival", Doc: "She enters the herd: born here, bought or transferred. An arrival starts a new individual, so a number may be used again after a departure.", Animal: true, blank: blank[Arrival], empty: empty[Arrival]},
		KindRenumber:           {Name: "renumber", Doc: "From this day the same individual is called by another number; her history goes with her.", Animal: true, blank: blank[Renumber], empty: empty[Renumber]},
		KindCalving:            {Name: "calving", Doc: "She calved. Starts a lactation; the calving day is day 0 in milk.", Animal: true, blank: blank[Calving], empty: empty[Calving]},
		KindPregnancyLoss:      {Name: "pregnancy_loss", Doc: "A pregnancy ended before term.", Animal: true, blank: blank[PregnancyLoss], empty: empty[PregnancyLoss]},
		KindWalk:               {Name: "walk", Doc: "A pen was walked behind the cows: every cow of it without a reading of her own that day counts as read, not in heat.", blank: blank[Walk], empty: empty[Walk]},
		KindHeat:               {Name: "heat", Doc: "One cow was read for heat: in heat, suspect or not.", Animal: true, blank: blank[Heat], empty: empty[Heat]},
		KindPalpation:          {Name: "palpation", Doc: "A suspect cow was examined by hand.", Animal: true, blank: blank[Palpation], empty: empty[Palpation]},
		KindPregnancyDiagnosis: {Name: "pregnancy_diagnosis", Doc: "She was examined for pregnancy.", Animal: true, blank: blank[PregnancyDiagnosis], empty: empty[PregnancyDiagnosis]},
		KindBreedingStop:       {Name: "breeding_stop", Doc: "She is not to be bred until the day given, or until a resume.", Animal: true, blank: blank[BreedingStop], empty: empty[BreedingStop]},
		KindBreedingResume:     {Name: "breeding_resume", Doc: "She may be bred again.", Animal: true, blank: blank[BreedingResume], empty: empty[BreedingResume]},
		KindTreatment:          {Name: "treatment", Doc: "A treatment that bears on reproduction or on residues: recorded, never advised.", Animal: true, blank: blank[Treatment], empty: empty[Treatment]},
		KindSize:               {Name: "size", Doc: "How big she is, as judged or measured: for heifers before they are first bred.", Animal: true, blank: blank[Size], empty: empty[Size]},
		KindBreeding:           {Name: "breeding", Doc: "She was served: inseminated, bred by a bull, or given an embryo.", Animal: true, blank: blank[Breeding], empty: empty[Breeding]},
		KindDryOff:             {Name: "dry_off", Doc: "Milking ended for this lactation.", Animal: true, blank: blank[DryOff], empty: empty[DryOff]},
		KindMove:               {Name: "move", Doc: "She moved to another pen.", Animal: true, blank: blank[Move], empty: empty[Move]},
		KindDeparture:          {Name: "departure", Doc: "She left the herd. The last day in the herd is the day before.", Animal: true, blank: blank[Departure], empty: empty[Departure]},
		KindVoid:               {Name: "void", Doc: "An earlier event of this herd is withdrawn, with a reason. A void cannot itself be voided.", blank: blank[Void], empty: empty[Void]},
	}
	names := make(map[string]Kind, len(all))
	for k := KindArrival; k < kindEnd; k++ {
		all[k].Kind = k
		names[all[k].Name] = k
		var c collector
		all[k].blank().fields(&c)
		all[k].Fields = c.list
	}
	return all, names
}()

func blank[T any, P interface {
	*T
	Data
}]() Data {
	return P(new(T))
}

func empty[T any, P interface {
	*T
	Data
}](d Data) {
	if p, ok := d.(P); ok {
		*p = *new(T)
	}
}
