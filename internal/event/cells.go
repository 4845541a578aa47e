package event

import (
	"strconv"
	"strings"

	"github.com/google/uuid"
)

// Column is one column of the event table: the CSV of the log has exactly
// these, in this order.
type Column struct {
	Name   string
	Type   FieldType
	Fields []*Field // its declarations: one for the envelope, else one for each of Kinds
	Kinds  []Kind   // the kinds that use it; empty for the envelope
	// Values joins the words of all declarations (Enum, EnumSet), and Min and
	// Max their bounds.
	Values   []string
	Min, Max int
}

// Columns lists the columns of the event table in their fixed order: the
// envelope, then the fields of the kinds, then the note and its salt.
func Columns() []Column { return table.columns }

// ColumnIndex finds a column by its name.
func ColumnIndex(name string) (int, bool) {
	i, ok := table.index[name]
	return i, ok
}

// The two envelope columns behind the kinds' own.
const trailing = 2

var table = func() (t struct {
	columns []Column
	index   map[string]int
},
) {
	t.index = map[string]int{}
	put := func(name string, f *Field, k Kind) {
		i, ok := t.index[name]
		if !ok {
			i = len(t.columns)
			t.index[name] = i
			t.columns = append(t.columns, Column{Name: name, Type: f.Type, Min: f.Min, Max: f.Max})
		}
		c := &t.columns[i]
		c.Fields = append(c.Fields, f)
		c.Min, c.Max = min(c.Min, f.Min), max(c.Max, f.Max)
		if k != 0 {
			c.Kinds = append(c.Kinds, k)
		}
		for _, w := range f.Values {
			if !contains(c.Values, w) {
				c.Values = append(c.Values, w)
			}
		}
	}
	envelope := Envelope()
	for _, f := range envelope[:len(envelope)-trailing] {
		put(f.ColumnName(), f, 0)
	}
	for _, s := range Specs() {
		flatten(nil, s.Fields, func(name string, f *Field) { put(name, f, s.Kind) })
	}
	for _, f := range envelope[len(envelope)-trailing:] {
		put(f.ColumnName(), f, 0)
	}
	return t
}()

// flatten names the columns of a list of fields, nested ones included.
func flatten(prefix []string, fields []*Field, put func(string, *Field)) {
	for _, f := range fields {
		switch f.Type {
		case Object:
			flatten(append(prefix, f.ColumnName()), f.Fields, put)
		case Objects:
			for i := range f.Max {
				flatten(append(prefix, f.ColumnName()+strconv.Itoa(i+1)), f.Fields, put)
			}
		default:
			put(columnOf(prefix, f), f)
		}
	}
}

// Cells writes the event as the cells of one row, in the order of [Columns],
// into dst (made anew if it is too short). Absent values are empty cells.
func (e *Event) Cells(dst []string) []string {
	if cap(dst) < len(table.columns) {
		dst = make([]string, len(table.columns))
	}
	dst = dst[:len(table.columns)]
	clear(dst)
	w := &cellWriter{cells: dst}
	kind := e.Kind.String()
	var salt string
	if e.Note != "" && e.NoteSalt != (Salt{}) {
		salt = e.NoteSalt.String()
	}
	w.id(fieldID, &e.ID)
	w.text(fieldHerd, &e.Herd)
	w.text(fieldAnimal, &e.Animal)
	w.text(fieldKind, &kind)
	w.date(fieldOn, &e.On)
	w.text(fieldAt, &e.At)
	w.text(fieldHalf, &e.Half)
	w.text(fieldBy, &e.By)
	w.text(fieldSource, &e.Source)
	w.text(fieldRef, &e.Ref)
	w.id(fieldReplaces, &e.Replaces)
	w.text(fieldNote, &e.Note)
	w.text(fieldNoteSalt, &salt)
	if e.Data != nil {
		e.Data.fields(w)
	}
	return dst
}

// FromCells reads an event from the cells of one row, in the order of
// [Columns]; missing cells at the end count as empty. A filled cell that the
// kind has no field for is a problem, so that nothing is lost without a word.
// The result is not yet validated. The error, if any, is a [Problems] whose
// Column says where.
func FromCells(cells []string) (*Event, error) {
	r := &cellReader{cells: cells}
	e := &Event{}
	var kind, salt string
	r.id(fieldID, &e.ID)
	r.text(fieldHerd, &e.Herd)
	r.text(fieldAnimal, &e.Animal)
	r.text(fieldKind, &kind)
	r.date(fieldOn, &e.On)
	r.text(fieldAt, &e.At)
	r.text(fieldHalf, &e.Half)
	r.text(fieldBy, &e.By)
	r.text(fieldSource, &e.Source)
	r.text(fieldRef, &e.Ref)
	r.id(fieldReplaces, &e.Replaces)
	r.text(fieldNote, &e.Note)
	r.text(fieldNoteSalt, &salt)
	r.salt(salt, &e.NoteSalt)
	d := decoder{}
	e.Kind = d.kind(kind)
	for _, p := range d.list {
		p.Column = fieldKind.ColumnName()
		r.list = append(r.list, p)
	}
	if e.Kind.Valid() {
		e.Data = e.Kind.Spec().blank()
		r.push("data", "")
		e.Data.fields(r)
		r.pop("")
		r.leftover(e.Kind)
	}
	if err := r.list.err(); err != nil {
		return nil, err
	}
	return e, nil
}

// cellWriter is the visitor that fills a row.
type cellWriter struct {
	prefix []string
	cells  []string
}

func (w *cellWriter) set(f *Field, s string) { w.cells[table.index[columnOf(w.prefix, f)]] = s }

func (w *cellWriter) text(f *Field, v *string) {
	if *v != "" {
		w.set(f, *v)
	}
}

func (w *cellWriter) enum(f *Field, v *string) { w.text(f, v) }

func (w *cellWriter) integer(f *Field, v *OptInt) {
	if v.Set {
		w.set(f, strconv.Itoa(v.N))
	}
}

func (w *cellWriter) boolean(f *Field, v *OptBool) {
	if v.Set {
		w.set(f, strconv.FormatBool(v.V))
	}
}

func (w *cellWriter) date(f *Field, v *Date) {
	if *v != 0 {
		w.set(f, v.String())
	}
}

func (w *cellWriter) id(f *Field, v *uuid.UUID) {
	if *v != uuid.Nil {
		w.set(f, v.String())
	}
}

func (w *cellWriter) enumSet(f *Field, v *[]string) {
	if len(*v) == 0 {
		return
	}
	words := make([]string, 0, len(*v))
	for _, word := range f.Values {
		if contains(*v, word) {
			words = append(words, word)
		}
	}
	w.set(f, strings.Join(words, " "))
}

func (w *cellWriter) object(f *Field, v slot) {
	if r := v.get(); r != nil {
		w.prefix = append(w.prefix, f.ColumnName())
		r.fields(w)
		w.prefix = w.prefix[:len(w.prefix)-1]
	}
}

func (w *cellWriter) objects(f *Field, v list) {
	for i := range v.size() {
		w.prefix = append(w.prefix, f.ColumnName()+strconv.Itoa(i+1))
		v.at(i).fields(w)
		w.prefix = w.prefix[:len(w.prefix)-1]
	}
}

// cellReader is the visitor that reads a row.
type cellReader struct {
	path
	cells []string
	used  uint128
}

// uint128 marks the columns that a row's kind has read.
type uint128 [2]uint64

func (u *uint128) mark(i int)     { u[i>>6&1] |= 1 << (i & 63) }
func (u *uint128) has(i int) bool { return u[i>>6&1]&(1<<(i&63)) != 0 }

func (r *cellReader) get(f *Field) string {
	i := table.index[columnOf(r.column, f)]
	r.used.mark(i)
	if i >= len(r.cells) {
		return ""
	}
	return r.cells[i]
}

func (r *cellReader) leftover(k Kind) {
	for i, s := range r.cells {
		if s == "" || i >= len(table.columns) || r.used.has(i) {
			continue
		}
		r.list = append(r.list, Problem{
			Column: table.columns[i].Name, Code: CodeNotAllowed,
			Detail: "an event of kind " + k.String() + " has no " + table.columns[i].Name,
		})
	}
}

func (r *cellReader) text(f *Field, v *string) { *v = r.get(f) }
func (r *cellReader) enum(f *Field, v *string) { *v = r.get(f) }

func (r *cellReader) integer(f *Field, v *OptInt) {
	s := r.get(f)
	if s == "" {
		return
	}
	n, err := strconv.Atoi(s)
	if err != nil || s[0] == '+' {
		r.add(f, CodeWrongType, "%s is not a whole number", quote(s))
		return
	}
	*v = Int(n)
}

func (r *cellReader) boolean(f *Field, v *OptBool) {
	switch s := r.get(f); s {
	case "":
	case "true":
		*v = Yes
	case "false":
		*v = No
	default:
		r.add(f, CodeWrongType, "%s is neither true nor false", quote(s))
	}
}

func (r *cellReader) date(f *Field, v *Date) {
	s := r.get(f)
	if s == "" {
		return
	}
	d, err := ParseDate(s)
	if err != nil {
		r.add(f, CodeBadDate, "%s is not a date: %v", quote(s), err)
	}
	*v = d
}

func (r *cellReader) id(f *Field, v *uuid.UUID) {
	s := r.get(f)
	if s == "" {
		return
	}
	u, err := parseUUID(s)
	if err != nil {
		r.add(f, CodeBadID, "%s is not a UUID: %v", quote(s), err)
	}
	*v = u
}

func (r *cellReader) enumSet(f *Field, v *[]string) {
	if words := strings.Fields(r.get(f)); len(words) > 0 {
		*v = words
	}
}

// filled tells whether any cell below the prefix holds something.
func (r *cellReader) filled(fields []*Field) bool {
	found := false
	flatten(r.column, fields, func(name string, _ *Field) {
		i := table.index[name]
		found = found || i < len(r.cells) && r.cells[i] != ""
	})
	return found
}

func (r *cellReader) object(f *Field, v slot) {
	r.push(f.Name, f.ColumnName())
	if r.filled(f.Fields) {
		v.make().fields(r)
	}
	r.pop(f.ColumnName())
}

// objects reads entries up to the last that holds anything; every entry has a
// required field, so none of a valid event is ever blank.
func (r *cellReader) objects(f *Field, v list) {
	last := 0
	for i := range f.Max {
		column := f.ColumnName() + strconv.Itoa(i+1)
		r.push("", column)
		if r.filled(f.Fields) {
			last = i + 1
		}
		r.pop(column)
	}
	r.push(f.Name, "")
	for i := range last {
		column := f.ColumnName() + strconv.Itoa(i+1)
		r.push(strconv.Itoa(i), column)
		v.add().fields(r)
		r.pop(column)
	}
	r.pop("")
}

// collector is the visitor that gathers the declarations themselves.
type collector struct{ list []*Field }

func (c *collector) text(f *Field, _ *string)      { c.list = append(c.list, f) }
func (c *collector) enum(f *Field, _ *string)      { c.list = append(c.list, f) }
func (c *collector) integer(f *Field, _ *OptInt)   { c.list = append(c.list, f) }
func (c *collector) boolean(f *Field, _ *OptBool)  { c.list = append(c.list, f) }
func (c *collector) date(f *Field, _ *Date)        { c.list = append(c.list, f) }
func (c *collector) id(f *Field, _ *uuid.UUID)     { c.list = append(c.list, f) }
func (c *collector) enumSet(f *Field, _ *[]string) { c.list = append(c.list, f) }
func (c *collector) object(f *Field, _ slot)       { c.list = append(c.list, f) }
func (c *collector) objects(f *Field, _ list)      { c.list = append(c.list, f) }
