package repro

// findingRule is what is said of every finding of one code.
type findingRule struct {
	rule, severity, bound, ask string
	sources                    []string
}

const fromMemory = "from memory, no source read"

var findingRules = map[string]findingRule{
	"no_arrival":    {"R1", SeverityNote, "every animal enters by an arrival", "when and how did she come", []string{"S96"}},
	"arrived_twice": {"R1", SeverityDoubtful, "one arrival for each stay", "is it another animal with the same number, or a departure that was not recorded", []string{"S96"}},
	"number_reused": {"R1", SeveritySerious, "a number is never borne by two animals at once", "when did the first bearer leave", []string{"S96"}},
	"number_taken":  {"R1", SeveritySerious, "a number is never borne by two animals at once", "which of the two bears it, and what is the other called", []string{"S96"}},
	"old_number":    {"R1", SeverityNote, "events go under the number of the day", "is it her, or a mistyped number", []string{"S96"}},

	"before_birth": {"R2", SeveritySerious, "no event before the birth", "is the birth or the event misdated", []string{"common practice"}},

	"gestation_off":      {"R3", SeverityDoubtful, "within 18 days (three standard deviations) of the mean gestation of her breed; in one herd 262 to 296 days", "is a service missing, or another cow's", []string{"S59", "S60"}},
	"overdue":            {"R3", SeveritySerious, "no gestation over 302 days", "did she calve, lose the calf, or leave", []string{"S59", "S60", fromMemory}},
	"calved_early":       {"R4", SeveritySerious, "a calving is premature before day 271 after service, 265 after transfer of an embryo", "is the date of service right; has it been reported where the law wants it", []string{"S55"}},
	"calved_early_alive": {"R4", SeverityNote, "a calving is premature before day 271 after service; from day 260 on a calf may live", "is the date of service right; did the calf live", []string{"S55", "common practice"}},
	"aborted":            {"R4", SeveritySerious, "in some countries every abortion must be reported", "has it been reported where the law wants it; who touched what she lost", []string{"S55"}},
	"calving_missing":    {"R6", SeverityDoubtful, "a cow that is dry and past due is not in heat, bred or diagnosed before she has calved", "did she calve, and when", []string{"common practice"}},

	"calving_interval_short": {"R5", SeverityDoubtful, "300 days or more", "is one of the calvings a loss, or another cow's", []string{"S97"}},
	"parity_differs":         {"R6", SeverityDoubtful, "each calving adds one to the number of the calving or arrival before", "is a calving missing; is it the right cow", []string{"common practice"}},
	"calving_interval_long":  {"R6", SeverityDoubtful, "at most 700 days", "is a calving missing", []string{fromMemory}},
	"calved_very_young":      {"R7", SeveritySerious, "18 months (548 days) or more at first calving", "is her birth right; is it the right heifer", []string{"S86", fromMemory}},
	"calved_young":           {"R7", SeverityDoubtful, "21 months (639 days) or more at first calving", "is her birth right", []string{"S86"}},
	"calved_old":             {"R7", SeverityDoubtful, "at most 42 months (1278 days) at first calving", "is an earlier calving missing", []string{"S86"}},

	"bred_very_soon": {"R8", SeveritySerious, "7 days or more from calving to first service", "is it the right cow, and is the calving rightly dated", []string{"S24"}},
	"bred_soon":      {"R8", SeverityDoubtful, "20 days or more from calving to first service", "is it the right cow", []string{"S19", "S24", "S98"}},
	"return_short":   {"R9", SeverityDoubtful, "18 days or more between services (0 to 1: one heat)", "which of the two heats was one; is it the right cow", []string{"S1"}},
	"return_late":    {"R9", SeverityNote, "at most 48 days between services", "were heats missed, or a pregnancy lost early", []string{"S1"}},

	"heifer_bred_young":      {"R10", SeverityDoubtful, "12 months (365 days) or more at first service", "is her birth right; is it the right heifer", []string{"S83"}},
	"heifer_bred_very_young": {"R10", SeveritySerious, "9 months (270 days) or more at first service", "is her birth right; is it the right heifer", []string{fromMemory}},

	"bred_while_pregnant": {"R11", SeveritySerious, "no service of a cow known to be pregnant", "examine her: is she still pregnant, and to which service", []string{"S65"}},
	"heat_while_pregnant": {"R11", SeverityDoubtful, "a heat does not end a pregnancy: 5.7 % of pregnant cows show one", "examine her before anyone changes the record", []string{"S65"}},

	"stage_off":          {"R12", SeverityDoubtful, "stage and service agree within ten days", "which service did she conceive to; was the stage written down right", []string{"common practice"}},
	"stage_alone":        {"R12", SeverityDoubtful, "a stage alone dates a conception from day 35 to 122", "when was she bred", []string{"S24"}},
	"conceptions_differ": {"R12", SeverityDoubtful, "two examinations agree within ten days", "which of the two is right", []string{"common practice"}},

	"diagnosis_too_early": {"R13", SeverityDoubtful, "ultrasound from day 26, palpation from day 35, blood and milk from day 28 and day 60 after calving, or the herd's own earlier days", "examine her again", []string{"S49", "S50", "S51"}},

	"no_service":             {"R14", SeverityDoubtful, "a pregnancy follows a recorded service", "when was she bred, and to what", []string{"S24"}},
	"loss_without_service":   {"R14", SeverityDoubtful, "a loss follows a service or a pregnancy", "when was she bred; is it the right cow", []string{"S24"}},
	"repeat_breeder":         {"R15", SeverityNote, "fewer services in a lactation than the herd's policy calls a repeat breeder", "has somebody looked for the reason", []string{"common practice"}},
	"many_services":          {"R15", SeverityDoubtful, "at most 10 services in a lactation", "are they all hers; should she be bred on", []string{"S32"}},
	"too_many_services":      {"R15", SeveritySerious, "at most 15 services in a lactation", "are they all hers; should she be bred on", []string{"S32"}},
	"calved_without_service": {"R16", SeverityNote, "a calving follows a service or a diagnosis", "a bull in the herd, or a record that was lost", []string{"S8"}},
	"calving_too_soon":       {"R17", SeveritySerious, "240 days or more between calvings, unless a pregnancy was lost between", "is one of the two a loss, or another cow's", []string{"derived: no calf lives after a shorter gestation"}},
	"after_leaving":          {"R18", SeveritySerious, "no event between a departure and an arrival", "did she come back; is it another animal", []string{"common practice"}},

	"calving_twice":        {"R20", SeverityDoubtful, "two reports of a calving within 7 days are of the same one", "which of the two is right; void the other", []string{"S94"}},
	"maybe_recorded_twice": {"R20", SeverityDoubtful, "two recorders: services at most 1 day apart, diagnoses and losses at most 7", "one thing or two; if one, void the worse record", []string{"S94"}},
	"open_then_pregnant":   {"R20", SeverityDoubtful, "open, or a loss, and pregnant from before", "who examined, and is she pregnant now", []string{"S94"}},

	"dam_unknown": {"R21", SeverityDoubtful, "the dam of a calf born here is in the records", "what is the dam's number", []string{"common practice"}},
	"dam_male":    {"R21", SeveritySerious, "a dam is female", "what is the dam's number", []string{"common practice"}},
	"not_female":  {"R21", SeveritySerious, "only females are bred, diagnosed, dried off, and calve", "is the sex or the number wrong", []string{"common practice"}},

	"only_last_service": {"R22", SeverityDoubtful, "at most 60 % of conceptions from the only service recorded, or some interval between services", "are all services written down, or only the last", []string{"S33"}},
	"one_weekday":       {"R22", SeverityDoubtful, "services fall on more than one day of the week", "are the dates those of the services, or of the visit", []string{"common practice"}},
	"dates_heaped":      {"R22", SeverityDoubtful, "at most 20 % of services on the 1st or 15th (6.6 % by chance)", "are the dates exact", []string{"common practice"}},

	"bred_by_sire":      {"R23", SeverityDoubtful, "no cow is bred by her own sire: a quarter of the calf's genes would be alike by descent", "is it the right bull, and the right cow", []string{"Wright 1922, Am Nat 56:330 (coefficient of inbreeding; from memory)"}},
	"bred_by_dams_sire": {"R23", SeverityDoubtful, "no cow is bred by the sire of her dam: an eighth of the calf's genes would be alike by descent", "is it the right bull, and the right cow", []string{"Wright 1922, Am Nat 56:330 (coefficient of inbreeding; from memory)"}},

	"left_late_pregnant": {"caution", SeveritySerious, "no transport in the last tenth of pregnancy (European Union)", "is the date of conception right; where did she go", []string{"S116"}},
	"left_withheld":      {"caution", SeveritySerious, "no animal leaves for slaughter while her meat is withheld", "who was told; is the date of the treatment right", []string{"S110"}},
}
