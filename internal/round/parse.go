package round

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"byrelog.example/internal/event"
)

// Round is what stands below one heading.
type Round struct {
	Line int // of its heading
	On   event.Date
	At   string // HH:MM; "" = not said
	Half string // am or pm; "" = not said
	By   string
	Pens []Pen
	Cows []Cow
}

// Pen is one pen of a round.
type Pen struct {
	Line   int
	Name   string
	Walked bool
	Empty  bool // "nothing": no cow of it is noted
	Seen   event.OptInt
}

// Cow is a line about one cow: what was seen and done, an event each. Their day,
// half or time and person are those of the heading unless the line says otherwise;
// herd, id, source and ref are not set.
type Cow struct {
	Line   int
	Animal string
	Pen    string // whose heading stands above it; "" = none
	Events []*event.Event
}

// Problem is why a line cannot be read.
type Problem struct {
	Line, Column int    // from 1; the column counts characters
	Word         string // as it stands
	Code         string
	Detail       string
	Allowed      []string // the nearest words that could stand there
}

// Codes of problems beside those of package event.
const (
	CodeUnknownWord = "unknown_word"
	CodeAmbiguous   = "ambiguous_word"
	CodeNoHeading   = "no_heading"
)

// Name names the round for people and, within a herd, for programs: a day, half or
// time and person make one round.
func (r *Round) Name() string {
	s := r.On.String()
	if when := r.At + r.Half; when != "" {
		s += " " + when
	}
	if r.By != "" {
		s += " by " + r.By
	}
	return s
}

// Parse reads a text. A line with a problem gives nothing else; below a heading with
// one nothing is read. Problems are in the order of the lines.
func Parse(text string) (rounds []Round, problems []Problem) {
	p := &parser{}
	if len(text) > MaxText {
		return nil, []Problem{{Line: 1, Column: 1, Code: event.CodeTooLong, Detail: fmt.Sprintf("a text has at most %d KiB", MaxText>>10)}}
	}
	if !utf8.ValidString(text) {
		return nil, []Problem{{Line: 1, Column: 1, Code: event.CodeBadText, Detail: "the text is not UTF-8"}}
	}
	text = strings.TrimPrefix(text, "\ufeff") // editors put it there
	lines := strings.Split(text, "\n")
	if len(lines) > MaxLines {
		return nil, []Problem{{Line: MaxLines + 1, Column: 1, Code: event.CodeTooLong, Detail: fmt.Sprintf("a text has at most %d lines", MaxLines)}}
	}
	for n, line := range lines {
		p.line = n + 1
		p.read(strings.TrimSuffix(line, "\r"))
	}
	if p.rounds == nil && p.problems == nil {
		p.line = 1
		p.fail(token{column: 1}, event.CodeRequired, "the text is empty; it begins with a heading such as: round 2026-12-01 morning, by t2")
	}
	return p.rounds, p.problems
}

type parser struct {
	line     int
	rounds   []Round
	broken   bool // the heading has a problem: what is below it belongs to nothing
	problems []Problem
}

func (p *parser) fail(t token, code, format string, args ...any) {
	p.problems = append(p.problems, Problem{Line: p.line, Column: t.column, Word: t.text, Code: code, Detail: fmt.Sprintf(format, args...)})
}

// token is a word, a value in quotes, or a comma.
type token struct {
	text   string
	column int
	quoted bool
	comma  bool
	parts  []string // as words of the log are held against it: a hyphen or underscore stands for a space
}

// is tells whether the token is this very word.
func (t *token) is(word string) bool { return !t.quoted && strings.EqualFold(t.text, word) }

// tokens takes a line apart; ok is false after a problem.
func (p *parser) tokens(line string) (list []token, ok bool) {
	if len(line) > MaxLine {
		p.fail(token{column: 1}, event.CodeTooLong, "a line has at most %d bytes", MaxLine)
		return nil, false
	}
	runes := []rune(line)
	for i := 0; i < len(runes); {
		r := runes[i]
		begin := i
		switch {
		case r == '#' || unicode.IsSpace(r):
			if r == '#' {
				return list, true
			}
			i++
		case r == ',' || r == ';':
			list = append(list, token{text: string(r), column: i + 1, comma: true})
			i++
		case r == '"':
			var b strings.Builder
			closed := false
			for i++; i < len(runes) && !closed; i++ {
				switch {
				case runes[i] != '"':
					b.WriteRune(runes[i])
				case i+1 < len(runes) && runes[i+1] == '"':
					b.WriteRune('"')
					i++
				default:
					closed = true
				}
			}
			t := token{text: b.String(), column: begin + 1, quoted: true}
			if !closed {
				p.fail(t, event.CodeSyntax, "the quote is not closed")
				return nil, false
			}
			list = append(list, t)
		default:
			for i < len(runes) && !unicode.IsSpace(runes[i]) && !strings.ContainsRune(`,;"`, runes[i]) {
				i++
			}
			t := token{text: string(runes[begin:i]), column: begin + 1}
			t.parts = strings.FieldsFunc(strings.ToLower(t.text), func(r rune) bool { return r == '-' || r == '_' })
			list = append(list, t)
		}
	}
	return list, true
}

func (p *parser) read(line string) {
	list, ok := p.tokens(line)
	switch {
	case !ok || len(list) == 0:
		p.broken = p.broken || !ok && strings.HasPrefix(strings.ToLower(strings.TrimSpace(line)), "round")
	case list[0].is("round"):
		p.heading(list)
	case p.broken:
	case p.rounds == nil:
		p.fail(list[0], CodeNoHeading, "a heading must come first: round 2026-12-01 morning, by t2")
		p.broken = true
	case list[0].is("pen"):
		p.pen(list)
	default:
		p.cow(list)
	}
}

var clock = regexp.MustCompile(`^([01]?[0-9]|2[0-3]):([0-5][0-9])$`)

// timeOf reads HH:MM or H:MM.
func timeOf(s string) (string, bool) {
	if !clock.MatchString(s) {
		return "", false
	}
	return strings.Repeat("0", 5-len(s)) + s, true
}

func (p *parser) heading(list []token) {
	r := Round{Line: p.line}
	before := len(p.problems)
	for i := 1; i < len(list) && len(p.problems) == before; i++ {
		t := list[i]
		at, isTime := timeOf(t.text)
		next := token{column: t.column}
		if i+1 < len(list) {
			next = list[i+1]
		}
		switch {
		case t.comma:
		case r.On == 0:
			d, err := event.ParseDate(t.text)
			if err != nil {
				p.fail(t, event.CodeBadDate, "behind \"round\" stands the date, such as 2026-12-01")
			}
			r.On = d
		case t.is("at") && r.At == "" && r.Half == "":
			if at, isTime = timeOf(next.text); !isTime {
				p.fail(next, event.CodeBadTime, "behind \"at\" stands a time, such as 07:30")
			}
			r.At = at
			i++
		case isTime && r.At == "" && r.Half == "":
			r.At = at
		case t.is("by") && r.By == "":
			if next.text == "" || next.comma {
				p.fail(t, event.CodeRequired, "behind \"by\" stands who walked: a short code of the herd's own")
			}
			r.By = next.text
			i++
		default:
			half := halfOf(t)
			if half == "" || r.At != "" || r.Half != "" {
				p.problems = append(p.problems, Problem{
					Line: p.line, Column: t.column, Word: t.text, Code: CodeUnknownWord, Detail: "a heading is: round, the date, the half of the day or the time, and by whom",
					Allowed: []string{"morning", "afternoon", "at 07:30", "by t2"},
				})
			}
			r.Half = half
		}
	}
	if r.On == 0 && len(p.problems) == before {
		p.fail(list[0], event.CodeBadDate, "behind \"round\" stands the date, such as 2026-12-01")
	}
	if p.broken = len(p.problems) > before; !p.broken {
		p.rounds = append(p.rounds, r)
	}
}

func halfOf(t token) string {
	for i := range lexicon {
		if ph := &lexicon[i]; ph.column == "half" {
			if n, _ := ph.match([]token{t}); n == 1 {
				return ph.value
			}
		}
	}
	return ""
}

func (p *parser) pen(list []token) {
	pen := Pen{Line: p.line, Walked: true}
	rest := list[1:]
	if len(rest) > 0 && !rest[0].comma {
		pen.Name = rest[0].text
		if !rest[0].quoted {
			pen.Name = strings.TrimSuffix(pen.Name, ":")
		}
		rest = rest[1:]
	}
	if len(rest) > 0 && rest[0].is(":") {
		rest = rest[1:]
	}
	if pen.Name == "" {
		p.fail(list[0], event.CodeRequired, "behind \"pen\" stands the pen, such as: pen p3: nothing")
		return
	}
	rest = slices.DeleteFunc(slices.Clone(rest), func(t token) bool { return t.comma })
	words := func(w ...string) bool { return (&phrase{words: w}).fits(rest) }
	number := func(i int) bool {
		n, err := strconv.Atoi(rest[i].text)
		pen.Seen = event.Int(n)
		return err == nil && n >= 0
	}
	switch {
	case len(rest) == 0:
	case words("nothing"):
		pen.Empty = true
	case words("not", "walked"):
		pen.Walked = false
	case len(rest) == 2 && rest[0].is("seen") && number(1), len(rest) == 2 && rest[1].is("seen") && number(0):
	default:
		p.problems = append(p.problems, Problem{
			Line: p.line, Column: rest[0].column, Word: rest[0].text, Code: CodeUnknownWord, Detail: "of a pen it is said that nothing was seen, that it was not walked, or how many cows were seen; each cow has a line of her own",
			Allowed: []string{"nothing", "not walked", "seen 42"},
		})
		return
	}
	r := &p.rounds[len(p.rounds)-1]
	r.Pens = append(r.Pens, pen)
}

func (p *parser) cow(list []token) {
	r := &p.rounds[len(p.rounds)-1]
	c := Cow{Line: p.line, Animal: list[0].text}
	if !list[0].quoted {
		c.Animal = strings.TrimSuffix(c.Animal, ":")
	}
	if len(r.Pens) > 0 {
		pen := r.Pens[len(r.Pens)-1]
		if pen.Empty {
			p.fail(list[0], event.CodeContradicts, "of pen %s line %d says that there was nothing; write \"pen %s:\" there", pen.Name, pen.Line, pen.Name)
			return
		}
		c.Pen = pen.Name
	}
	rest := list[1:]
	if len(rest) > 0 && rest[0].is(":") {
		rest = rest[1:]
	}
	if list[0].comma || c.Animal == "" {
		p.fail(list[0], event.CodeRequired, "a line begins with the number of a cow")
		return
	}
	facts := &facts{parser: p, number: list[0]}
	if !facts.read(rest) {
		return
	}
	if c.Events = facts.events(r, c.Animal); c.Events != nil {
		r.Cows = append(r.Cows, c)
	}
}
