package exchange

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
)

// Count says how often ADE had no place for something: for whole events of a
// kind (Field is empty), or for a field of events that are exported.
type Count struct {
	Kind  string // of event; of a resource, where it is read
	Field string
	N     int
}

// counter counts by kind and field.
type counter map[[2]string]int

func (c counter) add(kind, field string) { c[[2]string{kind, field}]++ }

func (c counter) list() []Count {
	list := make([]Count, 0, len(c))
	for k, n := range c {
		list = append(list, Count{k[0], k[1], n})
	}
	slices.SortFunc(list, func(a, b Count) int { return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Field, b.Field)) })
	return list
}

// Writer turns the events of a settled log into resources. Hand it the log once
// more, in the order of seq.
type Writer struct {
	System *System
	Index  *Index

	Resources int // written so far, of them
	Deleted   int // deleted ones
	lost      counter
}

// Lost lists what ADE has no place for among the events that stand, whether
// they were due to be written or not.
func (w *Writer) Lost() []Count { return w.lost.list() }

// Next gives the resource of the event, nil if it is not the one that stands
// for its chain, if ADE has no place for it, or if the receiver has it. The
// event's note is its text, "" where there is none or it was erased.
func (w *Writer) Next(e *event.Event, seq int64, at time.Time) (*Resource, error) {
	if e.Kind == event.KindVoid {
		return nil, nil //nolint:nilnil // a void shows in the resource that it deletes
	}
	if w.lost == nil {
		w.lost = counter{}
	}
	c := w.Index.of(e, seq, at)
	live := !c.dead && c.head == e.ID
	if live && c.shown != seq {
		w.lost.add(e.Kind.String(), "")
	}
	if c.shown != seq {
		return nil, nil //nolint:nilnil // see above
	}
	official, renamed := w.Index.names.official(e.Animal, e.On, c.modified.seq)
	modified := c.gone
	if live {
		modified = c.modified
		if renamed.seq > modified.seq {
			modified = renamed
		}
	}
	r, lost, err := w.System.resource(e, official)
	if err != nil {
		return nil, err
	}
	if live {
		for _, field := range lost {
			w.lost.add(e.Kind.String(), field)
		}
	}
	if modified.seq <= w.Index.Since || !live && !c.had {
		return nil, nil //nolint:nilnil // he has it, or never saw what is deleted
	}
	r.ID = c.root.String()
	r.Meta = Meta{Source: w.System.Source, SourceID: r.ID, Deleted: !live, Created: stamp(c.created.at), Modified: stamp(modified.at)}
	w.Resources++
	if !live {
		w.Deleted++
		r.Remark, r.Explanation, r.Exceptions = "", "", nil // what is withdrawn need not be told again
	}
	return r, nil
}

// resource writes an event that ADE has a place for, and names the fields that
// it has none for. Meta and id are the chain's.
func (s *System) resource(e *event.Event, official Identifier) (*Resource, []string, error) {
	b := &builder{System: s, e: e, r: &Resource{ResourceType: resourceTypeOf(e), Location: s.Location(), Responsible: e.By}}
	b.number = *s.local("number", e.Animal)
	b.animal = b.number
	if official != (Identifier{}) {
		b.animal = official
	}
	b.r.Animal = &b.animal
	b.when()
	b.lose("ref", e.Ref != "")
	b.lose("source", e.Source != "")
	b.data()
	b.r.Remark = joinRemark(structured(e), e.Note)
	own := *e
	own.ID, own.Herd, own.Replaces, own.Note, own.NoteSalt = uuid.Nil, "", uuid.Nil, "", event.Salt{}
	b.r.Own = &Own{Precision: precision(e), Event: own.AppendStated(nil)}
	if !json.Valid(b.r.Own.Event) {
		return nil, nil, fmt.Errorf("event %s does not give JSON", e.ID)
	}
	return b.r, b.lost, nil
}

func precision(e *event.Event) string {
	switch {
	case e.At != "":
		return "minute"
	case e.Half != "":
		return "half_day"
	}
	return "day"
}

// structured is the part of the remark that comes from fields: what ADE wants
// there, or has no other place for. It is a function of the event alone, so
// that it can be taken off again.
func structured(e *event.Event) string {
	switch d := e.Data.(type) {
	case *event.BreedingStop:
		return d.Reason
	case *event.BreedingResume:
		return d.Reason
	case *event.Departure:
		if d.How != event.Died { // a death has a member of its own for it
			return d.Reason
		}
	case *event.PregnancyLoss:
		var parts []string
		if d.Seen != "" {
			parts = append(parts, "seen: "+strings.ReplaceAll(d.Seen, "_", " "))
		}
		if d.DaysPregnant.Set {
			parts = append(parts, fmt.Sprintf("days pregnant: %d", d.DaysPregnant.N))
		}
		return strings.Join(parts, ", ")
	}
	return ""
}

const remarkGap = "\n\n"

func joinRemark(fields, note string) string {
	if fields == "" || note == "" {
		return fields + note
	}
	return fields + remarkGap + note
}

// splitRemark undoes joinRemark.
func splitRemark(fields, remark string) (note string) {
	rest, ok := strings.CutPrefix(remark, fields)
	if !ok || fields == "" {
		return remark
	}
	return strings.TrimPrefix(rest, remarkGap)
}

// builder fills one resource.
type builder struct {
	*System
	e              *event.Event
	r              *Resource
	animal, number Identifier
	lost           []string
}

func (b *builder) lose(field string, there bool) {
	if there {
		b.lost = append(b.lost, field)
	}
}

// midnight is how ADE has to be told a day: its date, at midnight UTC, in no
// zone's time.
func midnight(d event.Date) string { return d.String() + "T00:00:00Z" }

// when writes the moment: in UTC where the time is known, else the date as it
// stands in the herd's calendar, never shifted by a zone.
func (b *builder) when() {
	b.lose("half", b.e.Half != "")
	if b.e.At == "" {
		b.r.EventDateTime = midnight(b.e.On)
		return
	}
	y, m, d := b.e.On.Civil()
	n := b.e.Minute()
	b.r.EventDateTime = time.Date(y, time.Month(m), d, n/60, n%60, 0, 0, b.Zone).UTC().Format("2006-01-02T15:04:05Z")
}

func (b *builder) data() {
	switch d := b.e.Data.(type) {
	case *event.Arrival:
		b.arrival(d)
	case *event.Calving:
		b.calving(d)
	case *event.Heat:
		b.heat(d)
	case *event.Palpation:
		b.palpation(d)
	case *event.PregnancyDiagnosis:
		b.check(d)
	case *event.BreedingStop:
		b.r.DoNotBreed = boolPtr(true)
		b.lose("until", d.Until != 0)
	case *event.BreedingResume:
		b.r.DoNotBreed = boolPtr(false)
	case *event.Breeding:
		b.breeding(d)
	case *event.Departure:
		b.departure(d)
	case *event.PregnancyLoss:
		b.lose("days_pregnant", d.DaysPregnant.Set)
		b.lose("seen", d.Seen != "")
	}
}

func (b *builder) arrival(d *event.Arrival) {
	a := &Animal{ResourceType: typeAnimalCore, Identifier: b.animal, Specie: cattle, Gender: sexOut[d.Sex], ManagementTag: b.e.Animal}
	if d.OfficialID != nil {
		a.Identifier = Identifier{ID: d.OfficialID.ID, Scheme: d.OfficialID.Scheme}
	}
	if a.Identifier != b.number {
		a.Alternative = []Identifier{b.number}
	}
	if d.BornOn != 0 {
		a.BirthDate = midnight(d.BornOn)
	}
	if d.Breed != "" {
		a.PrimaryBreed = b.local("breed", d.Breed)
	}
	if d.Dam != "" {
		a.Parentage = []Parent{{ParentOf: a.Identifier, Gender: female, Identifier: *b.local("number", d.Dam)}}
	}
	if d.Sire != "" {
		a.Parentage = append(a.Parentage, Parent{ParentOf: a.Identifier, Gender: male, Identifier: *b.local("sire", d.Sire)})
	}
	if d.DamSire != "" && d.Dam != "" {
		a.Parentage = append(a.Parentage, Parent{ParentOf: *b.local("number", d.Dam), Gender: male, Identifier: *b.local("sire", d.DamSire)})
	}
	b.lose("dam_sire", d.DamSire != "" && d.Dam == "") // he is the parent of whom
	b.r.AnimalDetail = a
	if d.How == event.Born {
		b.r.RegistrationReason = "Born"
		b.lose("from_herd", d.FromHerd != "")
	} else {
		b.r.ArrivalReason = arrivalOut[d.How]
		if d.FromHerd != "" {
			b.r.Consignment = &Consignment{Origin: b.local("herd", d.FromHerd)}
		}
	}
	b.lose("conceived_on", d.ConceivedOn != 0)
	b.lose("from_animal", d.FromAnimal != "")
	b.lose("last_bred_on", d.LastBredOn != 0)
	b.lose("last_calved_on", d.LastCalvedOn != 0)
	b.lose("parity", d.Parity.Set)
	b.lose("pen", d.Pen != "")
}

func (b *builder) calving(d *event.Calving) {
	if d.Ease.Set && d.Ease.N >= 1 && d.Ease.N <= len(easeWords) {
		b.r.CalvingEase = easeWords[d.Ease.N-1]
	}
	b.r.DamParity = intPtr(d.Parity)
	b.lose("induced", d.Induced.Set)
	if len(d.Calves) == 0 {
		return
	}
	alive := 0
	for _, calf := range d.Calves {
		p := Progeny{ResourceType: typeProgeny, Specie: cattle, Gender: sexOut[calf.Sex], ManagementTag: calf.Tag}
		switch {
		case calf.Outcome == event.Alive:
			p.BirthStatus = "Alive"
			alive++
		case calf.Outcome == event.Stillborn:
			p.BirthStatus = "Stillborn"
		case calf.Tag != "":
			p.BirthStatus = "DiedAfterTaggingDate"
		default:
			p.BirthStatus = "DiedBeforeTaggingDate"
		}
		b.r.ProgenyDetails = append(b.r.ProgenyDetails, p)
	}
	b.r.LiveProgeny, b.r.TotalProgeny = &alive, intPtr(event.Int(len(d.Calves)))
}

func (b *builder) heat(d *event.Heat) {
	b.r.Certainty = certaintyOut[d.Verdict]
	b.r.HeatDetectionMethod = foundByOut[d.FoundBy]
	b.lose("chalk", d.Chalk != "")
	b.lose("found_by", d.FoundBy == "chalk") // written as Visual
	var signs []string
	lost := false
	for _, own := range d.Signs {
		word, ok := signOut[own]
		lost = lost || !ok || own == "restless"
		if ok && !slices.Contains(signs, word) {
			signs = append(signs, word)
		}
	}
	b.lose("signs", lost)
	if signs != nil {
		slices.Sort(signs)
		b.r.VisualDetection = &Visual{HeatSigns: signs}
	}
}

// palpation writes the pregnancy that was felt; the rest are words.
func (b *builder) palpation(d *event.Palpation) {
	b.r.Method, b.r.Result = "Palpation", "Pregnant"
	say := func(format string, args ...any) {
		b.r.Exceptions = append(b.r.Exceptions, fmt.Sprintf(format, args...))
	}
	if d.Tone != "" {
		say("tone of the uterus: %s", d.Tone)
	}
	if d.Mucus != "" {
		say("mucus: %s", d.Mucus)
	}
	for _, side := range []struct {
		name  string
		ovary *event.Ovary
	}{{"left", d.Left}, {"right", d.Right}} {
		if side.ovary == nil {
			continue
		}
		if side.ovary.CorpusLuteum.Set {
			say("%s ovary, corpus luteum: %t", side.name, side.ovary.CorpusLuteum.V)
		}
		if side.ovary.FollicleMM.Set {
			say("%s ovary, largest follicle: %d mm", side.name, side.ovary.FollicleMM.N)
		}
	}
	b.lose("mucus", d.Mucus != "")
	b.lose("ovaries", d.Left != nil || d.Right != nil)
	b.lose("tone", d.Tone != "")
}

func (b *builder) check(d *event.PregnancyDiagnosis) {
	b.r.Method, b.r.Result = checkOut[d.Method], resultOut[d.Result]
	if d.Result == event.Pregnant && d.Fetuses.Set && d.Fetuses.N > 1 {
		b.r.Result = "Multiple"
	}
	b.r.FoetalAge, b.r.FoetusCount = intPtr(d.DaysPregnant), intPtr(d.Fetuses)
}

func (b *builder) breeding(d *event.Breeding) {
	switch {
	case d.Method == event.AI:
		b.r.InseminationType = "Insemination"
	case d.Method == event.Embryo:
		b.r.InseminationType = "Implantation"
	case d.Until != 0:
		b.r.InseminationType = "RunWithBull"
		b.r.EventEndDateTime = midnight(d.Until)
	default:
		b.r.InseminationType = "NaturalService"
	}
	if d.Sire != "" {
		b.r.SireIdentifiers = []Identifier{*b.local("sire", d.Sire)}
	}
	straw := Straw{ResourceType: typeStraw}
	if d.Straw != "" {
		straw.ID = b.local("straw", d.Straw)
	}
	switch d.Semen {
	case "sexed_female":
		straw.IsSexed, straw.SexedGender = boolPtr(true), female
	case "sexed_male":
		straw.IsSexed, straw.SexedGender = boolPtr(true), male
	case "conventional":
		straw.IsSexed = boolPtr(false)
	}
	if straw != (Straw{ResourceType: typeStraw}) {
		b.r.Straw = &straw
	}
	b.lose("basis", d.Basis != "")
	b.lose("semen", d.Semen == "beef")
}

func (b *builder) departure(d *event.Departure) {
	leaving, dying := reasonOut(d.Reason)
	if d.ToHerd != "" {
		b.r.Consignment = &Consignment{Destination: b.local("herd", d.ToHerd)}
	}
	if d.How == event.Died {
		b.r.DeathReason, b.r.DeathMethod, b.r.Explanation = dying, "Perished", d.Reason
		return
	}
	b.r.DepartureKind, b.r.DepartureReason = departureOut[d.How], leaving
}

func boolPtr(v bool) *bool { return &v }

func intPtr(v event.OptInt) *int {
	if !v.Set {
		return nil
	}
	return &v.N
}
