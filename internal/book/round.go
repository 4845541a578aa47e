package book

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/round"
)

// roundSource is the source of events that were written down as a round; their ref
// names the round, so that the log itself tells what a round said before.
const roundSource = "round"

// roundSpace is the namespace of the ids of a round's events (RFC 9562, version 5).
var roundSpace = uuid.MustParse("9d3c2d6e-5f0b-5c1e-8a52-7e1d3f6b4a90")

// RoundOptions says how a round is recorded.
type RoundOptions struct {
	DryRun  bool // say what would be recorded, and record nothing
	Part    bool // record the lines that are right even if others are not
	Replace bool // a line that says something else than before replaces it
	Key     *Key // remembers the request, for LastRequest
}

// RoundOutcome says what became of a line.
type RoundOutcome string

// Outcomes of a line.
const (
	LineRecorded RoundOutcome = "recorded" // or would be, in a dry run
	LineKnown    RoundOutcome = "already_there"
	LineRefused  RoundOutcome = "refused"
)

// RoundLine is a line of a round and what became of it.
type RoundLine struct {
	Line    int
	Animal  string // "" for a pen
	Pen     string // whose heading stands above, or that it is about; "" = none
	Outcome RoundOutcome
	Text    string   // what was read, in words
	Check   []string // what does not fit the records: recorded all the same
	Events  []Result
	Faults  []Fault // why it was refused

	facts  []*fact
	walked bool
}

// fact is one event of a line.
type fact struct {
	event    *event.Event
	slot     string       // within a round there is one fact of it
	void     *event.Event // withdraws what stands in its place
	replaced int64        // seq of that
	known    Result       // what the log has of it; Seq 0 = nothing
}

// RoundReport answers a round.
type RoundReport struct {
	Lines   []*RoundLine
	Missing []string // what such a round has as a rule, and this one has not
	Head    Head     // of the herd, after it

	Recorded, Known, Refused int // events recorded, events known, lines refused
}

// Round records a text of [round.Parse] in the herd's log: all of it or nothing,
// unless Part is set. The id of an event is made of the herd, the round, the animal and
// what is said, so that the same text, or the text with more lines, stores nothing
// twice. What cannot be read, contradicts the records, or says something else than
// the same round said before, is an Invalid with the lines as faults.
func (b *Book) Round(ctx context.Context, h *Herd, text string, o RoundOptions) (*RoundReport, error) {
	rounds, problems := round.Parse(text)
	report := &RoundReport{}
	for _, p := range problems {
		f := Fault{Line: p.Line, Column: strconv.Itoa(p.Column), Value: cut(p.Word), Code: p.Code, Detail: p.Detail}
		if len(p.Allowed) > 0 {
			f.Suggestion = "possible is: " + strings.Join(p.Allowed, ", ")
		}
		report.refuse(&RoundLine{Line: p.Line}, f)
	}
	var said []said
	for i := range rounds {
		s, err := b.say(ctx, h, &rounds[i], report, o)
		if err != nil {
			return nil, err
		}
		said = append(said, *s)
	}
	slices.SortStableFunc(report.Lines, func(x, y *RoundLine) int { return x.Line - y.Line })
	if err := report.stop(o); err != nil {
		// What the log refuses of the other lines is told along with it.
		if err := b.record(ctx, h, report, RoundOptions{DryRun: true, Part: true}); err != nil {
			return nil, err
		}
		return nil, report.stop(o)
	}
	// The records as they were before, for what does not fit them.
	if err := b.weigh(ctx, h, said); err != nil {
		return nil, err
	}
	if err := b.record(ctx, h, report, o); err != nil {
		return nil, err
	}
	return report, b.missing(ctx, h, report, said)
}

// said is a round with what the log has of its day.
type said struct {
	*round.Round
	day   []*event.Event // events of the day that stand, of whatever source
	lines []*RoundLine
}

func (r *RoundReport) refuse(l *RoundLine, f Fault) {
	if !slices.Contains(r.Lines, l) {
		r.Lines = append(r.Lines, l)
	}
	l.Outcome, l.Faults = LineRefused, append(l.Faults, f)
}

// stop is the refusal of the whole text if a line of it is refused and not only a
// part may be recorded.
func (r *RoundReport) stop(o RoundOptions) error {
	var faults []Fault
	lines := 0
	for _, l := range r.Lines {
		if l.Outcome == LineRefused {
			faults = append(faults, l.Faults...)
			lines++
		}
	}
	if r.Refused = lines; o.Part || lines == 0 {
		return nil
	}
	what := "a line was refused"
	if lines > 1 {
		what = strconv.Itoa(lines) + " lines were refused"
	}
	return &Error{Kind: Invalid, Code: "invalid-round", Detail: what + "; nothing was recorded", Faults: faults}
}

// say makes the lines of a round, and holds each fact against what the log has of the
// same round.
func (b *Book) say(ctx context.Context, h *Herd, r *round.Round, report *RoundReport, o RoundOptions) (*said, error) {
	s := &said{Round: r}
	stored, err := b.dayOf(ctx, h, s)
	if err != nil {
		return nil, err
	}
	for _, p := range r.Pens {
		l := &RoundLine{Line: p.Line, Pen: p.Name, Outcome: LineKnown, walked: p.Walked, Text: "pen " + p.Name + ": not walked"}
		if p.Walked {
			e := event.New(event.KindWalk, h.Name, "", r.On)
			e.At, e.Half, e.By = r.At, r.Half, r.By
			e.Data = &event.Walk{Pen: p.Name, Seen: p.Seen}
			l.facts = []*fact{{event: e}}
			l.Text = walked(&p)
		}
		s.lines = append(s.lines, l)
	}
	for _, c := range r.Cows {
		l := &RoundLine{Line: c.Line, Animal: c.Animal, Pen: c.Pen, Outcome: LineKnown, Text: sayings(r, c.Animal, c.Events)}
		for _, e := range c.Events {
			l.facts = append(l.facts, &fact{event: e})
		}
		s.lines = append(s.lines, l)
	}
	report.Lines = append(report.Lines, s.lines...)
	slices.SortStableFunc(s.lines, func(x, y *RoundLine) int { return x.Line - y.Line })
	here := map[string]*RoundLine{}
	contents := map[string]string{}
	for _, l := range s.lines {
		for _, f := range l.facts {
			e := f.event
			e.Herd, e.Source, e.Ref = h.Name, roundSource, cutRef(r.Name())
			f.slot = slotOf(e)
			content := statement(e, e.Note)
			if before, twice := here[f.slot]; twice && contents[f.slot] != content {
				report.refuse(l, Fault{Line: l.Line, Code: event.CodeContradicts, Value: e.Animal, Detail: fmt.Sprintf("line %d of this round says something else of the same", before.Line)})
				continue
			}
			here[f.slot], contents[f.slot] = l, content
			stored.hold(f, content, func(was *event.Event) {
				if !o.Replace {
					report.refuse(l, Fault{
						Line: l.Line, Code: "said_otherwise", Value: cut(e.Animal + w(l.Pen, e.Animal)),
						Detail: fmt.Sprintf("in this round it was recorded as %q, and now it is %q: withdraw event %s first, or ask for it to be replaced", wordsOf(was), wordsOf(e), was.ID),
					})
				}
			})
		}
	}
	return s, nil
}

// w is the pen of a line that is about no animal.
func w(pen, animal string) string {
	if animal != "" {
		return ""
	}
	return pen
}

func walked(p *round.Pen) string {
	s := "pen " + p.Name + ": walked"
	if p.Seen.Set {
		s += ", " + strconv.Itoa(p.Seen.N) + " cows seen"
	}
	if p.Empty {
		s += ", nothing noted"
	}
	return s
}

// sayings is a line as it was read: her number, and each event in words.
func sayings(r *round.Round, animal string, events []*event.Event) string {
	_, words, _ := strings.Cut(round.Line(r, "0", events), " ")
	return animal + ": " + words
}

func wordsOf(e *event.Event) string {
	if d, ok := e.Data.(*event.Walk); ok {
		return walked(&round.Pen{Name: d.Pen, Seen: d.Seen})
	}
	return round.Words(e, true)
}

func cutRef(s string) string {
	const most = 128 // a longer one comes from a person's code that is refused anyway
	if r := []rune(s); len(r) > most {
		s = string(r[:most])
	}
	return s
}

// slotOf names what a round says once: one event of a kind of an animal, a pen that was
// walked; of treatments, one of each class. Who breeds a cow twice on a day does so on
// two rounds.
func slotOf(e *event.Event) string {
	more := ""
	switch d := e.Data.(type) {
	case *event.Walk:
		more = d.Pen
	case *event.Treatment:
		more = d.Class
	}
	return strings.Join([]string{e.Kind.String(), e.Animal, more}, "\x00")
}

// statement is what an event says, without what the log gives it.
func statement(e *event.Event, note string) string {
	bare := *e
	bare.ID, bare.Replaces, bare.Note, bare.NoteSalt, bare.NoteHash = uuid.Nil, uuid.Nil, "", event.Salt{}, event.Digest{}
	return string(bare.AppendCanonical(nil)) + "\x00" + note
}

// before is what the log has of a round.
type before struct {
	stands map[string]*stood // by slot
	times  map[string]int    // by content: how often it was recorded and withdrawn
}

type stood struct {
	event   *event.Event
	content string
	erased  bool // its note was: only the rest can be compared
	result  Result
}

// dayOf reads what the log has of the day of a round, and of the round itself.
func (b *Book) dayOf(ctx context.Context, h *Herd, s *said) (*before, error) {
	was := &before{stands: map[string]*stood{}, times: map[string]int{}}
	err := b.eachEvent(ctx, h, Query{From: s.On, To: s.On, All: true}, func(it *Item, e *event.Event) {
		if !it.Voided {
			s.day = append(s.day, e)
		}
		if e.Source != roundSource || e.Ref != cutRef(s.Name()) || e.Kind == event.KindVoid {
			return
		}
		note := ""
		if it.Note != nil {
			note = it.Note.Body
		}
		content := statement(e, note)
		if it.Voided {
			was.times[content]++
			return
		}
		was.stands[slotOf(e)] = &stood{e, content, it.NoteErased, Result{ID: it.ID, Seq: it.Seq, Hash: it.Hash, Outcome: AlreadyThere}}
	})
	return was, err
}

// eachEvent goes through the events of a query, page by page.
func (b *Book) eachEvent(ctx context.Context, h *Herd, q Query, fn func(*Item, *event.Event)) error {
	for q.Limit = 1000; ; {
		page, err := b.Events(ctx, h, q)
		if err != nil {
			return err
		}
		for i := range page.Items {
			e, err := event.DecodeCanonical(page.Items[i].Bytes)
			if err != nil {
				return wrap("read events", err)
			}
			fn(&page.Items[i], e)
		}
		if q.After = page.Next; !page.More {
			return nil
		}
	}
}

// hold gives a fact its id, or finds it in the log. changed is told of an event that
// stands in its place and says something else; the fact will replace it.
func (was *before) hold(f *fact, content string, changed func(*event.Event)) {
	e := f.event
	if old := was.stands[f.slot]; old != nil {
		bare, _, _ := strings.Cut(old.content, "\x00")
		if old.content == content || old.erased && strings.HasPrefix(content, bare+"\x00") {
			f.known = old.result
			return
		}
		changed(old.event)
		f.replaced = old.result.Seq
		f.void = event.New(event.KindVoid, e.Herd, "", 0)
		f.void.ID = uuid.NewSHA1(roundSpace, []byte("void\x00"+old.event.ID.String()))
		f.void.By, f.void.Source, f.void.Ref = e.By, roundSource, e.Ref
		f.void.Data = &event.Void{Event: old.event.ID, Reason: "the round says something else now"}
		e.Replaces = old.event.ID
	}
	e.ID = uuid.NewSHA1(roundSpace, fmt.Appendf(nil, "%s\x00%d", content, was.times[content]))
}

// weigh holds the new facts against the records as they are without them.
func (b *Book) weigh(ctx context.Context, h *Herd, said []said) error {
	for i := range said {
		s := &said[i]
		sires, err := b.siresOf(ctx, h, s)
		if err != nil {
			return err
		}
		err = b.View(ctx, h, AsOf{}, func(v *View) error {
			pens := map[string]string{}
			for _, a := range v.Fold.Animals(s.On) {
				pens[a.Name] = a.Pen
			}
			fold, seq := v.Fold.Clone(), v.Fold.Seq()
			apply := func(e *event.Event, voids int64) {
				seq++
				fold.Apply([]repro.Fact{{Event: e, Seq: seq, Voids: voids}})
			}
			var bred []*RoundLine
			for _, l := range s.lines {
				if pen := pens[l.Animal]; l.Animal != "" && pen != "" && l.Pen != "" && pen != l.Pen {
					l.check("by the records she stands in pen %s", pen)
				}
				for _, f := range l.facts {
					if f.void != nil {
						f.void.On = v.Today
						apply(f.void, f.replaced)
					}
					switch {
					case f.known.Seq > 0 || l.Outcome == LineRefused:
					case f.event.Kind == event.KindBreeding:
						bred = append(bred, l)
					default:
						apply(f.event, 0)
					}
				}
			}
			for _, l := range bred {
				l.eligible(fold, s.On, sires)
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (l *RoundLine) check(format string, args ...any) {
	if text := "please check: " + fmt.Sprintf(format, args...); !slices.Contains(l.Check, text) {
		l.Check = append(l.Check, text)
	}
}

// eligible says what speaks against a breeding of the line, which is recorded all the
// same: it has happened.
func (l *RoundLine) eligible(fold *repro.Herd, on event.Date, sires map[string]bool) {
	for _, f := range l.facts {
		d, ok := f.event.Data.(*event.Breeding)
		if !ok {
			continue
		}
		if len(sires) > 0 && d.Sire != "" && !sires[d.Sire] {
			l.check("no cow of the herd was bred to %s in the %d days before", d.Sire, sireDays)
		}
		e, there := fold.Eligibility(l.Animal, on)
		if !there || e.Verdict == repro.Yes || e.Verdict == repro.WhenInHeat && (d.Basis == event.Timed || d.Method == event.Natural) {
			continue
		}
		var why []string
		for _, r := range e.Reasons {
			if r.Verdict == e.Verdict {
				why = append(why, r.Text)
			}
		}
		l.check("bred although %s", strings.Join(why, "; "))
	}
}

// sireDays is how long before a round a bull counts as known.
const sireDays = 400

// siresOf lists the bulls of the herd's breedings before a round that has breedings;
// none if it had none, as in a herd that has just begun.
func (b *Book) siresOf(ctx context.Context, h *Herd, s *said) (map[string]bool, error) {
	breeds := slices.ContainsFunc(s.lines, func(l *RoundLine) bool {
		return slices.ContainsFunc(l.facts, func(f *fact) bool { return f.event.Kind == event.KindBreeding && f.known.Seq == 0 })
	})
	sires := map[string]bool{}
	if !breeds {
		return sires, nil
	}
	err := b.eachEvent(ctx, h, Query{Kind: event.KindBreeding, From: s.On - sireDays, To: s.On}, func(_ *Item, e *event.Event) {
		if d, ok := e.Data.(*event.Breeding); ok && d.Sire != "" {
			sires[d.Sire] = true
		}
	})
	return sires, err
}

// record appends what is new. With Part, lines that are refused are left out and the
// rest is tried again.
func (b *Book) record(ctx context.Context, h *Herd, report *RoundReport, o RoundOptions) error {
	for {
		var events []*event.Event
		var lines []*RoundLine
		var facts []*fact
		put := func(l *RoundLine, f *fact, e *event.Event) {
			events, lines, facts = append(events, e), append(lines, l), append(facts, f)
		}
		for _, l := range report.Lines {
			for _, f := range l.facts {
				if l.Outcome == LineRefused || f.known.Seq > 0 {
					continue
				}
				if f.void != nil {
					put(l, nil, f.void)
				}
				put(l, f, f.event)
			}
		}
		if len(events) == 0 {
			head, err := b.Head(ctx, h)
			report.Head = head
			report.tell(nil, nil)
			return err
		}
		receipt, err := b.Append(ctx, h, events, AppendOptions{Key: o.Key, DryRun: o.DryRun})
		if err == nil {
			report.Head = receipt.Head
			report.tell(facts, receipt.Results)
			return nil
		}
		var refusal *Error
		if !errors.As(err, &refusal) || refusal.Kind != Invalid || len(refusal.Faults) == 0 {
			return err
		}
		for _, f := range refusal.Faults {
			i := 0
			if len(events) > 1 {
				at, rest, _ := strings.Cut(strings.TrimPrefix(f.Pointer, "/"), "/")
				if i, err = strconv.Atoi(at); err != nil || i >= len(events) {
					return refusal
				}
				f.Pointer = rest
			}
			f.Line, f.Pointer, f.Column = lines[i].Line, "", ""
			if f.Value == "" {
				f.Value = cut(events[i].Animal)
			}
			report.refuse(lines[i], f)
		}
		if err := report.stop(o); err != nil {
			return err
		}
	}
}

// tell gives each line its events and what became of them.
func (r *RoundReport) tell(facts []*fact, results []Result) {
	for i, f := range facts {
		if f != nil {
			f.known = results[i]
		}
	}
	r.Recorded, r.Known = 0, 0
	seen := map[uuid.UUID]bool{}
	for _, l := range r.Lines {
		if l.Outcome == LineRefused {
			continue
		}
		for _, f := range l.facts {
			l.Events = append(l.Events, f.known)
			if f.known.Outcome == Appended {
				l.Outcome = LineRecorded
			}
			switch {
			case seen[f.known.ID]:
			case f.known.Outcome == Appended:
				r.Recorded++
			default:
				r.Known++
			}
			seen[f.known.ID] = true
		}
	}
}

// missing says what is not there though such a round has it as a rule: the hand's
// verdict on suspect cows, and pens with cows to be read that were not walked.
func (b *Book) missing(ctx context.Context, h *Herd, report *RoundReport, said []said) error {
	for i := range said {
		s := &said[i]
		day, walks := s.day, false
		for _, l := range s.lines {
			walks = walks || l.Animal == ""
			if l.Outcome == LineRefused {
				continue
			}
			for _, f := range l.facts {
				day = append(day, f.event)
			}
		}
		felt, walked := map[string]bool{}, map[string]bool{}
		for _, e := range day {
			switch d := e.Data.(type) {
			case *event.Palpation:
				felt[e.Animal] = true
			case *event.Walk:
				walked[d.Pen] = true
			}
		}
		for _, l := range s.lines {
			for _, f := range l.facts {
				if d, ok := f.event.Data.(*event.Heat); ok && d.Verdict == event.Suspect && l.Outcome != LineRefused && !felt[l.Animal] {
					report.lack("%s was read as suspect and not felt (line %d)", l.Animal, l.Line)
				}
			}
		}
		if !walks {
			continue
		}
		err := b.View(ctx, h, AsOf{}, func(v *View) error {
			list, err := v.Fold.List("walk", s.On, repro.ListOptions{Days: 0})
			if err != nil {
				return err
			}
			cows := map[string]int{}
			for _, row := range list.Rows {
				cows[row.Pen]++
			}
			for _, pen := range slices.Sorted(maps.Keys(cows)) {
				if pen != "" && !walked[pen] {
					report.lack("pen %s was not walked on %s (to be read there: %d)", pen, s.On, cows[pen])
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func (r *RoundReport) lack(format string, args ...any) {
	if text := fmt.Sprintf(format, args...); !slices.Contains(r.Missing, text) {
		r.Missing = append(r.Missing, text)
	}
}

// RenderResults is what a Key keeps of a request whose answer nobody asks for again:
// which events it appended, for LastRequest.
func RenderResults(r *Receipt) (status int, body []byte) {
	type result struct {
		ID      uuid.UUID `json:"id"`
		Outcome Outcome   `json:"outcome"`
	}
	var kept struct {
		Results []result `json:"results"`
	}
	for _, res := range r.Results {
		kept.Results = append(kept.Results, result{res.ID, res.Outcome})
	}
	body, _ = json.Marshal(kept) // ids and words: it cannot fail
	if r.Appended() == 0 {
		return statusCreated - 1, body
	}
	return statusCreated, body
}
