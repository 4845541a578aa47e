package repro

import (
	"fmt"

	"byrelog.example/internal/event"
)

// Codes of the reasons that Eligibility gives.
const (
	ReasonUnknownAnimal  = "unknown_animal"
	ReasonNotYetHere     = "not_yet_here"
	ReasonGone           = "gone"
	ReasonMale           = "not_female"
	ReasonPregnant       = "pregnant"
	ReasonHeatPregnant   = "heat_while_pregnant"
	ReasonFoundPregnant  = "palpated_pregnant"
	ReasonStopped        = "stopped"
	ReasonDry            = "dry"
	ReasonWaiting        = "waiting_period"
	ReasonTooYoung       = "too_young"
	ReasonAgeUnknown     = "age_unknown"
	ReasonPastLast       = "past_last_breeding_day"
	ReasonSameHeat       = "same_heat"
	ReasonBred           = "bred_result_unknown"
	ReasonNormalReturn   = "normal_return"
	ReasonShortReturn    = "short_return"
	ReasonOffReturn      = "off_return"
	ReasonBullRun        = "with_a_bull"
	ReasonEarlyDiagnosis = "diagnosis_too_early"
	ReasonSuspect        = "suspect_heat"
	ReasonPalpatedHeat   = "palpated_in_heat"
	ReasonPalpatedNot    = "palpated_not_in_heat"
	ReasonPalpatedUnsure = "palpated_unclear"
	ReasonInHeat         = "in_heat"
	ReasonNotInHeat      = "read_not_in_heat"
	ReasonNoReading      = "no_heat_reading"
	ReasonOpen           = "open"
	ReasonClear          = "clear"
	ReasonCalvingUnknown = "calving_unknown"
	ReasonWithheldMilk   = "milk_withheld"
	ReasonWithheldMeat   = "meat_withheld"
)

var examineTexts = []string{
	"is she pregnant: feel for it before anything is passed into the uterus",
	"tone of the uterus",
	"mucus: clear, cloudy, bloody, pus",
}

// asking gathers the reasons of one answer.
type asking struct {
	*lookup
	l       *life
	lac     *lactation
	e       Eligibility
	verdict Verdict
}

var strength = map[Verdict]int{"": 0, Yes: 1, ExamineFirst: 2, No: 3}

// say adds a reason; the strongest verdict of all reasons is the answer.
func (a *asking) say(code string, v Verdict, since, until event.Date, format string, args ...any) {
	a.e.Reasons = append(a.e.Reasons, Reason{Code: code, Text: fmt.Sprintf(format, args...), Verdict: v, Since: since, Until: until})
	if strength[v] > strength[a.verdict] {
		a.verdict = v
	}
}

// Eligibility answers whether an animal may be bred on a day. It is false if
// nobody has ever borne the number by then; the answer then says so and is no.
func (h *Herd) Eligibility(animal string, on event.Date) (Eligibility, bool) {
	k := h.at(on)
	l, _ := k.find(animal)
	if l == nil {
		a := &asking{lookup: k, e: emptyEligibility(animal, k.on)}
		a.say(ReasonUnknownAnimal, No, 0, 0, "nothing is recorded of an animal %s by this day", animal)
		a.e.Status = Status{StatusUnknown, "not in the records"}
		a.e.Verdict = No
		return a.e, false
	}
	a := k.ask(l, animal)
	a.answer(a.readings())
	return a.e, true
}

func emptyEligibility(animal string, on event.Date) Eligibility {
	return Eligibility{Animal: animal, On: on, Reasons: []Reason{}, Examine: []string{}, Caution: []string{}}
}

// ask begins a question about an animal that the records know.
func (k *lookup) ask(l *life, animal string) *asking {
	code := k.status(l)
	a := &asking{lookup: k, l: l, lac: &l.lactations[l.lactationOn(k.on)], e: emptyEligibility(animal, k.on)}
	a.e.Status = Status{code, statusTexts[code]}
	return a
}

// answer settles the verdict under a reading of the day.
func (a *asking) answer(r reading) {
	l := a.l
	switch {
	case a.e.Status.Code == StatusGone:
		a.say(ReasonGone, No, l.out, 0, "she left the herd on %s", l.out)
	case a.e.Status.Code == StatusMale:
		a.say(ReasonMale, No, 0, 0, "the animal is recorded as male")
	case a.on < l.in:
		a.say(ReasonNotYetHere, No, 0, l.in-1, "she comes to the herd on %s", l.in)
	default:
		a.judge(r)
	}
	a.e.Verdict = a.verdict
	if a.verdict == ExamineFirst {
		a.e.Examine = examineTexts
	}
	if a.verdict != No || l.pregnancyOn(a.on) != nil {
		a.e.Caution = cautionTexts
	}
}

// judge asks everything that bears on a female that is here.
func (a *asking) judge(reading reading) {
	a.pregnancy(reading)
	a.rules()
	a.sinceService(reading)
	a.withheldPeriods()
	if s := reading.suspected(); s != nil {
		a.say(ReasonSuspect, ExamineFirst, s.on, a.on, "read as suspect %s: examine her: pregnant? uterine tone? mucus?", daysAgo(int(a.on-s.on)))
		// Always, even where a rule forbids to breed her today: what the hand
		// finds is wanted in any case, and the rule's reason stands beside.
		a.verdict = ExamineFirst
	} else if a.verdict != No {
		a.heat(reading)
	}
}

// reading is what the eye, the chalk and the hand said today and yesterday.
type reading struct {
	today, yesterday *rec // the last heat reading of the day
	hand             *rec // today's last palpation
	handYesterday    *rec
	walked           bool // her pen was walked today, and nothing noted of her
}

func (a *asking) readings() reading {
	var r reading
	recs := upTo(a.l.recs, a.on)
	for i := len(recs) - 1; i >= 0 && recs[i].on >= a.on-1; i-- {
		slot := (**rec)(nil)
		switch x := &recs[i]; {
		case x.kind == event.KindHeat && x.on == a.on:
			slot = &r.today
		case x.kind == event.KindHeat:
			slot = &r.yesterday
		case x.kind == event.KindPalpation && x.on == a.on:
			slot = &r.hand
		case x.kind == event.KindPalpation:
			slot = &r.handYesterday
		}
		if slot != nil && *slot == nil {
			*slot = &recs[i]
		}
	}
	r.walked = r.today == nil && a.h.walkedOn(a.l.penOn(a.on), a.on)
	return r
}

// examined tells whether today's palpation came after today's reading. One
// without a time did: she is examined because of what was seen.
func (r *reading) examined() bool {
	return r.hand != nil && (r.today == nil || r.hand.minute == noon || r.today.order(r.hand) < 0)
}

// noon is where an event without a time is placed.
const noon = 12 * 60

// suspected is the suspect reading that is not yet resolved: of today, or of
// yesterday if nobody has read or examined her since.
func (r *reading) suspected() *rec {
	if r.examined() {
		return nil
	}
	if r.today != nil {
		if r.today.a == suspect {
			return r.today
		}
		return nil
	}
	if r.yesterday != nil && r.yesterday.a == suspect && r.handYesterday == nil {
		return r.yesterday
	}
	return nil
}

// inHeat is the reading or palpation of today that finds her in heat.
func (r *reading) inHeat() *rec {
	if r.examined() {
		if r.hand.a == inHeat {
			return r.hand
		}
		return nil
	}
	if r.today != nil && r.today.a == inHeat {
		return r.today
	}
	return nil
}

func (a *asking) pregnancy(r reading) {
	if p := a.l.pregnancyOn(a.on); p != nil {
		how := "diagnosed pregnant on " + p.confirmed.String()
		switch p.method {
		case byArrival:
			how = "stated pregnant when she came on " + p.confirmed.String()
		case byCalving, byLoss:
			how = "known by what came after, on " + p.confirmed.String()
		}
		when := "date of conception not known"
		if p.conceived != 0 {
			when = fmt.Sprintf("conceived %s, %s", p.conceived, conceptionTexts[p.how])
		}
		sign := r.inHeat() != nil || r.suspected() != nil
		v := No
		if sign {
			v = ExamineFirst // never yes: the sign alone does not end a pregnancy (R11)
		}
		a.say(ReasonPregnant, v, p.begins(), 0, "she is recorded as pregnant: %s; %s", how, when)
		if sign {
			a.say(ReasonHeatPregnant, ExamineFirst, a.on, a.on, "a sign of heat in a cow recorded as pregnant: some pregnant cows show heat; examine her again before anyone changes the record, and do not breed her on the sign alone")
			a.e.Examine = examineTexts
		}
		return
	}
	if r.hand != nil && r.hand.a == pregnant {
		a.say(ReasonFoundPregnant, No, a.on, 0, "found pregnant by palpation today")
	}
	s := a.service(a.l, a.lac)
	if s.awaits() && s.early {
		a.say(ReasonEarlyDiagnosis, ExamineFirst, s.last, 0, "diagnosed pregnant too early after her service for it to count: confirm before breeding her")
	}
}

// rules are the herd's own: stop, dry, waiting period, age.
func (a *asking) rules() {
	l, lac := a.l, a.lac
	if s := l.stopOn(a.on); s != nil {
		text := "she is not to be bred"
		if reason := a.h.words.text(s.reason); reason != "" {
			text += ": " + reason
		}
		a.say(ReasonStopped, No, s.from, s.to, "%s", text)
	}
	if lac.dried != 0 {
		a.say(ReasonDry, No, lac.dried, 0, "she is dry since %s", lac.dried)
	}
	ready := a.h.mayBeBred(l, lac, a.on)
	p := a.h.policies.On(a.on)
	switch {
	case lac.heifer() && ready == 0:
		a.say(ReasonAgeUnknown, ExamineFirst, 0, 0, "a heifer whose birth is not recorded: is she old and big enough")
	case lac.heifer() && a.on < ready:
		a.say(ReasonTooYoung, No, l.born, ready-1, "a heifer of %d days; heifers are bred from day %d on", a.on-l.born, ready-l.born)
	case lac.heifer():
	case ready == 0:
		a.say(ReasonCalvingUnknown, ExamineFirst, 0, 0, "no calving of hers is recorded, so that it is not known whether the waiting period is over or whether she is pregnant")
	case a.on < ready:
		a.say(ReasonWaiting, No, lac.calved, ready-1, "%d days in milk; the waiting period of %d days lasts until %s", a.on-lac.calved, ready-lac.calved, ready-1)
	case p.LastBreedingDays != 0 && int(a.on-lac.calved) > p.LastBreedingDays:
		a.say(ReasonPastLast, No, lac.calved+event.Date(p.LastBreedingDays)+1, 0, "%d days in milk; this herd breeds no cow after day %d", a.on-lac.calved, p.LastBreedingDays)
	}
}

// sinceService judges the time since her last service.
func (a *asking) sinceService(r reading) {
	s := a.service(a.l, a.lac)
	if s == nil || a.l.pregnancyOn(a.on) != nil {
		return
	}
	days := int(a.on - s.last)
	switch {
	case s.run && days < 0, s.run && s.awaits():
		a.say(ReasonBullRun, ExamineFirst, s.first, s.last, "she ran with a bull from %s to %s and has not been diagnosed since: she may be pregnant", s.first, s.last)
		return
	case days <= defaultMerge:
		a.say(ReasonSameHeat, No, s.first, s.last+defaultMerge, "bred %s: this is the same heat", daysAgo(days))
		return
	case !s.awaits():
		a.say(ReasonOpen, "", s.whyOn, 0, "her last service, %s, did not hold: %s", s.last, whyTexts[s.why])
		return
	}
	examined := r.hand != nil && r.hand.a == inHeat
	v := ExamineFirst
	if examined {
		v = Yes // today's palpation decides
	}
	switch {
	case days < 18:
		a.say(ReasonShortReturn, v, s.last, s.last+17, "bred %s, result not known: too soon for a normal return (18 to 24 days)", daysAgo(days))
	case days <= 24:
		if v == ExamineFirst && r.inHeat() != nil {
			v = Yes
		}
		a.say(ReasonNormalReturn, v, s.last, s.last+24, "bred %s, result not known: within a normal return (18 to 24 days)", daysAgo(days))
	case days >= 36 && days <= 48:
		a.say(ReasonOffReturn, v, s.last, s.last+48, "bred %s and not diagnosed: a second return falls 36 to 48 days after breeding, but she may be pregnant", daysAgo(days))
	default:
		a.say(ReasonBred, v, s.last, 0, "bred %s and not diagnosed: her state is unknown, she may be pregnant", daysAgo(days))
	}
}

func daysAgo(n int) string {
	switch {
	case n <= 0:
		return "today"
	case n == 1:
		return "yesterday"
	}
	return fmt.Sprintf("%d days ago", n)
}

func (a *asking) withheldPeriods() {
	w := a.withheld(a.l)
	if w.MilkUntil != 0 {
		a.say(ReasonWithheldMilk, "", 0, w.MilkUntil, "her milk is withheld until %s after a treatment", w.MilkUntil)
	}
	if w.MeatUntil != 0 {
		a.say(ReasonWithheldMeat, "", 0, w.MeatUntil, "her meat is withheld until %s after a treatment", w.MeatUntil)
	}
}

// heat judges the signs of the day in a cow that nothing else speaks against.
func (a *asking) heat(r reading) {
	switch {
	case r.hand != nil && r.hand.a == inHeat:
		a.say(ReasonPalpatedHeat, Yes, a.on, a.on, "found in heat by palpation today")
	case r.hand != nil && r.hand.a == notInHeat:
		a.say(ReasonPalpatedNot, No, a.on, a.on, "found not in heat by palpation today")
	case r.hand != nil && r.hand.a == unclear:
		a.say(ReasonPalpatedUnsure, ExamineFirst, a.on, a.on, "the palpation of today was unclear: look at her again")
	case r.today != nil && r.today.a == inHeat:
		a.say(ReasonInHeat, Yes, a.on, a.on, "read in heat today")
	case r.today != nil && r.today.a == notInHeat, r.walked:
		text := "read not in heat today"
		if r.walked {
			text = "her pen was walked today and nothing was noted of her: read not in heat"
		}
		a.say(ReasonNotInHeat, "", a.on, a.on, "%s; there is no heat to breed her on", text)
		a.clear()
	case r.yesterday != nil && r.yesterday.a == inHeat:
		a.say(ReasonInHeat, Yes, r.yesterday.on, a.on, "read in heat yesterday and not bred since")
	default:
		a.say(ReasonNoReading, "", a.on, a.on, "no heat reading today")
		a.clear()
	}
}

// clear says that nothing speaks against breeding her, unless a reason has
// said yes already.
func (a *asking) clear() {
	if a.verdict == "" {
		a.say(ReasonClear, Yes, 0, 0, "nothing in her records speaks against breeding her when she is in heat")
	}
}
