package repro

// rowWord is a row's code as it is printed: a word or two, and what it means
// on the sheet. The row's own text says the same of the one animal.
type rowWord struct{ word, meaning string }

var rowWords = map[string]rowWord{
	RowOpen:              {"open", "open and past the waiting period: a rub is a heat to breed on"},
	RowOpenExpected:      {"open, expected", "open, and last in heat 18 to 24 days ago: look twice; a rub is a heat to breed on"},
	ReasonSameHeat:       {"same heat", "bred today or yesterday: a rub is still the same heat"},
	ReasonShortReturn:    {"too soon", "bred fewer than 18 days ago: this heat or the last was none, or it is another cow; examine first"},
	ReasonNormalReturn:   {"return 18-24", "bred 18 to 24 days ago: rubbed off, she did not hold; partly rubbed, examine first"},
	ReasonOffReturn:      {"return 36-48", "bred 36 to 48 days ago and not diagnosed: she may be pregnant; examine first"},
	ReasonBred:           {"state unknown", "bred and not diagnosed, between or after the returns: she may be pregnant; examine first"},
	ReasonBullRun:        {"with a bull", "ran with a bull and was not diagnosed since: she may be pregnant; examine first"},
	ReasonPregnant:       {"pregnant", "recorded as pregnant: some pregnant cows show heat; examine again, do not breed on the sign"},
	ReasonWaiting:        {"waiting period", "within the waiting period: note a rub, do not breed"},
	ReasonTooYoung:       {"too young", "too young to be bred"},
	ReasonTooSmall:       {"too small", "judged too small to be bred: judge her again when she has grown"},
	ReasonStopped:        {"not to be bred", "the herd does not breed her: note a rub and no more"},
	ReasonPastLast:       {"past last day", "past the herd's last day of breeding: note a rub and no more"},
	ReasonCalvingUnknown: {"calving unknown", "no calving of hers is recorded: her state is not known; examine first"},
	ReasonAgeUnknown:     {"age unknown", "a heifer whose birth is not recorded: is she old and big enough, is she pregnant"},
	ReasonSuspect:        {"suspect", "a mark partly rubbed, or a doubtful sign, that nobody has examined"},
	ReasonHeatPregnant:   {"pregnant, sign", "recorded as pregnant and a sign of heat: examine before anyone changes the record"},
	ReasonInHeat:         {"in heat", "read in heat: may be bred"},
	ReasonPalpatedHeat:   {"felt in heat", "found in heat by hand: may be bred"},
	ReasonAfterLoss:      {"lost it", "she conceived and lost it: she rests first, or is examined first where the loss came early"},
	ReasonPalpatedUnsure: {"felt, unclear", "the hand was not sure today: look at her again"},
	ReasonEarlyDiagnosis: {"diagnosed early", "diagnosed pregnant too early for it to count: examine first"},
	RowDiagnose:          {"result unknown", "bred, and not known whether she is pregnant"},
	RowConfirm:           {"confirm", "pregnant by one check: second check at day 60 to 75"},
	RowConfirmLate:       {"confirm, late", "pregnant by one check, and the second of day 60 to 75 was missed"},
	RowInDoubt:           {"in doubt", "recorded as pregnant and felt in heat since: a diagnosis decides"},
	RowNeverSeen:         {"never seen", "past the waiting period, not bred, and never seen in heat"},
	RowNotSeen:           {"not seen since", "past the waiting period, not bred, and not seen in heat again"},
	RowRepeat:            {"not pregnant", "the services so far did not hold; her next is one of a repeat breeder"},
	RowRepeatBred:        {"result unknown", "bred as a repeat breeder, and not known whether she is pregnant"},
	RowLossRecorded:      {"loss recorded", "a loss was recorded, and nobody examined or bred her since"},
	RowLossConcluded:     {"loss concluded", "diagnosed open after she was known pregnant, and not examined or bred since"},
	RowDue:               {"due", "due to calve"},
	RowPastDue:           {"past due", "past her due date"},
	RowDryOff:            {"dry off", "to be dried off"},
	RowDryOffLate:        {"dry off, late", "fewer than 40 days are left until she is due"},
}

// Meaning says what a word on a printed list means; "" for a finding, whose
// text says it.
func Meaning(code string) string { return rowWords[code].meaning }
