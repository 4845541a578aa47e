package sheet

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"byrelog.example/internal/event"
)

// Export describes what a data package is about. Bytes and SHA256 are left out
// of the package where they are zero, since a package may be asked for before
// the file is written.
type Export struct {
	Herd    string // empty for tables over several herds
	Title   string // of the herd, for people; may be empty
	Path    string // of the CSV file, relative to the package; default events.csv
	Created time.Time
	Head    Stamp // head of the log; zero for an empty one
	Bytes   int64
	SHA256  event.Digest
	Form    Form // how the file is written
	// Both describes every file in the interchange profile and, as a second
	// resource with ?profile=spreadsheet behind its path, in the other.
	Both   bool
	Tables []*Table // these instead of the log
}

// The profiles of Data Package 2.0 (2024-06-26), which the package names.
// fieldsMatch and the type list are not used: the published profiles
// contradict the text on the one and lack the other (frictionlessdata/
// datapackage issues 965 and 1089).
const profiles = "https://datapackage.org/profiles/2.0/"

// PackageDoc is a datapackage.json.
type PackageDoc struct {
	Schema    string        `json:"$schema"`
	Name      string        `json:"name"`
	Title     string        `json:"title,omitempty"`
	About     string        `json:"description"`
	Version   string        `json:"version"`
	Created   string        `json:"created,omitempty"`
	Resources []ResourceDoc `json:"resources"`
}

// ResourceDoc is one file in a data package.
type ResourceDoc struct {
	Schema    string     `json:"$schema"`
	Name      string     `json:"name"`
	Title     string     `json:"title,omitempty"`
	Type      string     `json:"type"`
	Path      string     `json:"path"`
	About     string     `json:"description"`
	Format    string     `json:"format"`
	MediaType string     `json:"mediatype"`
	Encoding  string     `json:"encoding"`
	Bytes     int64      `json:"bytes,omitempty"`
	Hash      string     `json:"hash,omitempty"`
	Dialect   DialectDoc `json:"dialect"`
	Table     TableDoc   `json:"schema"`
}

// DialectDoc says how a file is written.
type DialectDoc struct {
	Schema      string `json:"$schema"`
	Header      bool   `json:"header"`
	Delimiter   string `json:"delimiter"`
	Quote       string `json:"quoteChar"`
	DoubleQuote bool   `json:"doubleQuote"`
	Line        string `json:"lineTerminator"`
}

// TableDoc is the Table Schema of the project's profile.
type TableDoc struct {
	Schema        string     `json:"$schema"`
	Fields        []FieldDoc `json:"fields"`
	MissingValues []string   `json:"missingValues"`
	PrimaryKey    []string   `json:"primaryKey,omitempty"`
}

// FieldDoc is one column in a Table Schema.
type FieldDoc struct {
	Name        string         `json:"name"`
	Type        string         `json:"type"`
	Format      string         `json:"format,omitempty"`
	Description string         `json:"description"`
	TrueValues  []string       `json:"trueValues,omitempty"`
	FalseValues []string       `json:"falseValues,omitempty"`
	Constraints *ConstraintDoc `json:"constraints,omitempty"`
}

// ConstraintDoc bounds the values of a column in a Table Schema.
type ConstraintDoc struct {
	Required  bool     `json:"required,omitempty"`
	Unique    bool     `json:"unique,omitempty"`
	MinLength int      `json:"minLength,omitempty"`
	MaxLength int      `json:"maxLength,omitempty"`
	Minimum   any      `json:"minimum,omitempty"`
	Maximum   any      `json:"maximum,omitempty"`
	Pattern   string   `json:"pattern,omitempty"`
	Enum      []string `json:"enum,omitempty"`
}

// DataPackage writes the datapackage.json of an export or of tables (Data
// Package 2.0 with Table Schemas made from the columns' declarations).
func DataPackage(x Export) ([]byte, error) {
	if !event.ValidHerdName(x.Herd) && (x.Herd != "" || len(x.Tables) == 0) {
		return nil, fmt.Errorf("data package: %q cannot name a herd", x.Herd)
	}
	doc := PackageDoc{
		Schema: profiles + "datapackage.json", Name: x.Herd + "-events", Title: x.Title, Version: "1.0.0",
		About: "The whole event log of one herd, corrections included, in the order in which it was recorded.",
	}
	if len(x.Tables) > 0 {
		doc.Name, doc.About = strings.TrimPrefix(x.Herd+"-tables", "-"), "Tables made from the event log."
	}
	if !x.Created.IsZero() {
		doc.Created = x.Created.UTC().Format(time.RFC3339)
	}
	forms := []Form{x.Form}
	if x.Both {
		forms = []Form{{}, {Spreadsheet: true}}
	}
	for _, f := range forms {
		if len(x.Tables) == 0 {
			doc.Resources = append(doc.Resources, x.log(f))
		}
		for _, t := range x.Tables {
			doc.Resources = append(doc.Resources, x.table(t, f))
		}
	}
	return doc.Encode()
}

// Encode writes the package as JSON.
func (d *PackageDoc) Encode() ([]byte, error) {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	err := enc.Encode(d)
	return out.Bytes(), err
}

// resource is what every file has, in its own form.
func (x *Export) resource(name, path, about string, f Form) ResourceDoc {
	r := ResourceDoc{
		Schema: profiles + "dataresource.json", Name: name, Type: "table", Path: path, About: about,
		Format: "csv", MediaType: "text/csv", Encoding: utf8Name,
		Dialect: DialectDoc{
			Schema: profiles + "tabledialect.json", Header: true, Delimiter: string(rune(f.delimiter())), Quote: `"`, DoubleQuote: true, Line: "\r\n",
		},
	}
	if f.Spreadsheet {
		r.About += " " + spreadsheetAbout
		if x.Both {
			r.Name, r.Path = r.Name+"-spreadsheet", r.Path+"?profile=spreadsheet"
		}
	}
	return r
}

const spreadsheetAbout = "Spreadsheet profile, for people: a byte order mark, and one apostrophe in front of texts that a spreadsheet program would take for a formula or a number. Programs should read the interchange profile."

func (x *Export) log(f Form) ResourceDoc {
	path := x.Path
	if path == "" {
		path = "events.csv"
	}
	r := x.resource("events", path,
		fmt.Sprintf("One row per event, %d events; the last row has the kind end and names the head of the log (%s).", x.Head.Seq, x.Head.Hash), f)
	r.Table = TableSchema()
	if f.Spreadsheet {
		r.Table.Fields = append(r.Table.Fields, FieldDoc{
			Name: columnProfile, Type: "string", Description: "says that the row bears guards; an import takes them away",
			Constraints: &ConstraintDoc{Required: true, Enum: []string{profileSpreadsheet}},
		})
	}
	r.Bytes = x.Bytes
	if x.SHA256 != (event.Digest{}) {
		r.Hash = "sha256:" + x.SHA256.String()
	}
	return r
}

func (x *Export) table(t *Table, f Form) ResourceDoc {
	r := x.resource(strings.ReplaceAll(t.Name, "/", "-"), t.Name+".csv",
		t.About+" The last row has a single cell, in the column end: the number of rows, whether more follow on another page, and a hash of all cells.", f)
	r.Title = t.Title
	r.Table = t.Schema()
	return r
}

// Schema describes the columns of the table in their order.
func (t *Table) Schema() TableDoc {
	d := TableDoc{Schema: profiles + "tableschema.json", MissingValues: []string{""}}
	d.Fields = append(d.Fields, t.fields...)
	for _, c := range t.Columns[len(t.fields):] {
		f := FieldDoc{Name: c.Name, Type: c.Type.schema(), Description: c.Doc}
		if c.Type == Flag {
			f.TrueValues, f.FalseValues = []string{"true"}, []string{"false"}
		}
		d.Fields = append(d.Fields, f)
	}
	d.Fields = append(d.Fields, FieldDoc{
		Name: columnEnd, Type: "string", Description: "empty but in the last row, whose other cells are empty: end rows=N more=false sha256=HEX",
		Constraints: &ConstraintDoc{Pattern: "end rows=[0-9]+ more=(true|false) sha256=[0-9a-f]{64}"},
	})
	return d
}

// schema is the type's name in a Table Schema.
func (c CellType) schema() string {
	switch c {
	case Integer:
		return "integer"
	case Number:
		return "number"
	case Date:
		return "date"
	case Time:
		return "datetime"
	case Flag:
		return "boolean"
	case Text, Word:
	}
	return "string"
}

// TableSchema describes the columns of the project's profile in their order.
func TableSchema() TableDoc {
	t := TableDoc{Schema: profiles + "tableschema.json", MissingValues: []string{""}, PrimaryKey: []string{"event_id"}}
	for i := range event.Columns() {
		t.Fields = append(t.Fields, fieldDoc(&event.Columns()[i]))
	}
	hex64 := &ConstraintDoc{Pattern: "[0-9a-f]{64}"}
	t.Fields = append(t.Fields,
		FieldDoc{Name: columnNoteHash, Type: "string", Description: "commitment to the note: SHA-256 of salt and text; it stays when the note is erased", Constraints: hex64},
		FieldDoc{
			Name: columnRowCheck, Type: "string", Description: "check over the row's own cells but herd: an import refuses a row that it does not fit, and takes one without it for a new statement; empty in the last row",
			Constraints: &ConstraintDoc{Pattern: "r[a-z2-7]{24}"},
		},
		FieldDoc{
			Name: columnSeq, Type: "integer", Description: "number of the event in the herd's log, without a gap; in the last row the number of events",
			Constraints: &ConstraintDoc{Required: true, Minimum: 0},
		},
		FieldDoc{Name: columnRecordedAt, Type: "datetime", Description: "when it was recorded, UTC with microseconds; empty only at the end of an empty log"},
		FieldDoc{
			Name: columnHash, Type: "string", Description: "the herd's hash chain at this event; in the last row the head",
			Constraints: &ConstraintDoc{Required: true, Pattern: hex64.Pattern},
		},
	)
	return t
}

func fieldDoc(c *event.Column) FieldDoc {
	d := FieldDoc{Name: c.Name, Description: describe(c)}
	x := &ConstraintDoc{}
	switch c.Type {
	case event.Enum:
		d.Type, x.Enum = "string", c.Values
		if c.Name == "kind" {
			x.Required = true
			x.Enum = append(append([]string(nil), c.Values...), kindEnd)
		}
	case event.Integer:
		d.Type, x.Minimum, x.Maximum = "integer", c.Min, c.Max
	case event.Bool:
		d.Type, d.TrueValues, d.FalseValues = "boolean", []string{"true"}, []string{"false"}
	case event.DateOn:
		d.Type, x.Minimum, x.Maximum = "date", "1900-01-01", "2199-12-31"
	case event.ID:
		d.Type, d.Format = "string", "uuid"
		x.Required, x.Unique = c.Name == "event_id", c.Name == "event_id"
	case event.EnumSet:
		d.Type, x.Pattern = "string", "[a-z_]+( [a-z_]+)*"
	default:
		d.Type, x.MinLength, x.MaxLength = "string", c.Min, c.Max
		x.Required = c.Name == "herd"
		if c.Name == "at" {
			x.Pattern = "([01][0-9]|2[0-3]):[0-5][0-9]"
		}
	}
	if x.Required || x.Unique || x.MaxLength > 0 || x.Minimum != nil || x.Pattern != "" || x.Enum != nil {
		d.Constraints = x
	}
	return d
}

// describe joins what the declarations of a column say, each with its kinds.
func describe(c *event.Column) string {
	if len(c.Kinds) == 0 {
		return c.Fields[0].Doc
	}
	var b bytes.Buffer
	for i := 0; i < len(c.Fields); {
		if i > 0 {
			b.WriteString("; ")
		}
		doc := c.Fields[i].Doc
		b.WriteString(c.Kinds[i].String())
		for i++; i < len(c.Fields) && c.Fields[i].Doc == doc; i++ {
			b.WriteString(", " + c.Kinds[i].String())
		}
		b.WriteString(": " + doc)
	}
	if c.Type == event.EnumSet {
		b.WriteString(" (separated by spaces: ")
		for i, v := range c.Values {
			if i > 0 {
				b.WriteString(" ")
			}
			b.WriteString(v)
		}
		b.WriteString(")")
	}
	return b.String()
}
