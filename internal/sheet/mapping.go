package sheet

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"slices"
	"sort"
	"strings"

	"go.yaml.in/yaml/v3"

	"byrelog.example/internal/event"
)

// Mapping says what the columns and words of a foreign sheet mean. Its written
// form is YAML or JSON, described by [MappingSchema]; [ParseMapping] reads and
// checks it. A Mapping does not change and may be shared.
type Mapping struct {
	Version     int         `yaml:"version"`     // 1
	Name        string      `yaml:"name"`        // for people
	Description string      `yaml:"description"` // for people
	Source      string      `yaml:"source"`      // the events' source; required, since row ids depend on it
	Encoding    string      `yaml:"encoding"`    // one of Encodings; default utf-8; a byte order mark goes before it
	Delimiter   string      `yaml:"delimiter"`   // one character, or "tab"; default: told from the header, or refused
	HeaderRow   *int        `yaml:"header_row"`  // which row (blank ones not counted) names the columns; default 1; 0: none
	Dates       string      `yaml:"dates"`       // order and separators: iso, d/m/y, m/d/y, d.m.y, y/m/d …
	TwoDigits   bool        `yaml:"two_digit_years"`
	Sheet       string      `yaml:"sheet"`         // of a workbook: its name, or its number from 1; needed where several hold rows
	HeaderRows  int         `yaml:"header_rows"`   // rows of the header; the upper ones name groups of columns; default 1
	SkipRows    int         `yaml:"skip_rows"`     // rows right below the header that are no records (units)
	Serials     string      `yaml:"serials"`       // numbers in date columns: refuse (default), auto, 1900 or 1904
	Months      []string    `yaml:"months"`        // languages of the months' names: en, fr …
	Decimal     string      `yaml:"decimal"`       // what stands before a fraction: "." or ","; the other marks thousands
	Digits      int         `yaml:"animal_digits"` // the herd's numbers have this many digits; 0: not known
	Strip       []string    `yaml:"animal_strip"`  // what the sheet writes before the numbers: a country, "Cow"
	Pad         bool        `yaml:"animal_pad"`    // the sheet writes the numbers without their zeros in front
	Skip        []Condition `yaml:"skip"`          // rows that are no records: totals, footers
	Herd        *Cell       `yaml:"herd"`          // which herd a row belongs to, by name or id
	Key         []Cell      `yaml:"key"`           // the sheet's own key of a row: becomes ref
	OnChange    string      `yaml:"on_change"`     // an edited row: OnChangeReport (default), OnChangeAmend or OnChangeAppend
	OnVanish    string      `yaml:"on_vanish"`     // a row that is gone: OnVanishReport (default), OnVanishVoid or OnVanishIgnore
	VoidLimit   *int        `yaml:"void_limit_percent"`
	Fields      Fields      `yaml:"fields"`    // of every event
	Events      []Rule      `yaml:"events"`    // the events of a row
	Otherwise   string      `yaml:"otherwise"` // a row that no rule fits: refuse (default) or skip

	native     bool
	delim      byte // 0: tell it from the header
	headerRow  int
	headerRows int
}

// Fields say where the columns of the event table are read from.
type Fields map[string]Cell

// Rule is one event that a row can give.
type Rule struct {
	Name     string      `yaml:"name"` // tells the events of a row apart: ref becomes key#name
	When     []Condition `yaml:"when"` // all must hold; none: always
	Kind     Cell        `yaml:"kind"` // a constant, or a column with words
	Fields   Fields      `yaml:"fields"`
	OnChange string      `yaml:"on_change"` // where it differs from the mapping's
}

// Cell is where a value comes from: a column by name or by position, or a
// constant. In its short form it is a text: the column's name (for kind: the
// kind itself).
type Cell struct {
	Column   string            `yaml:"column"`
	Position int               `yaml:"position"` // from 1
	Const    string            `yaml:"const"`
	Words    map[string]string `yaml:"words"`    // the sheet's word -> the log's; "" leaves the field out
	Others   string            `yaml:"others"`   // a word that words lacks: refuse (default), keep or blank
	Default  string            `yaml:"default"`  // where the cell is blank
	Split    string            `yaml:"split"`    // what separates the words of a list
	Dates    string            `yaml:"dates"`    // where this column has an order of its own
	Time     string            `yaml:"time"`     // a time of day in a date: refuse (default), keep (it becomes at) or drop
	Only     []string          `yaml:"only"`     // read for events of these kinds alone
	Optional bool              `yaml:"optional"` // the sheet may lack the column

	words map[string]string // folded
	short bool              // written as a text
}

// Condition is a test of one cell. Exactly one of its tests is given; words
// are compared folded (case, space and width).
type Condition struct {
	Column   string   `yaml:"column"`
	Position int      `yaml:"position"`
	Filled   *bool    `yaml:"filled"`
	Is       []string `yaml:"is"`
	Not      []string `yaml:"not"`
	Starts   []string `yaml:"starts"`
}

const (
	mappingVersion = 1
	maxMapping     = 256 << 10
	refuse         = "refuse"
	skipRow        = "skip"
	keepWord       = "keep"
	blankWord      = "blank"
)

//go:embed mapping.schema.json
var mappingSchema []byte

// MappingSchema is the JSON Schema (2020-12) of a mapping's written form.
func MappingSchema() []byte { return bytes.Clone(mappingSchema) }

// MappingError lists everything that is wrong with a mapping.
type MappingError struct{ Faults []string }

func (e *MappingError) Error() string {
	return "the mapping cannot be used: " + strings.Join(e.Faults, "; ")
}

// Native is the mapping of the project's own profile.
func Native() *Mapping {
	return &Mapping{Version: mappingVersion, native: true, headerRow: 1, headerRows: 1, Encoding: utf8Name}
}

// IsNative tells whether m is the project's own profile.
func (m *Mapping) IsNative() bool { return m.native }

// UnmarshalYAML takes the short form too: a text is a column's name.
func (c *Cell) UnmarshalYAML(n *yaml.Node) error {
	if n.Kind == yaml.ScalarNode {
		c.Column, c.short = n.Value, true
		return nil
	}
	type plain Cell // without this method
	if err := knownKeys(n, "column", "position", "const", "words", "others", "default", "split", "dates", "time", "only", "optional"); err != nil {
		return err
	}
	return n.Decode((*plain)(c))
}

// knownKeys repeats the check of KnownFields, which a decoder does not hand on
// to nodes that decode themselves.
func knownKeys(n *yaml.Node, known ...string) error {
	for n.Kind == yaml.AliasNode {
		n = n.Alias
	}
	if n.Kind != yaml.MappingNode {
		return fmt.Errorf("line %d: a text or a list of members is expected", n.Line)
	}
	for i := 0; i < len(n.Content); i += 2 {
		if !slices.Contains(known, n.Content[i].Value) {
			return fmt.Errorf("line %d: there is no %s here; known are %s", n.Content[i].Line, quote(n.Content[i].Value), strings.Join(known, ", "))
		}
	}
	return nil
}

// ParseMapping reads a mapping from YAML or JSON. Unknown and doubled members
// are refused. The error is a *[MappingError].
func ParseMapping(doc []byte) (*Mapping, error) {
	if len(doc) > maxMapping {
		return nil, &MappingError{[]string{"it is longer than " + byteCount(maxMapping)}}
	}
	if faults := undecided(doc); len(faults) > 0 {
		return nil, &MappingError{faults}
	}
	d := yaml.NewDecoder(bytes.NewReader(doc))
	d.KnownFields(true)
	m := &Mapping{}
	if err := d.Decode(m); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, &MappingError{[]string{"it is empty"}}
		}
		var te *yaml.TypeError
		if errors.As(err, &te) {
			return nil, &MappingError{te.Errors}
		}
		return nil, &MappingError{[]string{strings.TrimPrefix(err.Error(), "yaml: ")}}
	}
	if err := d.Decode(new(yaml.Node)); !errors.Is(err, io.EOF) {
		return nil, &MappingError{[]string{"a second document follows the mapping"}}
	}
	c := mappingCheck{m: m}
	c.run()
	if len(c.faults) > 0 {
		return nil, &MappingError{c.faults}
	}
	return m, nil
}

// mappingCheck holds a mapping against the log's columns and prepares it.
type mappingCheck struct {
	m      *Mapping
	faults []string
	named  bool // some column is given by name
}

func (c *mappingCheck) add(format string, args ...any) {
	c.faults = append(c.faults, fmt.Sprintf(format, args...))
}

func (c *mappingCheck) run() {
	m := c.m
	if m.Version != mappingVersion {
		c.add("version must be %d", mappingVersion)
	}
	if m.Source == "" || len(m.Source) > 64 || strings.TrimSpace(m.Source) != m.Source {
		c.add("source must name the system that the sheet comes from, in 1 to 64 characters")
	}
	name, ok := encodingName(m.Encoding)
	if !ok {
		c.add("encoding %s is not known; known are %s", quote(m.Encoding), strings.Join(Encodings(), ", "))
	}
	m.Encoding = name
	c.delimiter()
	m.headerRow = 1
	if m.HeaderRow != nil {
		m.headerRow = *m.HeaderRow
	}
	if m.headerRow < 0 || m.headerRow > 50 {
		c.add("header_row must lie between 0 (none) and 50")
	}
	if m.headerRow == 0 && m.delim == 0 {
		c.add("delimiter must be stated for a sheet without a header")
	}
	if m.Dates != "" && !validOrder(m.Dates) {
		c.add("dates: %s", orderHelp(m.Dates))
	}
	if m.Digits < 0 || m.Digits > 32 {
		c.add("animal_digits must lie between 0 and 32")
	}
	c.style()
	switch m.Otherwise {
	case "":
		m.Otherwise = refuse
	case refuse, skipRow:
	default:
		c.add("otherwise is refuse or skip")
	}
	for i := range m.Skip {
		c.condition(fmt.Sprintf("skip %d", i+1), &m.Skip[i])
	}
	for i := range m.Key {
		where := fmt.Sprintf("key %d", i+1)
		c.place(where, m.Key[i].Column, m.Key[i].Position)
		if k := m.Key[i]; k.Const != "" || k.Words != nil || k.Others != "" || k.Default != "" || k.Split != "" || k.Dates != "" || k.Time != "" || k.Only != nil || k.Optional {
			c.add("%s: a part of the key is a column and nothing else", where)
		}
	}
	c.resync()
	c.fields("fields", m.Fields)
	if len(m.Events) == 0 {
		c.add("events must hold at least one rule")
	}
	if _, own := m.Fields["event_id"]; own && len(m.Events) > 1 {
		c.add("fields event_id: the events of a row need ids of their own")
	}
	names := map[string]bool{}
	for i := range m.Events {
		r := &m.Events[i]
		if names[r.Name] && r.Name != "" {
			c.add("events %d: the name %s stands twice", i+1, quote(r.Name))
		}
		names[r.Name] = true
		c.rule(fmt.Sprintf("events %d", i+1), r)
	}
	if m.headerRow > 0 && m.delim == 0 && !c.named {
		c.add("delimiter must be stated where no column is given by name")
	}
}

func (c *mappingCheck) delimiter() {
	switch d := c.m.Delimiter; {
	case d == "":
	case d == "tab":
		c.m.delim = '\t'
	case len(d) == 1 && validDelimiter(d[0]):
		c.m.delim = d[0]
	default:
		c.add("delimiter is one character such as , ; | or the word tab, and no letter, digit, quote or space")
	}
}

func validDelimiter(b byte) bool {
	return b == '\t' || b > ' ' && b < 0x7f && b != '"' && b != '=' &&
		(b < '0' || b > '9') && (b < 'a' || b > 'z') && (b < 'A' || b > 'Z')
}

func (c *mappingCheck) rule(where string, r *Rule) {
	if strings.ContainsAny(r.Name, "#/ \t\n") || len(r.Name) > 32 {
		c.add("%s: a name has at most 32 characters, no space, # or /", where)
	}
	for i := range r.When {
		c.condition(fmt.Sprintf("%s when %d", where, i+1), &r.When[i])
	}
	kind := &r.Kind
	var kinds []string
	if kind.short {
		// The short form of kind is the kind itself.
		kind.Const, kind.Column = kind.Column, ""
	}
	switch {
	case kind.Const != "":
		if _, ok := event.ParseKind(kind.Const); !ok {
			c.add("%s: %s is no kind of event", where, quote(kind.Const))
		}
		if kind.Position != 0 || kind.Words != nil {
			c.add("%s: kind is a constant or a column, not both", where)
		}
		kinds = append(kinds, kind.Const)
	case kind.Column != "" || kind.Position != 0:
		if len(kind.Words) == 0 {
			c.add("%s: a column of kinds needs words", where)
		}
		for _, word := range sortedKeys(kind.Words) {
			if k := kind.Words[word]; k != "" {
				if _, ok := event.ParseKind(k); !ok {
					c.add("%s: kind: %s is no kind of event", where, quote(k))
				}
				kinds = append(kinds, k)
			}
		}
		if kind.Default != "" {
			if _, ok := event.ParseKind(kind.Default); !ok {
				c.add("%s: kind: %s is no kind of event", where, quote(kind.Default))
			}
			kinds = append(kinds, kind.Default)
		}
		if kind.Others != "" && kind.Others != refuse || kind.Split != "" || kind.Dates != "" || kind.Time != "" || kind.Only != nil || kind.Optional {
			c.add("%s: kind takes a column, words and default only", where)
		}
		c.place(where+" kind", kind.Column, kind.Position)
		c.prepare(where+" kind", kind)
	default:
		c.add("%s: the kind is missing", where)
	}
	c.fields(where+" fields", r.Fields)
	for _, name := range unique(kinds) {
		if k, ok := event.ParseKind(name); ok {
			c.complete(where, r, k)
		}
	}
}

// complete tells what an event of the kind needs and the rule does not give,
// and what it gives and the kind does not have: either would refuse every row.
func (c *mappingCheck) complete(where string, r *Rule, kind event.Kind) {
	given := func(target string) bool {
		for _, f := range []Fields{r.Fields, c.m.Fields} {
			if cell, ok := f[target]; ok {
				return cell.Only == nil || slices.Contains(cell.Only, kind.String())
			}
		}
		return false
	}
	need := []string{"on"}
	if kind.Spec().Animal {
		need = append(need, "animal")
	}
	for _, f := range kind.Spec().Fields {
		if f.Required && f.Type != event.Object && f.Type != event.Objects {
			need = append(need, f.ColumnName())
		}
	}
	for _, target := range need {
		if !given(target) {
			c.add("%s: an event of kind %s needs %s, and no column or constant is given for it", where, kind, target)
		}
	}
	if r.Kind.Const == "" {
		return // which cells are filled is seen row by row
	}
	for _, f := range []Fields{r.Fields, c.m.Fields} {
		for _, target := range sortedKeys(f) {
			i, ok := event.ColumnIndex(target)
			if !ok || len(event.Columns()[i].Kinds) == 0 || !given(target) {
				continue
			}
			column := &event.Columns()[i]
			n := slices.Index(column.Kinds, kind)
			if n < 0 {
				c.add("%s: an event of kind %s has no %s: limit the field with only", where, kind, target)
				continue
			}
			if column.Type == event.Enum {
				c.words(where+" "+target, f[target], column.Fields[n].Values)
			}
		}
	}
}

// fixed are the event's columns that a mapping cannot fill: they follow from
// the mapping itself, or are the log's.
var fixed = map[string]string{
	"kind": "it stands in the rule", "source": "it is the mapping's source", "ref": "it is made of the key",
	"note_salt": "it is the log's", "herd": "it is the herd of the import",
}

func (c *mappingCheck) fields(where string, f Fields) {
	for _, target := range sortedKeys(f) {
		cell := f[target]
		at := where + " " + target
		i, ok := event.ColumnIndex(target)
		if !ok {
			c.add("%s: the log has no such column", at)
			continue
		}
		if why, no := fixed[target]; no {
			c.add("%s: it cannot be read from a column: %s", at, why)
			continue
		}
		column := &event.Columns()[i]
		c.cell(at, &cell, column)
		f[target] = cell
	}
}

func (c *mappingCheck) cell(at string, cell *Cell, column *event.Column) {
	if cell.Const != "" {
		if cell.Column != "" || cell.Position != 0 || cell.Words != nil || cell.Default != "" || cell.Split != "" || cell.Dates != "" || cell.Time != "" || cell.Optional {
			c.add("%s: a constant has no column, words or default", at)
		}
	} else {
		c.place(at, cell.Column, cell.Position)
	}
	if cell.Split != "" && column.Type != event.EnumSet {
		c.add("%s: only a list can be split", at)
	}
	for _, k := range cell.Only {
		kind, ok := event.ParseKind(k)
		if !ok {
			c.add("%s: only: %s is no kind of event", at, quote(k))
		} else if len(column.Kinds) > 0 && !slices.Contains(column.Kinds, kind) {
			c.add("%s: only: an event of kind %s has no %s", at, k, column.Name)
		}
	}
	switch {
	case column.Type != event.DateOn:
		if cell.Dates != "" || cell.Time != "" {
			c.add("%s: it is no date", at)
		}
	case cell.Const != "" || cell.Words != nil && cell.Others != keepWord:
	case cell.Dates == "" && c.m.Dates == "":
		c.add("%s: the order of its dates cannot be told from the sheet: state dates, such as d/m/y, m/d/y or iso", at)
	case cell.Dates == "":
		cell.Dates = c.m.Dates
	case !validOrder(cell.Dates):
		c.add("%s: dates: %s", at, orderHelp(cell.Dates))
	}
	if column.Type == event.DateOn {
		c.timed(at, cell, column.Name)
	}
	switch {
	case cell.Others != "" && cell.Words == nil:
		c.add("%s: others goes with words", at)
	case cell.Others != "" && cell.Others != refuse && cell.Others != keepWord && cell.Others != blankWord:
		c.add("%s: others is refuse, keep or blank", at)
	}
	c.prepare(at, cell)
	if column.Type == event.Enum {
		c.words(at, *cell, column.Values)
	}
}

// words holds what a cell can give against the words of the log.
func (c *mappingCheck) words(at string, cell Cell, allowed []string) {
	given := []string{cell.Const, cell.Default}
	for _, word := range sortedKeys(cell.Words) {
		given = append(given, cell.Words[word])
	}
	for _, v := range given {
		fault := fmt.Sprintf("%s: %s is not one of %s", at, quote(v), strings.Join(allowed, ", "))
		if v != "" && !slices.Contains(allowed, v) && !slices.Contains(c.faults, fault) {
			c.faults = append(c.faults, fault)
		}
	}
}

// prepare folds the words of a cell.
func (c *mappingCheck) prepare(at string, cell *Cell) {
	if cell.Words == nil {
		return
	}
	cell.words = make(map[string]string, len(cell.Words))
	for _, word := range sortedKeys(cell.Words) {
		f := foldWord(word)
		if f == "" {
			c.add("%s: a word cannot be blank; use default", at)
		}
		if _, twice := cell.words[f]; twice {
			c.add("%s: the word %s stands twice, once in another spelling", at, quote(word))
		}
		cell.words[f] = cell.Words[word]
	}
}

func (c *mappingCheck) place(at, column string, position int) {
	switch {
	case column == "" && position == 0:
		c.add("%s: a column, a position or a constant is missing", at)
	case column != "" && position != 0:
		c.add("%s: name the column or give its position, not both", at)
	case position < 0 || position > 1000:
		c.add("%s: positions count from 1", at)
	case column != "" && c.m.headerRow == 0:
		c.add("%s: a sheet without a header has columns by position only", at)
	case column != "" && foldHeader(column) == "":
		c.add("%s: the column's name is blank", at)
	}
	c.named = c.named || column != ""
}

func (c *mappingCheck) condition(at string, cond *Condition) {
	c.place(at, cond.Column, cond.Position)
	n := 0
	if cond.Filled != nil {
		n++
	}
	for _, list := range [][]string{cond.Is, cond.Not, cond.Starts} {
		if len(list) > 0 {
			n++
		}
		for i, w := range list {
			if list[i] = foldWord(w); list[i] == "" {
				c.add("%s: a word cannot be blank; use filled", at)
			}
		}
	}
	if n != 1 {
		c.add("%s: give exactly one of filled, is, not, starts", at)
	}
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}
