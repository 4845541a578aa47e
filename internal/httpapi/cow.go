package httpapi

import (
	"net/http"
	"strconv"
	"strings"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// fold is a herd's fold with what an answer has to say about it.
type fold struct {
	*book.View
	epoch int64
	on    event.Date // the day that figures are computed to
	etag  string
	start int64 // where a list goes on
}

func (f *fold) asOf() api.AsOf {
	return api.AsOf{Seq: f.Head.Seq, RecordedAt: moment(f.Head.RecordedAt)}
}

// read calls fn with the herd's fold as the request wants it: as of a moment,
// computed to a day, and, behind a cursor, as of the first page's moment and
// day. It answers 304 by itself.
func (s *Server) read(r *request, fn func(*fold) error) error {
	f := &fold{}
	on, err := r.date("on")
	if err != nil {
		return err
	}
	asOf, err := r.asOf()
	if err != nil {
		return err
	}
	c, paged, err := r.cursor()
	if err != nil {
		return err
	}
	run := func(v *book.View) error {
		f.View, f.on = v, on
		if on == 0 {
			f.on = v.Today
		}
		return fn(f)
	}
	again := false
	err = s.book.View(r.ctx, r.herd, book.AsOf{}, func(v *book.View) error {
		f.on = on
		if on == 0 {
			f.on = v.Today
		}
		f.epoch = v.Epoch
		f.etag = r.etagOf(strconv.FormatInt(f.epoch, 10), string(v.Head.Hash[:]),
			strconv.FormatInt(v.PolicyRev, 10), f.on.String(), definitionsTag)
		if err := r.unless(f.etag); err != nil {
			return err
		}
		if paged {
			if err := c.fits(f.epoch, v.Head.Seq); err != nil {
				return err
			}
			f.start, on = c.at, event.Date(c.on) //nolint:gosec // its checksum says that it was a date
		}
		if again = asOf != (book.AsOf{}) || paged && c.seq != v.Head.Seq; again {
			return nil
		}
		return run(v)
	})
	if err != nil || !again {
		return err
	}
	if asOf == (book.AsOf{}) {
		asOf.Seq = c.seq
	}
	moved := false
	err = s.book.View(r.ctx, r.herd, asOf, func(v *book.View) error {
		// An as_of that lies ahead of the log can have moved since the first page.
		if moved = paged && v.Head.Seq != c.seq; moved {
			return nil
		}
		return run(v)
	})
	if err != nil || !moved {
		return err
	}
	return s.book.View(r.ctx, r.herd, book.AsOf{Seq: c.seq}, run)
}

// page cuts a list to the request's page and gives the cursor of the next one.
func page[T any](r *request, f *fold, list []T) (part []T, next *string, err error) {
	limit, err := r.limit()
	if err != nil {
		return nil, nil, err
	}
	from := min(f.start, int64(len(list)))
	to := min(from+int64(limit), int64(len(list)))
	if to < int64(len(list)) {
		next = ptr(cursor{epoch: f.epoch, seq: f.Head.Seq, on: int64(f.on), at: to}.encode(r.question()))
	}
	return list[from:to], next, nil
}

func nextOf(next *string) string {
	if next == nil {
		return ""
	}
	return *next
}

// knownStatus refuses a status that no animal can have: an empty list would
// look like an answer.
func knownStatus(code string) error {
	var codes []string
	for _, s := range repro.Statuses() {
		if s.Code == code {
			return nil
		}
		codes = append(codes, s.Code)
	}
	return badParam("status", "not_allowed", "it is one of %s", strings.Join(codes, ", "))
}

func (s *Server) listAnimals(r *request) (*reply, error) {
	a := &reply{}
	status, pen, official := r.text("status"), r.text("pen"), r.text("official_id")
	if status != "" {
		if err := knownStatus(status); err != nil {
			return nil, err
		}
	}
	err := s.read(r, func(f *fold) error {
		var list []*repro.Animal
		animals := f.Fold.Animals
		if official != "" {
			animals = func(on event.Date) []*repro.Animal { return f.Fold.Identified(official, on) }
		}
		for _, x := range animals(f.on) {
			gone := x.Status.Code == repro.StatusGone && official == ""
			if pen != "" && x.Pen != pen || status != "" && x.Status.Code != status || status == "" && gone {
				continue
			}
			list = append(list, x)
		}
		part, next, err := page(r, f, list)
		if err != nil {
			return err
		}
		out := &api.AnimalPage{Herd: r.herd.Name, On: mustDay(f.on), AsOf: f.asOf(), Items: make([]api.AnimalItem, len(part)), Next: next}
		for i, x := range part {
			out.Items[i] = wireAnimal(x)
		}
		a.etag, a.next = f.etag, nextOf(next)
		if r.give == mediaCSV {
			a.csv = &csvReply{table: animalTable, more: a.next != "", rows: func(w *sheet.TableWriter) error { return animalRows(w, out.Items) }}
		} else {
			a.json = out
		}
		return nil
	})
	return a, err
}

func wireAnimal(x *repro.Animal) api.AnimalItem {
	return api.AnimalItem{
		Animal: x.Name, Status: api.Status(x.Status), Sex: text(x.Sex), Breed: text(x.Breed), BornOn: day(x.BornOn), Pen: text(x.Pen),
		Lactation: x.Lactation, CalvedOn: day(x.CalvedOn), DaysInMilk: x.DaysInMilk, BredOn: day(x.BredOn), DueOn: day(x.DueOn),
		EnteredOn: day(x.EnteredOn), LeftOn: day(x.LeftOn), FirstSeenWithoutArrival: x.FirstSeen, OfficialID: wireOfficial(x.OfficialID),
	}
}

func wireOfficial(o *event.OfficialID) *api.OfficialIdentity {
	if o == nil {
		return nil
	}
	return &api.OfficialIdentity{Scheme: o.Scheme, ID: o.ID}
}

func animalRows(w *sheet.TableWriter, items []api.AnimalItem) error {
	for i := range items {
		x := &items[i]
		var official api.OfficialIdentity
		if x.OfficialID != nil {
			official = *x.OfficialID
		}
		if err := w.Write([]string{
			x.Animal, x.Status.Code, x.Status.Text, cell(x.Sex), cell(x.Breed), dayCell(x.BornOn), cell(x.Pen), intCell(x.Lactation),
			dayCell(x.CalvedOn), intCell(x.DaysInMilk), dayCell(x.BredOn), dayCell(x.DueOn), dayCell(x.EnteredOn), dayCell(x.LeftOn),
			strconv.FormatBool(x.FirstSeenWithoutArrival), official.ID, official.Scheme,
		}); err != nil {
			return err
		}
	}
	return nil
}

func noAnimal() error {
	return refuse(http.StatusNotFound, "animal-not-found", "the herd has no animal of this number or official identity by that day")
}

// ambiguous tells that a text means several animals.
func ambiguous(err error) error {
	return refuse(http.StatusBadRequest, "ambiguous-animal", "%v", err)
}

func (s *Server) getAnimal(r *request) (*reply, error) {
	a := &reply{}
	err := s.read(r, func(f *fold) error {
		cow, err := f.Fold.AnimalCalled(r.param("animal"), f.on)
		if err != nil {
			return ambiguous(err)
		}
		if cow == nil {
			return noAnimal()
		}
		a.etag, a.json = f.etag, wireCow(r, f, cow)
		return nil
	})
	return a, err
}

func (s *Server) getEligibility(r *request) (*reply, error) {
	a := &reply{}
	err := s.read(r, func(f *fold) error {
		e, err := f.Fold.EligibilityCalled(r.param("animal"), f.on)
		if err != nil {
			return ambiguous(err)
		}
		if e == nil {
			return noAnimal()
		}
		out := &api.Eligibility{
			Herd: r.herd.Name, Animal: e.Animal, On: mustDay(f.on), AsOf: f.asOf(), Verdict: api.EligibilityVerdict(e.Verdict),
			Status: api.Status(e.Status), Reasons: wireReasons(e.Reasons), Examine: texts(e.Examine), Caution: texts(e.Caution),
		}
		a.etag, a.json = f.etag, out
		return nil
	})
	return a, err
}

func texts(list []string) []string {
	if list == nil {
		return []string{}
	}
	return list
}

func seqs(list []int64) []int64 {
	if list == nil {
		return []int64{}
	}
	return list
}

func wireCow(r *request, f *fold, c *repro.CowView) *api.Cow {
	x := wireAnimal(&c.Animal)
	out := &api.Cow{
		Herd: r.herd.Name, On: mustDay(f.on), AsOf: f.asOf(),
		Animal: x.Animal, Status: x.Status, Sex: x.Sex, Breed: x.Breed, BornOn: x.BornOn, Pen: x.Pen, Lactation: x.Lactation,
		CalvedOn: x.CalvedOn, DaysInMilk: x.DaysInMilk, BredOn: x.BredOn, DueOn: x.DueOn, EnteredOn: x.EnteredOn, LeftOn: x.LeftOn,
		FirstSeenWithoutArrival: x.FirstSeenWithoutArrival,
		OfficialID:              x.OfficialID,
		Dam:                     text(c.Dam),
		Sire:                    wireBull(c.Sire),
		DamSire:                 wireBull(c.DamSire),
		Sizes:                   []api.SizeOn{},
		Numbers:                 []api.CowNumber{},
		Pregnant:                wirePregnancy(c.Pregnant),
		Services:                []api.Service{},
		Lactations:              []api.Lactation{},
		Losses:                  []api.Loss{},
		Stops:                   []api.Stop{},
		Pens:                    []api.PenStay{},
		Heats:                   []api.Reading{},
		Withheld:                api.Withheld{MilkUntil: day(c.Withheld.MilkUntil), MeatUntil: day(c.Withheld.MeatUntil)},
		Next:                    []api.NextStep{},
		OtherIndividuals:        []api.OtherIndividual{},
		Checks:                  []api.Check{},
	}
	for _, v := range c.Sizes {
		out.Sizes = append(out.Sizes, api.SizeOn{On: mustDay(v.On), BigEnough: v.BigEnough, WeightKg: v.WeightKG, HeightCm: v.HeightCM, Seq: v.Seq})
	}
	for _, v := range c.Numbers {
		out.Numbers = append(out.Numbers, api.CowNumber{Number: v.Number, From: day(v.From), To: day(v.To)})
	}
	for i := range c.Services {
		out.Services = append(out.Services, wireService(&c.Services[i]))
	}
	for _, v := range c.Lactations {
		out.Lactations = append(out.Lactations, api.Lactation{
			Number: v.Number, CalvedOn: day(v.CalvedOn), DriedOn: day(v.DriedOn), EndedOn: day(v.EndedOn), Services: v.Services,
			DaysToFirstService: v.FirstService, DaysOpen: v.DaysOpen, DaysOpenState: text(v.DaysOpenIs),
		})
	}
	for _, v := range c.Losses {
		out.Losses = append(out.Losses, api.Loss{
			ConceivedOn: day(v.ConceivedOn), LastKnownPregnant: day(v.LastSeenOn), DetectedOn: mustDay(v.DetectedOn),
			DaysPregnant: v.DaysPregnant, How: v.How, Text: v.Text,
		})
	}
	for _, v := range c.Stops {
		out.Stops = append(out.Stops, api.Stop{From: mustDay(v.From), To: day(v.To), Reason: text(v.Reason)})
	}
	for _, v := range c.Pens {
		out.Pens = append(out.Pens, api.PenStay{Pen: v.Pen, From: mustDay(v.From)})
	}
	for _, v := range c.Heats {
		out.Heats = append(out.Heats, api.Reading{
			On: mustDay(v.On), Kind: v.Kind, Verdict: v.Verdict, Chalk: text(v.Chalk), Signs: texts(v.Signs), FoundBy: text(v.FoundBy),
			Tone: text(v.Tone), Mucus: text(v.Mucus), Seq: v.Seq,
		})
	}
	for _, v := range c.Next {
		out.Next = append(out.Next, api.NextStep{What: v.What, On: day(v.On), Text: v.Text})
	}
	for _, v := range c.Others {
		out.OtherIndividuals = append(out.OtherIndividuals, api.OtherIndividual{From: day(v.From), To: day(v.To), Text: v.Text})
	}
	for i := range c.Findings {
		out.Checks = append(out.Checks, wireFinding(&c.Findings[i]))
	}
	return out
}

func wireBull(b *repro.BullView) *api.KnownBull {
	if b == nil {
		return nil
	}
	return &api.KnownBull{Code: b.Code, From: api.KnownBullFrom(b.From), Text: b.Text}
}

func wirePregnancy(p *repro.PregnantView) *api.Pregnancy {
	if p == nil {
		return nil
	}
	out := &api.Pregnancy{
		ConceivedOn: day(p.ConceivedOn), ConceivedHow: p.ConceivedHow, Text: p.Text, Estimated: p.Estimated, DaysPregnant: p.DaysPregnant,
		ConfirmedOn: day(p.ConfirmedOn), LastConfirmedOn: day(p.LastSeenOn), GestationDays: p.Gestation, DueOn: day(p.DueOn), DryOffOn: day(p.DryOffOn),
	}
	if p.Fetuses > 0 {
		out.Fetuses = ptr(p.Fetuses)
	}
	return out
}

func wireService(v *repro.ServiceView) api.Service {
	return api.Service{
		Number: v.Number, Lactation: v.Lactation, On: mustDay(v.On), LastOn: mustDay(v.LastOn), Breedings: v.Breedings, Method: v.Method,
		Sire: text(v.Sire), SiresDiffer: v.SiresDiffer, By: text(v.By), Basis: text(v.Basis), Semen: text(v.Semen), FoundBy: v.FoundBy,
		DaysAfterCalving: v.AfterCalving, DaysSincePrevious: v.SinceLast, Outcome: v.Outcome, OutcomeText: v.OutcomeText,
		Why: v.Why, WhyText: v.WhyText, Conceived: day(v.Conceived), Seqs: seqs(v.Seqs),
	}
}
