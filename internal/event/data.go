package event

import "github.com/google/uuid"

// Data is the kind's own part of an event: one of the struct types of this
// package, always as a pointer.
type Data interface {
	record
}

// Words that fields of type Enum can hold.
const (
	Born, Purchased, Transferred    = "born", "purchased", "transferred"
	Female, Male                    = "female", "male"
	Alive, Stillborn, Died24h       = "alive", "stillborn", "died_24h"
	InHeat, Suspect, NotInHeat      = "in_heat", "suspect", "not_in_heat"
	Pregnant, Open, Unclear         = "pregnant", "open", "unclear"
	Intact, Disturbed, Rubbed, Gone = "intact", "disturbed", "rubbed", "gone"
	AI, Natural, Embryo             = "ai", "natural", "embryo"
	ByHeat, Timed                   = "heat", "timed"
	ByPalpation, Ultrasound         = "palpation", "ultrasound"
	Blood, Milk                     = "blood", "milk"
	Sold, Culled, Died              = "sold", "culled", "died"
	AM, PM                          = "am", "pm"
	Abortion                        = "abortion"
)

const (
	maxAnimal = 32
	maxNote   = 500
	maxCalves = 4
)

// Arrival is the data of KindArrival.
type Arrival struct {
	BornOn       Date
	Breed        string
	ConceivedOn  Date
	Dam          string
	DamSire      string
	FromAnimal   string
	FromHerd     string
	How          string
	LastBredOn   Date
	LastCalvedOn Date
	OfficialID   *OfficialID
	Parity       OptInt
	Pen          string
	Sex          string
	Sire         string
}

// OfficialID names an animal in a registration scheme; always text.
type OfficialID struct{ ID, Scheme string }

var (
	officialValue  = text("id", 32, "the identifier, as text").column("official_id").required()
	officialScheme = text("scheme", 40, "the scheme's name, for example eu.animalId, usa.ain, std.iso.11785").column("official_id_scheme").required()

	arrivalBornOn       = dateOn("born_on", "date of birth")
	arrivalBreed        = text("breed", 32, "breed, a code of the herd's own or a name such as holstein")
	arrivalConceivedOn  = dateOn("conceived_on", "she comes pregnant: date of conception")
	arrivalDam          = text("dam", maxAnimal, "number of her dam in this herd")
	arrivalDamSire      = text("dam_sire", 64, "her dam's sire, a bull's code of the herd's own")
	arrivalFromAnimal   = text("from_animal", maxAnimal, "her number in the herd she came from")
	arrivalFromHerd     = text("from_herd", 40, "the herd she came from")
	arrivalHow          = enum("how", "how she entered the herd", Born, Purchased, Transferred).required()
	arrivalLastBredOn   = dateOn("last_bred_on", "last service before she came")
	arrivalLastCalvedOn = dateOn("last_calved_on", "last calving before she came")
	arrivalOfficialID   = (&Field{Name: "official_id", Type: Object, Doc: "official identity"}).holding(officialValue, officialScheme)
	arrivalParity       = integer("parity", 0, 30, "number of calvings so far")
	arrivalPen          = text("pen", 32, "pen")
	arrivalSex          = enum("sex", "sex", Female, Male)
	arrivalSire         = text("sire", 64, "her sire, a bull's code of the herd's own")
)

func (d *OfficialID) fields(v visitor) {
	v.text(officialValue, &d.ID)
	v.text(officialScheme, &d.Scheme)
}

func (d *Arrival) fields(v visitor) {
	v.date(arrivalBornOn, &d.BornOn)
	v.text(arrivalBreed, &d.Breed)
	v.date(arrivalConceivedOn, &d.ConceivedOn)
	v.text(arrivalDam, &d.Dam)
	v.text(arrivalDamSire, &d.DamSire)
	v.text(arrivalFromAnimal, &d.FromAnimal)
	v.text(arrivalFromHerd, &d.FromHerd)
	v.enum(arrivalHow, &d.How)
	v.date(arrivalLastBredOn, &d.LastBredOn)
	v.date(arrivalLastCalvedOn, &d.LastCalvedOn)
	v.object(arrivalOfficialID, ptr[OfficialID, *OfficialID]{&d.OfficialID})
	v.integer(arrivalParity, &d.Parity)
	v.text(arrivalPen, &d.Pen)
	v.enum(arrivalSex, &d.Sex)
	v.text(arrivalSire, &d.Sire)
}

// Renumber is the data of KindRenumber.
type Renumber struct{ To string }

var renumberTo = text("to", maxAnimal, "her number from this day on").required()

func (d *Renumber) fields(v visitor) { v.text(renumberTo, &d.To) }

// Calving is the data of KindCalving.
type Calving struct {
	Calves  []Calf
	Ease    OptInt
	Induced OptBool
	Parity  OptInt
}

// Calf is one calf of a calving.
type Calf struct{ Outcome, Sex, Tag string }

var (
	calfOutcome = enum("outcome", "what became of the calf in its first day", Alive, Stillborn, Died24h).required()
	calfSex     = enum("sex", "sex of the calf", Female, Male)
	calfTag     = text("tag", 32, "the calf's tag")

	calvingCalves  = (&Field{Name: "calves", Type: Objects, Max: maxCalves, Column: "calf", Doc: "the calves, at most four"}).holding(calfOutcome, calfSex, calfTag)
	calvingEase    = integer("ease", 1, 5, "1 easy unassisted, 2 easy assisted, 3 difficult with extra assistance, 4 difficult with veterinary care, 5 caesarean or surgery")
	calvingInduced = boolean("induced", "the calving was induced")
	calvingParity  = integer("parity", 1, 30, "her number of calvings with this one")
)

func (d *Calf) fields(v visitor) {
	v.enum(calfOutcome, &d.Outcome)
	v.enum(calfSex, &d.Sex)
	v.text(calfTag, &d.Tag)
}

func (d *Calving) fields(v visitor) {
	v.objects(calvingCalves, slice[Calf, *Calf]{&d.Calves})
	v.integer(calvingEase, &d.Ease)
	v.boolean(calvingInduced, &d.Induced)
	v.integer(calvingParity, &d.Parity)
}

// PregnancyLoss is the data of KindPregnancyLoss.
type PregnancyLoss struct {
	DaysPregnant OptInt
	Seen         string
}

var (
	lossDaysPregnant = integer("days_pregnant", 0, 330, "days since conception, as judged by the observer")
	lossSeen         = enum("seen", "what was seen", Abortion, "embryo_loss", "reabsorbed").column("loss_seen")
)

func (d *PregnancyLoss) fields(v visitor) {
	v.integer(lossDaysPregnant, &d.DaysPregnant)
	v.enum(lossSeen, &d.Seen)
}

// Walk is the data of KindWalk.
type Walk struct {
	Pen  string
	Seen OptInt
}

var (
	walkPen  = text("pen", 32, "the pen that was walked").required()
	walkSeen = integer("seen", 0, 100_000, "how many cows were read").column("cows_seen")
)

func (d *Walk) fields(v visitor) {
	v.text(walkPen, &d.Pen)
	v.integer(walkSeen, &d.Seen)
}

// Heat is the data of KindHeat.
type Heat struct {
	Chalk   string
	FoundBy string
	Signs   []string
	Verdict string
}

var (
	heatChalk   = enum("chalk", "the mark on her tail head", Intact, Disturbed, Rubbed, Gone)
	heatFoundBy = enum("found_by", "how she was found", "chalk", "watching", "sensor", "other")
	heatSigns   = &Field{Name: "signs", Type: EnumSet, Doc: "further signs", Values: []string{"standing", "mounting", "mucus", "restless", "swollen_vulva", "blood", "bellowing", "less_milk"}}
	heatVerdict = enum("verdict", "the reading", InHeat, Suspect, NotInHeat).required()
)

func (d *Heat) fields(v visitor) {
	v.enum(heatChalk, &d.Chalk)
	v.enum(heatFoundBy, &d.FoundBy)
	v.enumSet(heatSigns, &d.Signs)
	v.enum(heatVerdict, &d.Verdict)
}

// Palpation is the data of KindPalpation.
type Palpation struct {
	Left    *Ovary
	Mucus   string
	Right   *Ovary
	Tone    string
	Verdict string
}

// Ovary is what was felt of one ovary.
type Ovary struct {
	CorpusLuteum OptBool
	FollicleMM   OptInt
}

var (
	ovaryCorpusLuteum = boolean("corpus_luteum", "a corpus luteum was felt")
	ovaryFollicleMM   = integer("follicle_mm", 0, 100, "diameter of the largest follicle, in millimetres")

	palpationLeft    = (&Field{Name: "left", Type: Object, Doc: "left ovary"}).holding(ovaryCorpusLuteum, ovaryFollicleMM)
	palpationMucus   = enum("mucus", "vaginal mucus", "none", "clear", "cloudy", "bloody", "pus")
	palpationRight   = (&Field{Name: "right", Type: Object, Doc: "right ovary"}).holding(ovaryCorpusLuteum, ovaryFollicleMM)
	palpationTone    = enum("tone", "tone of the uterus", "none", "some", "strong")
	palpationVerdict = enum("verdict", "the finding", InHeat, NotInHeat, Pregnant, Unclear).required()
)

func (d *Ovary) fields(v visitor) {
	v.boolean(ovaryCorpusLuteum, &d.CorpusLuteum)
	v.integer(ovaryFollicleMM, &d.FollicleMM)
}

func (d *Palpation) fields(v visitor) {
	v.object(palpationLeft, ptr[Ovary, *Ovary]{&d.Left})
	v.enum(palpationMucus, &d.Mucus)
	v.object(palpationRight, ptr[Ovary, *Ovary]{&d.Right})
	v.enum(palpationTone, &d.Tone)
	v.enum(palpationVerdict, &d.Verdict)
}

// PregnancyDiagnosis is the data of KindPregnancyDiagnosis.
type PregnancyDiagnosis struct {
	DaysPregnant OptInt
	Fetuses      OptInt
	Method       string
	Result       string
}

var (
	diagnosisDaysPregnant = integer("days_pregnant", 0, 330, "days since conception, as judged by the examiner")
	diagnosisFetuses      = integer("fetuses", 1, maxCalves, "how many were seen")
	diagnosisMethod       = enum("method", "how she was examined", ByPalpation, Ultrasound, Blood, Milk).required()
	diagnosisResult       = enum("result", "the result", Pregnant, Open, Unclear).required()
)

func (d *PregnancyDiagnosis) fields(v visitor) {
	v.integer(diagnosisDaysPregnant, &d.DaysPregnant)
	v.integer(diagnosisFetuses, &d.Fetuses)
	v.enum(diagnosisMethod, &d.Method)
	v.enum(diagnosisResult, &d.Result)
}

// BreedingStop is the data of KindBreedingStop.
type BreedingStop struct {
	Reason string
	Until  Date
}

var (
	stopReason = text("reason", 200, "why she is not to be bred")
	stopUntil  = dateOn("until", "last day of the stop")
)

func (d *BreedingStop) fields(v visitor) {
	v.text(stopReason, &d.Reason)
	v.date(stopUntil, &d.Until)
}

// BreedingResume is the data of KindBreedingResume.
type BreedingResume struct{ Reason string }

var resumeReason = text("reason", 200, "why she may be bred again")

func (d *BreedingResume) fields(v visitor) { v.text(resumeReason, &d.Reason) }

// Treatment is the data of KindTreatment.
type Treatment struct {
	Class             string
	MeatWithheldUntil Date
	MilkWithheldUntil Date
	Program           string
	Step              string
}

var (
	treatmentClass   = text("class", 32, "class of the product, for example prostaglandin, gnrh, progesterone")
	treatmentMeat    = dateOn("meat_withheld_until", "last day on which meat is withheld, from the label or the veterinarian")
	treatmentMilk    = dateOn("milk_withheld_until", "last day on which milk is withheld, from the label or the veterinarian")
	treatmentProgram = text("program", 64, "the programme it belongs to")
	treatmentStep    = text("step", 32, "the step of the programme")
)

func (d *Treatment) fields(v visitor) {
	v.text(treatmentClass, &d.Class)
	v.date(treatmentMeat, &d.MeatWithheldUntil)
	v.date(treatmentMilk, &d.MilkWithheldUntil)
	v.text(treatmentProgram, &d.Program)
	v.text(treatmentStep, &d.Step)
}

// Size is the data of KindSize: at least one of its fields.
type Size struct {
	BigEnough OptBool
	HeightCM  OptInt
	WeightKG  OptInt
}

var (
	sizeBigEnough = boolean("big_enough", "she is big enough to be bred, as the herd judges it")
	sizeHeightCM  = integer("height_cm", 40, 200, "height at the hips, in centimetres")
	sizeWeightKG  = integer("weight_kg", 10, 1500, "weight, in kilograms")
)

func (d *Size) fields(v visitor) {
	v.boolean(sizeBigEnough, &d.BigEnough)
	v.integer(sizeHeightCM, &d.HeightCM)
	v.integer(sizeWeightKG, &d.WeightKG)
}

// Breeding is the data of KindBreeding.
type Breeding struct {
	Basis  string
	Method string
	Semen  string
	Sire   string
	Straw  string
	Until  Date
}

var (
	breedingBasis  = enum("basis", "what the service was timed by", ByHeat, Timed)
	breedingMethod = enum("method", "how she was served", AI, Natural, Embryo).required()
	breedingSemen  = enum("semen", "the semen used", "conventional", "sexed_female", "sexed_male", "beef")
	breedingSire   = text("sire", 64, "the bull, a code of the herd's own")
	breedingStraw  = text("straw", 64, "the straw's marking")
	breedingUntil  = dateOn("until", "last day of a run with a bull")
)

func (d *Breeding) fields(v visitor) {
	v.enum(breedingBasis, &d.Basis)
	v.enum(breedingMethod, &d.Method)
	v.enum(breedingSemen, &d.Semen)
	v.text(breedingSire, &d.Sire)
	v.text(breedingStraw, &d.Straw)
	v.date(breedingUntil, &d.Until)
}

// DryOff is the data of KindDryOff: it has no fields.
type DryOff struct{}

func (*DryOff) fields(visitor) {}

// Move is the data of KindMove.
type Move struct{ Pen string }

var movePen = text("pen", 32, "the pen she moved to").required()

func (d *Move) fields(v visitor) { v.text(movePen, &d.Pen) }

// Departure is the data of KindDeparture.
type Departure struct {
	How    string
	Reason string
	ToHerd string
}

var (
	departureHow    = enum("how", "how she left", Sold, Culled, Died, Transferred).required()
	departureReason = text("reason", 200, "why; 'infertility' settles her last service as failed")
	departureToHerd = text("to_herd", 40, "the herd she went to")
)

func (d *Departure) fields(v visitor) {
	v.enum(departureHow, &d.How)
	v.text(departureReason, &d.Reason)
	v.text(departureToHerd, &d.ToHerd)
}

// Void is the data of KindVoid.
type Void struct {
	Event  uuid.UUID
	Reason string
}

var (
	voidEvent  = id("event", "id of the event that is withdrawn").column("void_event").required()
	voidReason = text("reason", 200, "why it is withdrawn").required()
)

func (d *Void) fields(v visitor) {
	v.id(voidEvent, &d.Event)
	v.text(voidReason, &d.Reason)
}
