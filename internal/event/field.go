package event

import (
	"github.com/google/uuid"
)

// FieldType says what a field holds.
type FieldType uint8

// The types that a field can have.
const (
	Text    FieldType = iota + 1 // a short text without control characters
	Enum                         // one of Values
	Integer                      // a whole number from Min to Max
	Bool                         // true or false
	DateOn                       // a civil date
	ID                           // a UUID
	EnumSet                      // a list of Values, each at most once
	Object                       // a nested record of Fields
	Objects                      // a list of nested records, at most Max
)

// Field declares one member of an event: its name on the wire, its type and
// bounds, its CSV column and what it means. Fields are shared and never change.
type Field struct {
	Name     string
	Type     FieldType
	Doc      string
	Required bool
	Values   []string // Enum, EnumSet
	Min, Max int      // Integer: bounds; Text: length in characters; Objects: how many
	Fields   []*Field // Object, Objects
	Column   string   // CSV column where it is not Name
}

// ColumnName is the CSV column that holds the field (a prefix for Object and
// Objects).
func (f *Field) ColumnName() string {
	if f.Column != "" {
		return f.Column
	}
	return f.Name
}

func text(name string, maxLen int, doc string) *Field {
	return &Field{Name: name, Type: Text, Min: 1, Max: maxLen, Doc: doc}
}

func enum(name, doc string, values ...string) *Field {
	return &Field{Name: name, Type: Enum, Doc: doc, Values: values}
}

func integer(name string, lo, hi int, doc string) *Field {
	return &Field{Name: name, Type: Integer, Min: lo, Max: hi, Doc: doc}
}

func boolean(name, doc string) *Field { return &Field{Name: name, Type: Bool, Doc: doc} }
func dateOn(name, doc string) *Field  { return &Field{Name: name, Type: DateOn, Doc: doc} }
func id(name, doc string) *Field      { return &Field{Name: name, Type: ID, Doc: doc} }

func (f *Field) required() *Field             { f.Required = true; return f }
func (f *Field) column(name string) *Field    { f.Column = name; return f }
func (f *Field) holding(sub ...*Field) *Field { f.Fields = sub; return f }

// OptInt is a whole number that may be absent; its zero value is absent.
type OptInt struct {
	N   int
	Set bool
}

// Int is a present OptInt.
func Int(n int) OptInt { return OptInt{N: n, Set: true} }

// OptBool is a yes or no that may be absent; its zero value is absent.
type OptBool struct {
	V   bool
	Set bool
}

// Yes and No are the present values of OptBool.
var (
	Yes = OptBool{V: true, Set: true}
	No  = OptBool{Set: true}
)

// record is anything that declares fields: a kind's data, a calf, an ovary.
// fields MUST visit in ascending order of Name: the canonical bytes rely on it.
type record interface {
	fields(v visitor)
}

// visitor walks the declared fields of a record together with their values. It
// may read the values (encode, check) or set them (decode).
type visitor interface {
	text(f *Field, v *string)
	enum(f *Field, v *string)
	integer(f *Field, v *OptInt)
	boolean(f *Field, v *OptBool)
	date(f *Field, v *Date)
	id(f *Field, v *uuid.UUID)
	enumSet(f *Field, v *[]string)
	object(f *Field, v slot)
	objects(f *Field, v list)
}

// slot is an optional nested record.
type slot interface {
	get() record // nil when absent
	make() record
}

// list is a list of nested records.
type list interface {
	size() int
	at(i int) record
	add() record
}

type ptr[T any, P interface {
	*T
	record
}] struct{ to **T }

func (p ptr[T, P]) get() record {
	if *p.to == nil {
		return nil
	}
	return P(*p.to)
}

func (p ptr[T, P]) make() record {
	*p.to = new(T)
	return P(*p.to)
}

type slice[T any, P interface {
	*T
	record
}] struct{ to *[]T }

func (s slice[T, P]) size() int       { return len(*s.to) }
func (s slice[T, P]) at(i int) record { return P(&(*s.to)[i]) }

func (s slice[T, P]) add() record {
	*s.to = append(*s.to, *new(T))
	return P(&(*s.to)[len(*s.to)-1])
}
