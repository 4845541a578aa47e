package exchange

import (
	"strings"

	"byrelog.example/internal/event"
)

// Resource types of ADE that events have a place in.
const (
	typeParturition = "icarReproParturitionEventResource"
	typeProgeny     = "icarProgenyDetailsResource"
	typeHeat        = "icarReproHeatEventResource"
	typeService     = "icarReproInseminationEventResource"
	typeStraw       = "icarReproSemenStrawResource"
	typeCheck       = "icarReproPregnancyCheckEventResource"
	typeAbortion    = "icarReproAbortionEventResource"
	typeDoNotBreed  = "icarReproDoNotBreedEventResource"
	typeDryOff      = "icarMilkingDryOffEventResource"
	typeArrival     = "icarMovementArrivalEventResource"
	typeDeparture   = "icarMovementDepartureEventResource"
	typeDeath       = "icarMovementDeathEventResource"
	typeBirth       = "icarMovementBirthEventResource"
	typeAnimalCore  = "icarAnimalCoreResource"

	// misspelt stands so in one catalogue of the standard; it is read and never
	// written.
	misspelt = "icarReproInsemonationEventResource"
)

// Types lists the resource types that are written and read.
func Types() []string {
	return []string{
		typeBirth, typeArrival, typeParturition, typeAbortion, typeHeat, typeService, typeCheck, typeDoNotBreed,
		typeDryOff, typeDeparture, typeDeath,
	}
}

// Words of ADE that are used in more than one place.
const (
	cattle, female, male, unknown = "Cattle", "Female", "Male", "Unknown"
	other                         = "Other"
	internalTransfer              = "InternalTransfer"
	fertility                     = "Fertility"
)

// resourceTypeOf tells where ADE has a place for the event, "" if nowhere.
// A reading that is not in heat has none: a heat event of ADE asserts a heat.
// Of palpations only a pregnancy has one, as a check; there is none for what
// was felt of uterus and ovaries.
func resourceTypeOf(e *event.Event) string {
	switch d := e.Data.(type) {
	case *event.Arrival:
		if d.How == event.Born {
			return typeBirth
		}
		return typeArrival
	case *event.Calving:
		return typeParturition
	case *event.PregnancyLoss:
		return typeAbortion
	case *event.Heat:
		if d.Verdict != event.NotInHeat {
			return typeHeat
		}
	case *event.Palpation:
		if d.Verdict == event.Pregnant {
			return typeCheck
		}
	case *event.PregnancyDiagnosis:
		return typeCheck
	case *event.BreedingStop, *event.BreedingResume:
		return typeDoNotBreed
	case *event.Breeding:
		return typeService
	case *event.DryOff:
		return typeDryOff
	case *event.Departure:
		if d.How == event.Died {
			return typeDeath
		}
		return typeDeparture
	}
	return ""
}

// The enumerations, each way. Where several words of ADE mean one of ours, the
// one that is written is in the first table.
var (
	easeWords = []string{"EasyUnassisted", "EasyAssisted", "DifficultExtraAssistance", "DifficultVeterinaryCare", "CaesareanOrSurgery"} // codes 1 to 5

	birthStatusIn = map[string]string{
		"Alive": event.Alive, "Stillborn": event.Stillborn, "Aborted": event.Stillborn, "DiedBeforeTaggingDate": event.Died24h,
		"DiedAfterTaggingDate": event.Died24h, "SlaughteredAtBirth": event.Died24h, "EuthanisedAtBirth": event.Died24h,
	}

	sexIn = map[string]string{
		female: event.Female, "FemaleNeuter": event.Female, male: event.Male, "MaleCryptorchid": event.Male, "MaleNeuter": event.Male, unknown: "",
	}
	sexOut = map[string]string{event.Female: female, event.Male: male, "": unknown}

	certaintyIn  = map[string]string{"InHeat": event.InHeat, "Suspect": event.Suspect, "Potential": event.Suspect}
	certaintyOut = map[string]string{event.InHeat: "InHeat", event.Suspect: "Suspect"}
	foundByIn    = map[string]string{
		"Visual": "watching", "Pedometer": "sensor", "Collar": "sensor", "EarTag": "sensor", "Bolus": "sensor", "Chemical": "other", other: "other",
	}
	// A sensor may sit on leg, neck or ear; which one the log does not say.
	foundByOut = map[string]string{"watching": "Visual", "chalk": "Visual", "sensor": other, "other": other}
	signIn     = map[string]string{
		"StandsUnder": "standing", "Slime": "mucus", "ClearSlime": "mucus", "InterestedInOtherAnimals": "mounting", "Bawling": "bellowing", "Blood": "blood",
	}
	signOut = map[string]string{
		"standing": "StandsUnder", "mucus": "Slime", "mounting": "InterestedInOtherAnimals", "restless": "InterestedInOtherAnimals", "bellowing": "Bawling", "blood": "Blood",
	}

	serviceIn  = map[string]string{"Insemination": event.AI, "NaturalService": event.Natural, "RunWithBull": event.Natural, "Implantation": event.Embryo}
	checkIn    = map[string]string{"Echography": event.Ultrasound, "Palpation": event.ByPalpation, "Blood": event.Blood, "Milk": event.Milk}
	checkOut   = map[string]string{event.Ultrasound: "Echography", event.ByPalpation: "Palpation", event.Blood: "Blood", event.Milk: "Milk"}
	resultIn   = map[string]string{"Empty": event.Open, "Pregnant": event.Pregnant, "Multiple": event.Pregnant, unknown: event.Unclear}
	resultOut  = map[string]string{event.Open: "Empty", event.Pregnant: "Pregnant", event.Unclear: unknown}
	arrivalIn  = map[string]string{"Purchase": event.Purchased, "Sale": event.Purchased, "Imported": event.Purchased}
	arrivalOut = map[string]string{event.Purchased: "Purchase", event.Transferred: internalTransfer}

	departureIn  = map[string]string{"Sale": event.Sold, "Export": event.Sold, "Slaughter": event.Culled}
	departureOut = map[string]string{event.Sold: "Sale", event.Culled: "Slaughter", event.Transferred: internalTransfer}
	// arrivalKnown and departureKnown are words that say something else than the
	// tables above: she came or went alive, and was not sold.
	arrivalKnown   = []string{internalTransfer, "StudService", "StudServiceReturn", "Slaughter", "Agistment", "AgistmentReturn", "Show", "ShowReturn", "SaleReturn", other}
	departureKnown = []string{internalTransfer, "Newborn", "StudService", "StudServiceReturn", "Agistment", "AgistmentReturn", "Show", "ShowReturn", "SaleReturn", other}
)

// reasons are the words of a herd that ADE has one for; a reason is free text
// with us, and only an exact word is one of theirs.
var reasons = []struct{ own, departure, death string }{
	{"infertility", fertility, fertility},
	{"fertility", fertility, fertility},
	{"age", "Age", "Age"},
	{"mastitis", "Mastitis", "Mastitis"},
	{"lameness", "LegOrClaw", "LegOrClaw"},
	{"nutrition", "Nutrition", "Nutrition"},
	{"production", "Production", "Production"},
	{"low production", "Production", "Production"},
	{"milking ability", "MilkingAbility", "MilkingAbility"},
	{"calving", "Parturition", "Parturition"},
	{"health", "Health", "Disease"},
	{"disease", "Health", "Disease"},
	{"behaviour", "Behaviour", other},
	{"superfluous", "Superfluous", other},
	{"type", "BadType", other},
	{"accident", other, "Accident"},
	{"missing", other, "Missing"},
}

// reasonOut gives ADE's words for a reason; "" stands for none given.
func reasonOut(reason string) (departure, death string) {
	if reason == "" {
		return "", unknown
	}
	for _, r := range reasons {
		if strings.EqualFold(r.own, reason) {
			return r.departure, r.death
		}
	}
	return other, other
}

// reasonIn gives the herd's word for ADE's, "" where it says nothing.
func reasonIn(word string) string {
	switch word {
	case "", other, unknown:
		return ""
	}
	for _, r := range reasons {
		if r.departure == word || r.death == word {
			return r.own
		}
	}
	return strings.ToLower(word)
}
