package exchange

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// draft is a resource that was read: what it says, not yet what becomes of it.
type draft struct {
	at       string // JSON Pointer of the resource
	typ      string
	key      key
	modified time.Time
	deleted  bool
	event    *event.Event // nil if it is deleted
	own      bool         // the event comes from our own extension
	origin   uuid.UUID    // the event of which this is a copy, by our own extension
	animal   Identifier
	stated   string // her number in our own extension
	named    bool   // it is an arrival, and stated is what she is called by it
	tag      string // what the herd calls the animal, as far as the resource says
}

// item reads one resource.
type item struct {
	im       *Import
	d        draft
	top      *object
	failed   bool
	lost     []string
	note     []string
	problems []Problem
}

func (it *item) problem(at, code, format string, args ...any) {
	it.failed = true
	it.problems = append(it.problems, Problem{Pointer: at, ResourceType: it.d.typ, Code: code, Detail: fmt.Sprintf(format, args...)})
}

func (it *item) lose(member string) { it.lost = append(it.lost, member) }

// take reads the part of a body that should be a resource.
func (im *Import) take(p part) error {
	it := &item{im: im, d: draft{at: p.pointer}}
	if p.long {
		im.Items++
		it.problem(p.pointer, event.CodeTooLong, "a resource has at most %d bytes", MaxResource)
		im.keep(it)
		return nil
	}
	v, err := parse(p.raw)
	m, ok := v.(map[string]any)
	if ok && (m["id"] == "@context" || m["id"] == "@continuation") && m["resourceType"] == nil {
		return nil // the frame of an array of changes
	}
	if im.Items++; im.Items > MaxItems {
		return &TooManyError{}
	}
	switch {
	case err != nil:
		it.problem(p.pointer, event.CodeSyntax, "%v", err)
	case !ok:
		it.problem(p.pointer, event.CodeWrongType, "a resource is an object")
	default:
		it.top = &object{it: it, at: p.pointer, m: m, seen: map[string]bool{}}
		it.resource(p.raw)
	}
	im.keep(it)
	return nil
}

// resource reads the members that all resources have, then those of its type.
func (it *item) resource(raw []byte) {
	o := it.top
	typ := o.text("resourceType")
	if typ == "" {
		if !it.failed {
			o.bad("resourceType", event.CodeRequired, "resourceType is missing: it is the name of the resource's schema")
		}
		return
	}
	it.d.typ = cut(typ)
	if typ == misspelt {
		it.d.typ = typeService
	}
	read, known := readers[it.d.typ]
	if !known {
		it.im.unplaced(it.d.typ, "")
		it.d.typ = "" // it is told by its count
		return
	}
	it.meta(o.object("meta"), o.text("id"))
	it.location(o.object("location"))
	o.text("@self")
	it.d.animal = o.identifier("animal")
	if it.d.animal == (Identifier{}) && !it.failed {
		o.bad("animal", event.CodeRequired, "animal is missing")
	}
	if id := it.d.animal; !it.failed && (!fits(id.ID, 32) || !fits(id.Scheme, 64)) {
		it.problem(o.at+"/animal/id", event.CodeBadText, "an identifier has at most 32 characters and its scheme 64, without control characters and space around them")
	}
	if it.failed || it.d.deleted {
		return
	}
	if it.extension(raw) {
		return
	}
	if _, there := o.take(Extension); there {
		it.lose(Extension) // of somebody else's: what it means only he knows
	}
	e := &event.Event{Herd: it.im.System.Herd}
	e.On, e.At = it.moment(o, "eventDateTime", true)
	it.responsible(e, o.text("responsible"))
	remark := o.text("remark")
	e.Data = read(it, o, e, &remark)
	it.remark(e, remark)
	it.d.event = e
	o.leftovers()
}

// meta reads what identifies the resource and tells its age.
func (it *item) meta(m *object, id string) {
	if m == nil {
		if !it.failed {
			it.top.bad("meta", event.CodeRequired, "meta is missing: without source, sourceId and modified it cannot be told from another resource")
		}
		return
	}
	source, sourceID := m.text("source"), m.text("sourceId")
	if sourceID == "" {
		sourceID = id
	}
	for _, need := range []struct{ name, v string }{{"source", source}, {"sourceId", sourceID}, {"modified", m.text("modified")}} {
		if need.v == "" {
			m.bad(need.name, event.CodeRequired, "%s is missing", need.name)
		}
	}
	if it.failed {
		return
	}
	at, _, err := moment(m.text("modified"))
	if err != nil {
		m.bad("modified", event.CodeBadTime, "%v", err)
		return
	}
	if event.DateOf(at.In(it.im.System.Zone)) > it.im.Today+1 {
		m.bad("modified", event.CodeFuture, "%s lies in the future: no later version could be told from it", at.UTC().Format(time.RFC3339))
		return
	}
	it.d.key, it.d.modified = keyOf(source, sourceID), at.UTC()
	it.d.deleted = m.flag("isDeleted").V
	for _, name := range []string{"created", "creator", "validFrom", "validTo"} {
		m.seen[name] = true // about the record, not about the cow
	}
}

// location holds the place against the herd that is addressed. A resource of
// another place is refused unless the caller named that place.
func (it *item) location(o *object) {
	at := o.asIdentifier()
	s := it.im.System
	switch {
	case at == (Identifier{}) || at == *s.Location() || it.im.Location != "" && at.ID == it.im.Location:
	case it.im.Location != "":
		it.problem(o.at, event.CodeHerdMismatch, "it is of %s %s, not of %s", quote(at.Scheme), quote(at.ID), quote(it.im.Location))
	default:
		it.problem(o.at, event.CodeHerdMismatch, "it is of %s %s, which is not this herd; if it is all the same, name the place with `location`", quote(at.Scheme), quote(at.ID))
	}
}

// extension reads the event as we stated it ourselves. It tells whether it
// did: another's extension, or none, is not ours to read.
func (it *item) extension(raw []byte) bool {
	ext, ok := it.top.m[Extension].(map[string]any)
	if !ok || it.d.key.source != keyOf(it.im.System.Source, "x").source {
		return false
	}
	if _, ok := ext["event"]; !ok {
		return false
	}
	var members, own map[string]json.RawMessage
	if json.Unmarshal(raw, &members) != nil || json.Unmarshal(members[Extension], &own) != nil {
		return false // cannot be: both were objects before
	}
	at := it.top.at + "/" + Extension + "/event"
	e, err := event.Decode(own["event"])
	if err != nil {
		it.faults(at, err, nil)
		return true
	}
	if resourceTypeOf(e) != it.d.typ {
		it.problem(at+"/kind", event.CodeContradicts, "an event of this kind makes no %s", it.d.typ)
		return true
	}
	e.Herd, e.Replaces, e.NoteSalt = it.im.System.Herd, uuid.Nil, event.Salt{}
	e.Note = splitRemark(structured(e), it.top.text("remark"))
	if e.Source == it.im.System.Source {
		if id, _, ok := splitRef(e.Ref); ok {
			it.d.origin, _ = uuid.Parse(id)
		}
	}
	it.d.event, it.d.own, it.d.stated = e, true, e.Animal
	return true
}

// faults tells the problems of an event below a pointer; where says which
// member of the resource a field came from.
func (it *item) faults(at string, err error, where func(pointer string) string) {
	var list event.Problems
	if !errors.As(err, &list) {
		it.problem(at, event.CodeSyntax, "%v", err)
		return
	}
	for _, p := range list {
		pointer := p.Pointer
		if where != nil {
			pointer = where(pointer)
		}
		it.problem(at+pointer, p.Code, "%s", p.Detail)
	}
}

var errMoment = errors.New("an RFC 3339 timestamp is expected, for example 2026-11-25T06:00:00Z")

// moment reads a date-time. zoned is false where it names no zone, as the
// standard's own examples do; the time is then given as if it were UTC.
func moment(s string) (at time.Time, zoned bool, err error) {
	if at, err := time.Parse(time.RFC3339Nano, s); err == nil {
		return at, true, within(at)
	}
	for _, layout := range []string{"2006-01-02T15:04:05.999999999", "2006-01-02T15:04", time.DateOnly} {
		if at, err := time.Parse(layout, s); err == nil {
			return at, false, within(at)
		}
	}
	return time.Time{}, false, errMoment
}

func within(at time.Time) error {
	if y := at.UTC().Year(); y < 1900 || y > 2199 {
		return errors.New("a year from 1900 to 2199 is expected")
	}
	return nil
}

// moment reads a member that says when. Exactly midnight, in UTC or in no zone,
// is how ADE has to tell a day: the date stands and is not shifted. Another time
// goes into the herd's zone; without a zone it is taken to be the herd's own.
func (it *item) moment(o *object, name string, required bool) (event.Date, string) {
	s := o.text(name)
	if s == "" {
		if required && !it.failed {
			o.bad(name, event.CodeRequired, "%s is missing: when it happened is not to be guessed", name)
		}
		return 0, ""
	}
	at, zoned, err := moment(s)
	if err != nil {
		o.bad(name, event.CodeBadTime, "%v", err)
		return 0, ""
	}
	_, offset := at.Zone()
	if h, m, sec := at.Clock(); offset == 0 && h == 0 && m == 0 && sec == 0 && at.Nanosecond() == 0 {
		return event.DateOf(at), ""
	}
	if zoned {
		at = at.In(it.im.System.Zone)
	}
	return event.DateOf(at), at.Format("15:04")
}

// day reads a member of which only the date counts.
func (it *item) day(o *object, name string) event.Date {
	d, _ := it.moment(o, name, false)
	return d
}

// responsible takes a code. A name with a space in it may be a person's, and
// names do not go where they cannot be erased: it goes into the note.
func (it *item) responsible(e *event.Event, s string) {
	switch {
	case s == "":
	case fits(s, 32) && !strings.ContainsFunc(s, unicode.IsSpace):
		e.By = s
	default:
		it.note = append(it.note, "by "+s)
	}
}

// remark makes the note of what is left to say. What no note can hold is
// counted: a fact is not refused for its remark.
func (it *item) remark(e *event.Event, remark string) {
	if remark != "" {
		it.note = append([]string{remark}, it.note...)
	}
	note := strings.ReplaceAll(strings.Join(it.note, "\n"), "\r\n", "\n")
	bad := strings.ContainsFunc(note, func(r rune) bool {
		return unicode.IsControl(r) && r != '\n' && r != '\t' || r == utf8.RuneError
	})
	if bad || utf8.RuneCountInString(note) > 500 {
		it.lose("remark")
		return
	}
	e.Note = note
}

// fits tells whether a text can be a code of at most so many characters.
func fits(s string, most int) bool {
	return s != "" && utf8.RuneCountInString(s) <= most && strings.TrimSpace(s) == s &&
		!strings.ContainsFunc(s, func(r rune) bool { return unicode.IsControl(r) || r == utf8.RuneError })
}

// code gives a text as a field of at most so many characters; one that does not
// fit is counted as lost, never cut.
func (it *item) code(member, s string, most int) string {
	if s != "" && !fits(s, most) {
		it.lose(member)
		return ""
	}
	return s
}

// herdsOwn tells the herd's number from an identifier of its own scheme, or
// from that of the place that the caller named.
func (it *item) herdsOwn(id Identifier) bool {
	s := it.im
	return id.Scheme == localScheme(s.System.Herd, "number") || s.Location != "" && id.Scheme == localScheme(s.Location, "number")
}

// reader makes the data of an event from the members of a resource's own type.
// It may take from the remark what belongs into a field.
type reader func(it *item, o *object, e *event.Event, remark *string) event.Data

// readers has an entry for each resource type that is read.
var readers = map[string]reader{
	typeBirth: readBirth, typeArrival: readArrival, typeParturition: readParturition, typeAbortion: readAbortion, typeHeat: readHeat,
	typeService: readService, typeCheck: readCheck, typeDoNotBreed: readDoNotBreed, typeDryOff: readDryOff,
	typeDeparture: readDeparture, typeDeath: readDeath,
}

func kindOf(e *event.Event, k event.Kind) event.Data {
	e.Kind = k
	return event.New(k, "", "", 0).Data
}

func readAbortion(_ *item, _ *object, e *event.Event, _ *string) event.Data {
	return kindOf(e, event.KindPregnancyLoss)
}

func readDryOff(_ *item, _ *object, e *event.Event, _ *string) event.Data {
	return kindOf(e, event.KindDryOff)
}

// readDoNotBreed: a missing doNotBreed means true.
func readDoNotBreed(_ *item, o *object, e *event.Event, remark *string) event.Data {
	reason := ""
	if fits(*remark, 200) {
		reason, *remark = *remark, ""
	}
	if stop := o.flag("doNotBreed"); stop.Set && !stop.V {
		e.Kind = event.KindBreedingResume
		return &event.BreedingResume{Reason: reason}
	}
	e.Kind = event.KindBreedingStop
	return &event.BreedingStop{Reason: reason}
}

func readHeat(it *item, o *object, e *event.Event, _ *string) event.Data {
	e.Kind = event.KindHeat
	d := &event.Heat{FoundBy: o.word("heatDetectionMethod", foundByIn)}
	switch word := o.text("certainty"); {
	case word == "":
		d.Verdict = event.InHeat // the resource asserts a heat
	case certaintyIn[word] != "":
		d.Verdict = certaintyIn[word]
	default:
		it.lose("certainty")
		d.Verdict = event.Suspect
	}
	seen := o.object("visualDetection")
	for _, word := range seen.texts("heatSigns") {
		own, ok := signIn[word]
		switch {
		case !ok:
			it.lose("visualDetection.heatSigns")
		case !slices.Contains(d.Signs, own):
			d.Signs = append(d.Signs, own)
		}
	}
	return d
}

func readCheck(it *item, o *object, e *event.Event, _ *string) event.Data {
	e.Kind = event.KindPregnancyDiagnosis
	d := &event.PregnancyDiagnosis{DaysPregnant: o.number("foetalAge"), Fetuses: o.number("foetusCount")}
	switch method := o.text("method"); {
	case checkIn[method] != "":
		d.Method = checkIn[method]
	case method == "":
		o.bad("method", event.CodeRequired, "method is missing: the log wants to know how she was examined")
	default:
		o.bad("method", event.CodeNotAllowed, "the log has no place for a pregnancy check by %s; it has %s", quote(method), "Palpation, Echography, Blood and Milk")
	}
	switch result := o.text("result"); {
	case resultIn[result] != "":
		d.Result = resultIn[result]
		if result == "Multiple" && !d.Fetuses.Set {
			d.Fetuses = event.Int(2)
		}
	case result == "":
		o.bad("result", event.CodeRequired, "result is missing")
	default:
		it.lose("result")
		d.Result = event.Unclear
	}
	if d.Fetuses.Set && d.Fetuses.N == 0 {
		d.Fetuses = event.OptInt{} // none were counted
	}
	it.note = append(it.note, o.texts("exceptions")...)
	return d
}

func readService(it *item, o *object, e *event.Event, _ *string) event.Data {
	e.Kind = event.KindBreeding
	d := &event.Breeding{}
	switch word := o.text("inseminationType"); {
	case serviceIn[word] != "":
		d.Method = serviceIn[word]
	case word == "":
		o.bad("inseminationType", event.CodeRequired, "inseminationType is missing")
	default:
		o.bad("inseminationType", event.CodeNotAllowed, "%s is no way of serving a cow that the log knows", quote(word))
	}
	if end := it.day(o, "eventEndDateTime"); end != 0 {
		if d.Method == event.Natural {
			d.Until = end
		} else {
			it.lose("eventEndDateTime")
		}
	}
	straw := o.object("straw")
	if straw != nil {
		straw.text("resourceType")
	}
	sires := append(o.objects("sireIdentifiers"), straw.objects("sireIdentifiers")...)
	for i, sire := range sires {
		if id := sire.asIdentifier(); d.Sire == "" {
			d.Sire = it.code("sireIdentifiers", id.ID, 64)
		} else if i > 0 && id.ID != d.Sire {
			it.lose("sireIdentifiers") // further identities of him
		}
	}
	names := []string{o.text("sireOfficialName"), straw.text("sireOfficialName")}
	for _, name := range names {
		if d.Sire == "" {
			d.Sire = it.code("sireOfficialName", name, 64)
		} else if name != "" && name != d.Sire {
			it.lose("sireOfficialName")
		}
	}
	it.straw(straw, d)
	return d
}

func (it *item) straw(straw *object, d *event.Breeding) {
	if straw == nil {
		return
	}
	d.Straw = it.code("straw.id", straw.identifier("id").ID, 64)
	if batch := straw.text("batch"); d.Straw == "" {
		d.Straw = it.code("straw.batch", batch, 64)
	} else if batch != "" {
		it.lose("straw.batch")
	}
	sexed, gender := straw.flag("isSexedSemen"), straw.word("sexedGender", sexIn)
	switch {
	case sexed.V && gender == event.Female:
		d.Semen = "sexed_female"
	case sexed.V && gender == event.Male:
		d.Semen = "sexed_male"
	case sexed.V:
		it.lose("straw.isSexedSemen") // for which sex is not said
	case sexed.Set:
		d.Semen = "conventional"
	}
}

// who reads the description of an animal that comes in.
func (it *item) who(o *object, d *event.Arrival) {
	a := o.object("animalDetail")
	if a == nil {
		return
	}
	a.text("resourceType")
	if s := a.text("specie"); s != "" && s != cattle && s != "Buffalo" {
		a.bad("specie", event.CodeNotAllowed, "%s: this is a log of cattle", quote(s))
	}
	d.Sex = a.word("gender", sexIn)
	d.BornOn = it.day(a, "birthDate")
	d.Breed = it.code("animalDetail.primaryBreed", a.identifier("primaryBreed").ID, 32)
	it.d.tag = it.code("animalDetail.managementTag", a.text("managementTag"), 32)
	ids := []Identifier{a.identifier("identifier")}
	for _, alt := range a.objects("alternativeIdentifiers") {
		ids = append(ids, alt.asIdentifier())
	}
	for _, id := range ids {
		switch {
		case id == (Identifier{}) || id == it.d.animal:
		case it.herdsOwn(id):
			if it.d.tag == "" {
				it.d.tag = it.code("animalDetail.alternativeIdentifiers", id.ID, 32)
			}
		case d.OfficialID == nil && it.herdsOwn(it.d.animal):
			it.official(d, id)
		default:
			it.lose("animalDetail.identifier")
		}
	}
	it.parents(a, d, append(ids, it.d.animal, Identifier{}))
}

// parents reads her dam, her sire and her dam's sire; her are the identifiers that she
// goes by. A dam of another herd has no number here, and her sire is known all the same.
func (it *item) parents(a *object, d *event.Arrival, her []Identifier) {
	list := a.objects("parentage")
	var dam Identifier
	of, ids, genders := make([]Identifier, len(list)), make([]Identifier, len(list)), make([]string, len(list))
	for i, p := range list {
		of[i], ids[i], genders[i] = p.identifier("parentOf"), p.identifier("identifier"), p.text("gender")
		if genders[i] == female && slices.Contains(her, of[i]) {
			dam = ids[i]
		}
	}
	for i, id := range ids {
		switch hers := slices.Contains(her, of[i]); {
		case genders[i] == female && hers && it.herdsOwn(id) && d.Dam == "":
			d.Dam = it.code("animalDetail.parentage", id.ID, 32)
		case genders[i] == male && hers && d.Sire == "":
			d.Sire = it.code("animalDetail.parentage", id.ID, 64)
		case genders[i] == male && of[i] == dam && dam != (Identifier{}) && d.DamSire == "":
			d.DamSire = it.code("animalDetail.parentage", id.ID, 64)
		default:
			it.lose("animalDetail.parentage")
		}
	}
}

// official keeps an identity that is not the herd's own number.
func (it *item) official(d *event.Arrival, id Identifier) {
	if id.ID == "" || it.herdsOwn(id) {
		return
	}
	if !fits(id.ID, 32) || !fits(id.Scheme, 40) {
		it.lose("animal") // she keeps her name, not the identity
		return
	}
	d.OfficialID = &event.OfficialID{ID: id.ID, Scheme: id.Scheme}
}

func readBirth(it *item, o *object, e *event.Event, _ *string) event.Data {
	e.Kind = event.KindArrival
	d := &event.Arrival{How: event.Born}
	// Registered is an animal that was there before: the book begins with her.
	if o.word("registrationReason", map[string]string{"Born": event.Born, "Registered": event.Transferred}) == event.Transferred {
		d.How = event.Transferred
	}
	it.official(d, it.d.animal)
	it.who(o, d)
	if d.How == event.Born && d.BornOn == 0 {
		d.BornOn = e.On
	}
	return d
}

func readArrival(it *item, o *object, e *event.Event, _ *string) event.Data {
	e.Kind = event.KindArrival
	d := &event.Arrival{How: o.word("arrivalReason", arrivalIn, arrivalKnown...)}
	if d.How == "" {
		d.How = event.Transferred
	}
	it.official(d, it.d.animal)
	it.who(o, d)
	d.FromHerd = it.code("consignment.originLocation", o.object("consignment").identifier("originLocation").ID, 40)
	// Later versions of the standard tell her past.
	state := o.object("animalState")
	if state != nil {
		state.text("resourceType")
	}
	d.Parity = state.number("currentLactationParity")
	d.LastCalvedOn, d.LastBredOn = it.day(state, "lastCalvingDate"), it.day(state, "lastInseminationDate")
	return d
}

func readDeparture(it *item, o *object, e *event.Event, remark *string) event.Data {
	e.Kind = event.KindDeparture
	d := &event.Departure{How: o.word("departureKind", departureIn, departureKnown...)}
	reason := o.text("departureReason")
	if d.How == "" {
		d.How = event.Transferred
		switch reason {
		case "Sale":
			d.How = event.Sold
		case "Slaughter":
			d.How = event.Culled
		}
	}
	if reason != "Sale" && reason != "Slaughter" { // these say how, not why
		d.Reason = it.code("departureReason", reasonIn(reason), 200)
	}
	if d.Reason == "" && fits(*remark, 200) {
		d.Reason, *remark = *remark, ""
	}
	d.ToHerd = it.code("consignment.destinationLocation", o.object("consignment").identifier("destinationLocation").ID, 40)
	return d
}

func readDeath(it *item, o *object, e *event.Event, _ *string) event.Data {
	e.Kind = event.KindDeparture
	d := &event.Departure{How: event.Died}
	if m := o.text("deathMethod"); m == "Slaughter" || m == "Culled" {
		d.How = event.Culled
	}
	d.Reason = reasonIn(o.text("deathReason"))
	if why := o.text("explanation"); why != "" && why != d.Reason {
		if d.Reason == "" && fits(why, 200) {
			d.Reason = why
		} else {
			it.note = append(it.note, why)
		}
	}
	d.Reason = it.code("deathReason", d.Reason, 200)
	return d
}

func readParturition(it *item, o *object, e *event.Event, _ *string) event.Data {
	e.Kind = event.KindCalving
	d := &event.Calving{Parity: o.number("damParity")}
	if word := o.text("calvingEase"); word != "" {
		if n := slices.Index(easeWords, word); n >= 0 {
			d.Ease = event.Int(n + 1)
		} else {
			it.lose("calvingEase")
		}
	}
	live, total := o.number("liveProgeny"), o.number("totalProgeny")
	if live.Set && total.Set && live.N > total.N {
		o.bad("liveProgeny", event.CodeContradicts, "%d of %d calves alive", live.N, total.N)
		return d
	}
	for _, p := range o.objects("progenyDetails") {
		d.Calves = append(d.Calves, it.calf(p, live, total))
	}
	if slices.ContainsFunc(d.Calves, func(c event.Calf) bool { return c.Outcome == "" }) {
		// What became of a calf is not said, and not to be guessed.
		it.lose("progenyDetails")
		d.Calves = nil
		return d
	}
	switch {
	case len(d.Calves) > 0:
		alive := 0
		for _, c := range d.Calves {
			if c.Outcome == event.Alive {
				alive++
			}
		}
		if total.Set && total.N != len(d.Calves) {
			it.lose("totalProgeny")
		}
		if live.Set && live.N != alive {
			it.lose("liveProgeny")
		}
	case total.Set && live.Set && total.N > 4:
		o.bad("totalProgeny", event.CodeOutOfRange, "%d calves; at most 4", total.N)
	case total.Set && live.Set && live.N >= 0:
		for i := range total.N {
			outcome := event.Stillborn
			if i < live.N {
				outcome = event.Alive
			}
			d.Calves = append(d.Calves, event.Calf{Outcome: outcome})
		}
	case total.Set || live.Set:
		it.lose("totalProgeny")
	}
	return d
}

// calf reads one of the progeny. Where its own status is not told the counts
// tell it, if all calves fared alike.
func (it *item) calf(p *object, live, total event.OptInt) event.Calf {
	p.text("resourceType")
	if s := p.text("specie"); s != "" && s != cattle && s != "Buffalo" {
		p.bad("specie", event.CodeNotAllowed, "%s: this is a log of cattle", quote(s))
	}
	c := event.Calf{Sex: p.word("gender", sexIn), Outcome: p.word("birthStatus", birthStatusIn)}
	c.Tag = it.code("progenyDetails.managementTag", p.text("managementTag"), 32)
	if id := p.identifier("identifier").ID; c.Tag == "" {
		c.Tag = it.code("progenyDetails.identifier", id, 32)
	} else if id != "" && id != c.Tag {
		it.lose("progenyDetails.identifier")
	}
	if c.Outcome == "" {
		switch {
		case live.Set && live.N == 0:
			c.Outcome = event.Stillborn
		case live.Set && total.Set && live.N == total.N:
			c.Outcome = event.Alive
		}
	}
	return c
}
