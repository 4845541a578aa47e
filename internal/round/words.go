package round

import (
	"slices"
	"strings"

	"byrelog.example/internal/event"
)

// noted tells whether a kind is written down on a round: of one cow, and neither how
// she came, nor another number, nor a correction.
func noted(k event.Kind) bool {
	return k.Spec().Animal && k != event.KindArrival && k != event.KindRenumber
}

// phrase is a way of saying one thing.
type phrase struct {
	kind   event.Kind // 0 = of whatever event its part of the line is about
	words  []string
	column string       // what it fills; "" = nothing: it only begins an event of the kind
	value  string       // with what; "" = with the value behind it
	field  *event.Field // of column
	first  bool         // the value stands before the words: "34 days pregnant"
	begins bool         // it begins an event of the kind
	opener bool         // and a new part of the line
	inside bool         // only understood in a part that is about the kind, or about a calf
	second bool         // another order of the words of one that is listed
}

// String is the phrase as a list of words has it.
func (p *phrase) String() string {
	s := strings.Join(p.words, " ")
	switch {
	case p.value != "" || p.column == "":
		return s
	case p.first:
		return "… " + s
	}
	return s + " …"
}

// whole is the phrase with the word that it needs beside it.
func (p *phrase) whole() string {
	switch {
	case !p.inside:
		return p.String()
	case strings.HasPrefix(p.column, calf):
		return "calf " + p.String()
	}
	return opens[p.kind][0].words + " " + p.String()
}

// What is said otherwise than by the names of kinds, fields and values. The words are
// those of the trade in plain English, common practice, no source.
var (
	// opens lists what begins an event. The first is how it is written.
	opens = map[event.Kind][]struct{ words, column, value string }{
		event.KindPalpation:          {{words: "felt"}, {words: "palpated"}},
		event.KindPregnancyDiagnosis: {{words: "diagnosed"}, {words: "pregnancy diagnosis"}},
		event.KindBreeding:           {{"bred", "sire", ""}, {"inseminated", "sire", ""}},
		event.KindCalving:            {{words: "calved"}},
		event.KindPregnancyLoss:      {{words: "lost pregnancy"}, {words: "pregnancy loss"}, {"aborted", "loss_seen", event.Abortion}},
		event.KindDryOff:             {{words: "dry off"}, {words: "dried off"}, {words: "dry"}},
		event.KindMove:               {{"moved to", "pen", ""}, {"move to", "pen", ""}, {"to pen", "pen", ""}},
		event.KindBreedingStop:       {{words: "stop breeding"}, {words: "breeding stop"}, {words: "do not breed"}, {words: "stop"}},
		event.KindBreedingResume:     {{words: "resume breeding"}, {words: "breeding resume"}, {words: "resume"}},
		event.KindTreatment:          {{"treated", "class", ""}},
	}
	// says lists other names of columns, the written one first.
	says = map[string][]string{
		"loss_seen":   {"seen"},
		"follicle_mm": {"follicle"},
		"found_by":    {"found by"},
		"calf_tag":    {"tag"},
	}
	// means lists other words for values, the written one first.
	means = map[string]map[string][]string{
		"mucus":    {"none": {"no"}},
		"tone":     {"none": {"no"}},
		"calf_sex": {event.Female: {"heifer", "female"}, event.Male: {"bull", "male"}},
	}
	// by names enums that are said with a word of their own: "pregnant by ultrasound".
	by = map[string]string{"pregnancy_diagnosis.method": "by"}
	// before lists columns whose value is said first: "strong tone", "34 days pregnant".
	before = []string{"tone", "mucus", "semen", "days_pregnant"}
	// taken is what an event of the kind is unless something else is said.
	taken = map[event.Kind]map[string]string{event.KindBreeding: {"method": event.AI}}
	// must lists kinds that have no required word and are too grave to be understood
	// from a detail.
	must = []event.Kind{
		event.KindCalving, event.KindPregnancyLoss, event.KindDryOff, event.KindBreedingStop, event.KindBreedingResume, event.KindTreatment,
		event.KindBreeding,
	}
)

// calf stands for the number in the columns of a calf, which a phrase cannot know.
const calf = "calf#_"

// lexicon is every phrase, and vocabulary every word of them.
var lexicon = func() (list []phrase) {
	for _, spec := range event.Specs() {
		if noted(spec.Kind) {
			list = append(list, phrasesOf(&spec)...)
		}
	}
	for _, f := range event.Envelope() {
		switch f.Name {
		case "at", "by", "note":
			list = append(list, phrase{words: []string{f.Name}, column: f.Name, field: f})
		case "half":
			for _, w := range [][2]string{{"am", event.AM}, {"pm", event.PM}, {"morning", event.AM}, {"afternoon", event.PM}} {
				list = append(list, phrase{words: []string{w[0]}, column: f.Name, field: f, value: w[1]})
			}
		}
	}
	return list
}()

func phrasesOf(spec *event.Spec) (list []phrase) {
	fields := columns(spec)
	put := func(p phrase) {
		p.kind = spec.Kind
		same := func(q phrase) bool {
			return slices.Equal(p.words, q.words) && p.first == q.first && (p.column == "") == (q.column == "")
		}
		if !slices.ContainsFunc(list, same) {
			list = append(list, p)
		}
	}
	for _, o := range opens[spec.Kind] {
		put(phrase{words: strings.Fields(o.words), column: o.column, field: fields.of(o.column), value: o.value, begins: true, opener: true})
	}
	if opens[spec.Kind] == nil {
		put(phrase{words: strings.Split(spec.Name, "_"), begins: true, opener: true})
	}
	for _, c := range fields {
		c.say(spec, put)
	}
	return list
}

// column is a field of a kind with the column of its cells.
type column struct {
	name  string
	field *event.Field
}

type columnList []column

func (l columnList) of(name string) *event.Field {
	for _, c := range l {
		if c.name == name {
			return c.field
		}
	}
	return nil
}

// columns lists the columns of a kind; those of a calf stand once.
func columns(spec *event.Spec) (list columnList) {
	for _, f := range spec.Fields {
		switch f.Type {
		case event.Object:
			for _, sub := range f.Fields {
				list = append(list, column{f.ColumnName() + "_" + sub.ColumnName(), sub})
			}
		case event.Objects:
			for _, sub := range f.Fields {
				list = append(list, column{f.ColumnName() + "#_" + sub.ColumnName(), sub})
			}
		default:
			list = append(list, column{f.ColumnName(), f})
		}
	}
	return list
}

// say lists the ways of filling a column.
func (c column) say(spec *event.Spec, put func(phrase)) {
	f := c.field
	key := strings.Replace(c.name, "#", "", 1)
	inCalf := strings.HasPrefix(c.name, calf)
	var names [][]string
	for _, name := range append(slices.Clone(says[key]), says[f.Name]...) {
		names = append(names, strings.Fields(prefixOf(c.name, f)+name))
	}
	if !inCalf {
		names = append(names, strings.Split(key, "_"))
	}
	switch f.Type {
	case event.Enum, event.EnumSet:
		bare := f.Type == event.EnumSet || f.Required || inCalf
		for _, v := range f.Values {
			spoken := append(slices.Clone(means[key][v]), strings.ReplaceAll(v, "_", " "))
			for i, s := range spoken {
				words := strings.Fields(s)
				p := phrase{column: c.name, field: f, value: v, inside: inCalf, second: i > 0}
				prefix := by[spec.Name+"."+f.Name]
				if prefix != "" {
					p.words = append([]string{prefix}, words...)
					put(p)
				} else if bare {
					bp := p
					bp.words = words
					// "in heat" is a reading; of the hand it is "felt in heat".
					bp.begins, bp.inside = f.Required && !inCalf && spec.Kind != event.KindPalpation, inCalf || spec.Kind == event.KindPalpation
					put(bp)
				}
				for n, name := range names {
					orders := [][]string{slices.Concat(name, words), slices.Concat(words, name)}
					if slices.Contains(before, c.name) {
						slices.Reverse(orders)
					}
					for o, order := range orders {
						p.words, p.second = order, bare || prefix != "" || i+n+o > 0
						put(p)
					}
				}
			}
		}
	case event.Bool:
		for i, name := range names {
			put(phrase{words: name, column: c.name, field: f, value: "true", inside: inCalf, second: i > 0})
			for n, not := range []string{"no", "not"} {
				put(phrase{words: append([]string{not}, name...), column: c.name, field: f, value: "false", inside: inCalf, second: i+n > 0})
			}
		}
	case event.Text, event.DateOn, event.Integer:
		if inCalf {
			names = append(names, strings.Split(f.Name, "_"))
		}
		for i, name := range names {
			front := slices.Contains(before, c.name)
			put(phrase{words: name, column: c.name, field: f, inside: inCalf, second: i > 0 || front})
			if f.Type == event.Integer {
				put(phrase{words: name, column: c.name, field: f, first: true, inside: inCalf, second: i > 0 || !front})
			}
		}
	case event.ID, event.Object, event.Objects:
		// No kind of a round has an id, and nested records are taken apart above.
	}
}

// prefixOf is what the name of a nested column begins with, in words: "left ".
func prefixOf(name string, f *event.Field) string {
	prefix, nested := strings.CutSuffix(name, "_"+f.ColumnName())
	if !nested || strings.HasSuffix(prefix, "#") {
		return ""
	}
	return prefix + " "
}
