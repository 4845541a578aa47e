package repro

import (
	"fmt"
	"strings"

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
	ReasonFeltPregnant   = "felt_in_heat_while_pregnant"
	ReasonFoundPregnant  = "palpated_pregnant"
	ReasonAfterLoss      = "after_loss"
	ReasonLost           = "lost"
	ReasonRebreed        = "standing_again"
	ReasonRepeat         = "repeat_breeder"
	ReasonProgram        = "in_a_programme"
	ReasonSizeUnknown    = "size_unknown"
	ReasonCalvingMissing = "calving_missing"
	ReasonStopped        = "stopped"
	ReasonDry            = "dry"
	ReasonWaiting        = "waiting_period"
	ReasonTooYoung       = "too_young"
	ReasonTooSmall       = "too_small"
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

var strength = map[Verdict]int{"": 0, Yes: 1, WhenInHeat: 2, ExamineFirst: 3, No: 4}

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

// EligibilityCalled is Eligibility also by official identity, where nobody ever bore the
// text as a number. It is nil if there is none; the error is an [*AmbiguousError].
func (h *Herd) EligibilityCalled(text string, on event.Date) (*Eligibility, error) {
	k := h.at(on)
	l, number, _, err := k.called(text)
	if l == nil {
		return nil, err
	}
	a := k.ask(l, number)
	a.answer(a.readings())
	return &a.e, nil
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
	a.rules(reading)
	a.afterLoss(reading)
	a.sinceService(reading)
	a.beside()
	a.withheldPeriods()
	switch s := reading.suspected(); {
	case s != nil && a.verdict == No:
		// A doubtful mark tells no more than a clear one, and that would be no.
		a.say(ReasonSuspect, "", s.on, a.on, "read as suspect %s", daysAgo(int(a.on-s.on)))
	case s != nil:
		a.say(ReasonSuspect, ExamineFirst, s.on, a.on, "read as suspect %s: examine her: pregnant? uterine tone? mucus?", daysAgo(int(a.on-s.on)))
	case a.verdict != No:
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

// sign is what of today or yesterday points to heat and nobody has answered yet.
func (r *reading) sign() *rec {
	if s := r.inHeat(); s != nil {
		return s
	}
	return r.suspected()
}

// before is the heat of yesterday that nobody has answered since, by reading or by
// hand.
func (r *reading) before() *rec {
	y := r.yesterday
	if r.handYesterday != nil {
		y = r.handYesterday
	}
	if y == nil || y.a != inHeat || r.today != nil || r.hand != nil || r.walked {
		return nil
	}
	return y
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
		a.say(ReasonPregnant, a.signWhilePregnant(p, r), p.begins(), 0, "she is recorded as pregnant: %s; %s", how, when)
		switch sign := r.sign(); {
		case sign == nil:
		case sign == r.hand:
			a.say(ReasonFeltPregnant, No, a.on, 0, "felt in heat by hand today%s, and recorded as pregnant: she is not bred until a pregnancy diagnosis by whoever may make one finds her open", felt(r.hand))
		case a.verdict == No:
			a.say(ReasonHeatPregnant, No, a.on, a.on, "a sign of heat in a cow far in calf: some pregnant cows show heat; report it to whoever diagnoses, and do not breed her on it")
		default:
			a.say(ReasonHeatPregnant, ExamineFirst, a.on, a.on, "a sign of heat in a cow recorded as pregnant: some pregnant cows show heat; examine her again before anyone changes the record, and do not breed her on the sign alone")
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

// farInCalf is the day of pregnancy from which a mark on her tail head is no reason
// to examine her: a second check falls before it (day 60 to 75), few pregnancies are
// lost after it (V16: some 2 % from day 60 to 90), and one pregnant cow in eighteen
// shows heat (V20). That it is day 90 is common practice, no source.
const farInCalf = 90

// signWhilePregnant is what a sign of heat in a pregnant cow comes to: never yes,
// since the sign alone does not end a pregnancy (R11).
func (a *asking) signWhilePregnant(p *pregnancy, r reading) Verdict {
	sign := r.sign()
	if sign == nil || sign == r.hand || p.conceived != 0 && a.on-p.conceived >= farInCalf {
		return No
	}
	return ExamineFirst
}

// felt tells what the hand found, in words: ", strong tone, clear mucus".
func felt(r *rec) string {
	var b strings.Builder
	if w := toneWords[r.c>>4]; w != "" {
		b.WriteString(", " + w + " tone")
	}
	if w := mucusWords[r.c&15]; w != "" {
		b.WriteString(", mucus " + w)
	}
	return b.String()
}

// lossWaits is the day of pregnancy from which a loss is followed by the herd's own
// days of rest: the fetus begins on day 43 (indices.md 1.10).
const lossWaits = embryoDays + 1

// afterLoss is the rest after a loss that no service followed.
func (a *asking) afterLoss(r reading) {
	p, until := a.lossBefore(a.l, a.lac)
	switch {
	case p == nil || a.on > until:
	case p.conceived != 0 && p.lostOn-p.conceived >= lossWaits:
		a.say(ReasonAfterLoss, No, p.lostOn, until, "she conceived and lost it (recorded %s) after %d days; she rests until %s", p.lostOn, p.lostOn-p.conceived, until)
	case r.hand != nil && r.hand.a == inHeat:
		a.say(ReasonAfterLoss, "", p.lostOn, until, "she conceived and lost it early (recorded %s)", p.lostOn)
	default:
		a.say(ReasonAfterLoss, ExamineFirst, p.lostOn, until, "she conceived and lost it early (recorded %s): is the uterus clean and toned again", p.lostOn)
	}
}

// lossBefore is the loss that she rests after, and the last day of that rest; nil
// where there is none or a service came after it.
func (k *lookup) lossBefore(l *life, lac *lactation) (*pregnancy, event.Date) {
	if len(l.pregnancies) == 0 {
		return nil, 0
	}
	p := &l.pregnancies[len(l.pregnancies)-1]
	if p.lostOn == 0 || p.lostOn > k.on || &l.lactations[p.lactation] != lac {
		return nil, 0
	}
	if s := k.service(l, lac); s != nil && s.last > p.lostOn {
		return nil, 0
	}
	return p, p.lostOn + event.Date(k.h.policies.On(k.on).WaitAfterLoss) - 1
}

// beside says what whoever breeds her should know and no rule forbids.
func (a *asking) beside() {
	next := 1
	if s := a.service(a.l, a.lac); s != nil {
		next = int(s.number) + 1
		if s.last == a.on || s.awaits() && a.on <= s.last+defaultMerge {
			next--
		}
	}
	if from := a.h.policies.On(a.on).RepeatBreederFrom; next >= from && a.l.pregnancyOn(a.on) == nil {
		a.say(ReasonRepeat, "", 0, 0, "a repeat breeder: service %d of this lactation, and the herd looks at them from the %s on", next, ordinal(from))
	}
	if t := a.programme(a.l); t != nil {
		w := a.l.side.withheld[t.text]
		step := ""
		if s := a.h.words.text(w.step); s != "" {
			step = ", step " + s
		}
		a.say(ReasonProgram, "", t.on, 0, "in the timed programme %s (%s%s): stop the programme if she is bred", a.h.words.text(w.program), t.on, step)
	}
}

// programmeDays is how long a step of a programme is taken to be followed by another:
// common practice, no source.
const programmeDays = 14

// programme is the last step of a timed programme that no breeding has ended.
func (k *lookup) programme(l *life) *rec {
	recs := upTo(l.recs, k.on)
	for i := len(recs) - 1; i >= 0 && k.on-recs[i].on <= programmeDays; i-- {
		switch r := &recs[i]; r.kind {
		case event.KindBreeding, event.KindCalving:
			return nil
		case event.KindTreatment:
			if l.side.withheld[r.text].program != 0 {
				return r
			}
		default: // says nothing of a programme
		}
	}
	return nil
}

func ordinal(n int) string {
	switch {
	case n%10 == 1 && n != 11:
		return fmt.Sprintf("%dst", n)
	case n%10 == 2 && n != 12:
		return fmt.Sprintf("%dnd", n)
	case n%10 == 3 && n != 13:
		return fmt.Sprintf("%drd", n)
	}
	return fmt.Sprintf("%dth", n)
}

// rules are the herd's own: stop, dry, waiting period, age and size.
func (a *asking) rules(r reading) {
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
		if due := a.pastDue(l); due != 0 && (r.sign() != nil || r.hand != nil) {
			a.say(ReasonCalvingMissing, No, due, 0, "she was due on %s: is a calving missing", due)
		}
	}
	ready := a.h.mayBeBred(l, lac, a.on)
	p := a.h.policies.On(a.on)
	switch {
	case lac.heifer() && ready == 0:
		a.say(ReasonAgeUnknown, ExamineFirst, 0, 0, "a heifer whose birth is not recorded: is she old and big enough")
	case lac.heifer() && a.on < ready:
		a.say(ReasonTooYoung, No, l.born, ready-1, "a heifer of %d days; heifers are bred from day %d on", a.on-l.born, ready-l.born)
	case lac.heifer():
		a.size()
	case ready == 0 && r.hand != nil && r.hand.a == inHeat:
		a.say(ReasonCalvingUnknown, "", 0, 0, "no calving of hers is recorded, so that it is not known whether the waiting period is over")
	case ready == 0:
		a.say(ReasonCalvingUnknown, ExamineFirst, 0, 0, "no calving of hers is recorded, so that it is not known whether the waiting period is over or whether she is pregnant")
	case a.on < ready:
		a.say(ReasonWaiting, No, lac.calved, ready-1, "%d days in milk; the waiting period of %d days lasts until %s", a.on-lac.calved, ready-lac.calved, ready-1)
	case p.LastBreedingDays != 0 && int(a.on-lac.calved) > p.LastBreedingDays:
		a.say(ReasonPastLast, No, lac.calved+event.Date(p.LastBreedingDays)+1, 0, "%d days in milk; this herd breeds no cow after day %d", a.on-lac.calved, p.LastBreedingDays)
	}
}

// size asks whether a heifer that is old enough is big enough, unless somebody has
// said so: the latest who did is believed.
func (a *asking) size() {
	switch r := a.l.judgedSize(a.on); {
	case r == nil:
		a.say(ReasonSizeUnknown, "", 0, 0, "a heifer of %s; size not known: is she big enough", months(int(a.on-a.l.born)))
	case r.a == tooSmall:
		a.say(ReasonTooSmall, No, r.on, 0, "judged too small to be bred on %s; judge her again when she has grown", r.on)
	}
}

// months gives an age in days in whole months of 30.4 days.
func months(days int) string { return plural(days*10/304, "month") }

// pastDue is the due date of a pregnancy that lies behind the day; 0 if none does.
func (k *lookup) pastDue(l *life) event.Date {
	if p := l.pregnancyOn(k.on); p != nil {
		if due, _ := k.h.due(l, p); due != 0 && due < k.on {
			return due
		}
	}
	return 0
}

// again tells whether she stands in heat again so long after a breeding that the
// herd breeds her once more in the same heat, and after how many hours.
func (a *asking) again(s *service, sign *rec) (hours int, ok bool) {
	after := a.h.policies.On(a.on).RebreedAfterHours
	if after == 0 || sign == nil || !sign.standing() || s.from < 0 {
		return 0, false
	}
	last := &a.l.recs[s.to-1]
	minutes := 24 * 60 * int(sign.on-last.on)
	if sign.minute != noon && last.minute != noon { // else the time of one of the two is not known
		minutes += int(sign.minute - last.minute)
	}
	return minutes / 60, minutes >= 60*after
}

// standing tells whether somebody saw her stand, or watched her heat.
func (r *rec) standing() bool {
	return r.kind == event.KindHeat && (r.num&signStanding != 0 || foundWords[r.c] == watching)
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
		if hours, ok := a.again(s, r.inHeat()); ok {
			a.say(ReasonRebreed, Yes, s.first, s.last+defaultMerge, "bred %s and standing again after %s: this herd breeds her once more", daysAgo(days), plural(hours, "hour"))
			return
		}
		a.say(ReasonSameHeat, No, s.first, s.last+defaultMerge, "bred %s: this is the same heat", daysAgo(days))
		return
	case s.outcome == lost:
		if p, until := a.lossBefore(a.l, a.lac); p == nil || a.on > until { // else it is said already
			a.say(ReasonLost, "", s.whyOn, 0, "she conceived to her last service, %s, and lost it (recorded %s)", s.last, a.lostOn(s))
		}
		return
	case !s.awaits():
		a.say(ReasonOpen, "", s.whyOn, 0, "her last service, %s, did not hold: %s", s.last, whyTexts[s.why])
		return
	}
	seen := r.inHeat()
	if seen == nil {
		seen = r.before()
	}
	v := ExamineFirst
	if seen != nil && seen.kind == event.KindPalpation {
		v = Yes // what the hand found decides
	}
	switch {
	case days < 18:
		a.say(ReasonShortReturn, v, s.last, s.last+17, "bred %s, result not known: too soon for a normal return (18 to 24 days)", daysAgo(days))
	case days <= 24:
		if seen != nil {
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

// lostOn is when the loss of what a service brought was recorded.
func (a *asking) lostOn(s *service) event.Date {
	if s.pregnancy >= 0 {
		return a.l.pregnancies[s.pregnancy].lostOn
	}
	return s.whyOn
}

// heat judges the signs of the day in a cow that nothing else speaks against.
func (a *asking) heat(r reading) {
	switch {
	case r.hand != nil && r.hand.a == inHeat:
		a.say(ReasonPalpatedHeat, Yes, a.on, a.on, "found in heat by palpation today%s", felt(r.hand))
	case r.hand != nil && r.hand.a == notInHeat:
		a.say(ReasonPalpatedNot, No, a.on, a.on, "found not in heat by palpation today%s", felt(r.hand))
	case r.hand != nil && r.hand.a == unclear:
		a.say(ReasonPalpatedUnsure, ExamineFirst, a.on, a.on, "the palpation of today was unclear: look at her again")
	case r.today != nil && r.today.a == inHeat:
		a.say(ReasonInHeat, Yes, a.on, a.on, "read in heat today")
	case r.today != nil && r.today.a == notInHeat, r.walked:
		text := "read not in heat today"
		if r.walked {
			text = "her pen was walked today and nothing was noted of her: read not in heat"
		}
		a.without(ReasonNotInHeat, text)
	case r.before() != nil:
		a.say(ReasonInHeat, Yes, a.on-1, a.on, "%s and not bred since", saw(r.before(), a.on))
	default:
		a.without(ReasonNoReading, "no heat seen today")
	}
}

// without says that no heat was seen, and that she may be bred when she is in heat
// where nothing else was said.
func (a *asking) without(code, text string) {
	if a.verdict != "" {
		a.say(code, "", a.on, a.on, "%s", text)
		return
	}
	a.say(code, WhenInHeat, a.on, a.on, "%s; may be bred when she is in heat", text)
}
