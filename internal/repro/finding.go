package repro

// findings of one animal: what the fold noticed.
func (k *lookup) findings(l *life) []Finding {
	out := make([]Finding, 0, len(l.notes))
	for _, n := range l.notes {
		d := noteTexts[n.code]
		out = append(out, Finding{Code: d.code, Rule: d.rule, Animal: k.h.words.text(l.name(n.on)), On: n.on, Text: d.text, Seqs: []int64{n.seq}})
	}
	return out
}

var noteTexts = []struct{ code, rule, text string }{
	noteFirstSeen:     {"no_arrival", "R1", "she was never recorded as arriving; she counts as present from this first event on"},
	noteArrivedTwice:  {"arrived_twice", "R1", "an arrival of an animal that is here already; taken as a second statement about her"},
	noteNumberReused:  {"number_reused", "R1", "another animal took this number while she was here; she counts as gone from that day"},
	noteNumberTaken:   {"number_taken", "R1", "she was given a number that another animal bore"},
	noteAfterLeaving:  {"after_leaving", "R18", "an event after she left the herd and before any arrival; left out of every figure"},
	noteOldNumber:     {"old_number", "R1", "recorded under a number that she no longer bears; taken as hers"},
	noteCalvingTwice:  {"calving_twice", "R20", "a second report of a calving within seven days; taken as the same calving"},
	noteEarlyPositive: {"diagnosis_too_early", "R13", "diagnosed pregnant too early after the service or calving; does not count unless a later diagnosis finds her pregnant"},
	noteEarlyOpen:     {"diagnosis_too_early", "R13", "diagnosed open too early after the service; does not count for that service"},
	noteStageOff:      {"stage_off", "R12", "the stage given and the service differ by more than ten days"},
	noteNoService:     {"no_service", "R14", "pregnant without a recorded service that fits"},
	noteBredPregnant:  {"bred_while_pregnant", "R11", "bred while recorded pregnant; the pregnancy stands until a diagnosis says otherwise: examine her"},
	noteHeatPregnant:  {"heat_while_pregnant", "R11", "in heat while recorded pregnant; the pregnancy stands until a diagnosis says otherwise: examine her"},
	noteReinstated:    {"open_then_pregnant", "R20", "diagnosed open or a loss recorded, and pregnant from before that day by a later diagnosis or calving; the loss is taken as an error"},
	noteNothingLost:   {"loss_without_service", "R14", "a loss without any service or pregnancy that it could have ended"},
	noteConceptions:   {"conceptions_differ", "R12", "two examinations date her conception differently; the first stands"},
	noteGestation:     {"gestation_off", "R3", "the calving lies more than eighteen days from the mean gestation of her breed"},
}
