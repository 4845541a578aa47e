// Command gen writes the schemas of the event kinds, as package event declares
// them, and the grammar of rounds, as package round states it, into the marked blocks
// of openapi.yaml. Everything else in that file is written by hand.
//
// With the argument sum it writes the contract's digest instead, beside the
// code that was generated from it, so that a test can tell whether that code is
// behind; with ordered, a copy of the contract for the generator, see [ordered].
package main

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"strings"

	"byrelog.example/internal/event"
	"byrelog.example/internal/round"
)

// blocks are what is written, between the comments BEGIN … and END ….
var blocks = []struct {
	begin, end string
	write      func(*bytes.Buffer)
}{
	{
		"    # BEGIN event kinds: generated from internal/event by openapi/gen; do not edit by hand\n",
		"    # END event kinds\n", schemas,
	},
	{
		"      # BEGIN grammar of rounds: generated from internal/round by openapi/gen; do not edit by hand\n",
		"      # END grammar of rounds\n", rounds,
	},
}

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	switch {
	case len(args) == 0:
		return update("openapi.yaml")
	case len(args) == 3 && args[0] == "sum":
		return sum(args[1], args[2])
	case len(args) == 3 && args[0] == "ordered":
		return ordered(args[1], args[2])
	}
	return errors.New("usage: gen | gen sum CONTRACT FILE | gen ordered CONTRACT FILE")
}

func sum(contract, file string) error {
	doc, err := os.ReadFile(contract) //nolint:gosec // named by the go:generate line
	if err != nil {
		return err
	}
	return os.WriteFile(file, fmt.Appendf(nil, "%x\n", sha256.Sum256(doc)), 0o644) //nolint:gosec // a source file
}

func update(file string) error {
	doc, err := os.ReadFile(file) //nolint:gosec // the contract beside this program
	if err != nil {
		return err
	}
	out, err := replace(doc)
	if err != nil {
		return err
	}
	return os.WriteFile(file, out, 0o644) //nolint:gosec // the contract beside this program
}

// replace puts the blocks between their marks.
func replace(doc []byte) ([]byte, error) {
	for _, block := range blocks {
		head, rest, ok1 := bytes.Cut(doc, []byte(block.begin))
		_, tail, ok2 := bytes.Cut(rest, []byte(block.end))
		if !ok1 || !ok2 {
			return nil, fmt.Errorf("openapi.yaml has no block marked %s", strings.TrimSpace(block.end))
		}
		var b bytes.Buffer
		b.Write(head)
		b.WriteString(block.begin)
		block.write(&b)
		b.WriteString(block.end)
		b.Write(tail)
		doc = b.Bytes()
	}
	return doc, nil
}

// rounds writes the description of the operation that takes a round.
func rounds(b *bytes.Buffer) {
	line(b, 6, "description: |")
	for l := range strings.Lines(round.Help()) {
		if l = strings.TrimRight(l, "\n"); l == "" {
			b.WriteString("\n")
			continue
		}
		line(b, 8, l)
	}
}

// schemas writes, for each kind, its data, the event as a client sends it and
// the event as the log answers it, and the unions over all kinds.
func schemas(b *bytes.Buffer) {
	kinds := event.Specs()
	names := make([]string, len(kinds))
	for i, k := range kinds {
		names[i] = k.Name
	}
	line(b, 4, "Kind:")
	line(b, 6, "type: string")
	line(b, 6, "description: The kind of an event.")
	line(b, 6, "enum: ["+strings.Join(names, ", ")+"]")

	line(b, 4, "Half:")
	line(b, 6, "type: string")
	line(b, 6, "description: Half of the day, where the time is not known.")
	line(b, 6, "enum: ["+event.AM+", "+event.PM+"]")

	line(b, 4, "EventFields:")
	line(b, 6, "type: object")
	line(b, 6, "description: What every event has, of whatever kind.")
	line(b, 6, "required: ["+strings.Join(required(plain()), ", ")+"]")
	line(b, 6, "properties:")
	for _, f := range plain() {
		property(b, 8, f)
	}

	line(b, 4, "LogFields:")
	line(b, 6, "type: object")
	line(b, 6, "description: What the log adds to an event.")
	line(b, 6, "required: [id, herd, seq, recorded_at, hash]")
	line(b, 6, "properties:")
	line(b, 8, "id: {type: string, format: uuid}")
	line(b, 8, "herd: {$ref: '#/components/schemas/HerdName'}")
	line(b, 8, "seq: {type: integer, format: int64, minimum: 1, description: '1, 2, 3 … without a gap inside the herd, in the order of commits'}")
	line(b, 8, "recorded_at: {type: string, format: date-time, description: 'when it was appended; never decreases with seq'}")
	line(b, 8, "hash: {$ref: '#/components/schemas/Hash'}")
	line(b, 8, "note_hash: {type: string, pattern: '^[0-9a-f]{64}$', description: 'commitment to the note: SHA-256 of salt and text, in hex'}")
	line(b, 8, "voided: {type: boolean, description: a later event withdraws it}")

	for _, k := range kinds {
		data(b, k)
		whole(b, k, camel(k.Name)+"Event", false)
		whole(b, k, "Recorded"+camel(k.Name), true)
	}
	union(b, "NewEvent", "", "Event", "An event as a client states it.")
	union(b, "RecordedEvent", "Recorded", "", "An event as the log holds it. Members are the canonical bytes' own, and before them what the log adds.")
}

// plain is the envelope without what each kind narrows for itself and without
// what is optional only for the client.
func plain() []*event.Field {
	var list []*event.Field
	for _, f := range event.Envelope() {
		switch f.Name {
		case "kind", "animal":
		default:
			list = append(list, f)
		}
	}
	return list
}

func data(b *bytes.Buffer, k event.Spec) {
	line(b, 4, camel(k.Name)+"Data:")
	line(b, 6, "type: object")
	line(b, 6, "additionalProperties: false")
	if r := required(k.Fields); len(r) > 0 {
		line(b, 6, "required: ["+strings.Join(r, ", ")+"]")
	}
	if len(k.Fields) == 0 {
		line(b, 6, "properties: {}")
		return
	}
	line(b, 6, "properties:")
	for _, f := range k.Fields {
		property(b, 8, f)
	}
}

func whole(b *bytes.Buffer, k event.Spec, name string, recorded bool) {
	line(b, 4, name+":")
	line(b, 6, "description: "+quoted(k.Doc))
	line(b, 6, "unevaluatedProperties: false")
	line(b, 6, "allOf:")
	line(b, 6, "- {$ref: '#/components/schemas/EventFields'}")
	if recorded {
		line(b, 6, "- {$ref: '#/components/schemas/LogFields'}")
	}
	line(b, 6, "- type: object")
	need := []string{"kind"}
	if k.Animal {
		need = append(need, "animal")
	}
	// A recorded event without any field of its kind has no data in its bytes.
	if len(required(k.Fields)) > 0 {
		need = append(need, "data")
	}
	line(b, 8, "required: ["+strings.Join(need, ", ")+"]")
	line(b, 8, "properties:")
	line(b, 10, "kind: {type: string, enum: ["+k.Name+"]}")
	if k.Animal {
		line(b, 10, "animal: {$ref: '#/components/schemas/AnimalName'}")
	}
	line(b, 10, "data: {$ref: '#/components/schemas/"+camel(k.Name)+"Data'}")
}

func union(b *bytes.Buffer, name, prefix, suffix, doc string) {
	line(b, 4, name+":")
	line(b, 6, "description: "+quoted(doc))
	if name == "RecordedEvent" {
		// Readers of the log want the envelope of any kind at hand and the bytes
		// that were hashed; a union of structs offers neither.
		line(b, 6, "x-go-type: Event")
	}
	line(b, 6, "oneOf:")
	for _, k := range event.Specs() {
		line(b, 6, "- {$ref: '#/components/schemas/"+prefix+camel(k.Name)+suffix+"'}")
	}
	line(b, 6, "discriminator:")
	line(b, 8, "propertyName: kind")
	line(b, 8, "mapping:")
	for _, k := range event.Specs() {
		line(b, 10, k.Name+": '#/components/schemas/"+prefix+camel(k.Name)+suffix+"'")
	}
}

func property(b *bytes.Buffer, indent int, f *event.Field) {
	name := key(f.Name)
	doc := ", description: " + quoted(f.Doc)
	if name == "half" {
		line(b, indent, "half: {$ref: '#/components/schemas/Half'}")
		return
	}
	switch f.Type {
	case event.Object:
		line(b, indent, name+":")
		object(b, indent+2, f, doc)
	case event.Objects:
		line(b, indent, name+":")
		line(b, indent+2, "type: array")
		line(b, indent+2, "description: "+quoted(f.Doc))
		line(b, indent+2, fmt.Sprintf("maxItems: %d", f.Max))
		line(b, indent+2, "items:")
		object(b, indent+4, f, "")
	default:
		line(b, indent, name+": {"+scalar(f)+doc+"}")
	}
}

func object(b *bytes.Buffer, indent int, f *event.Field, doc string) {
	line(b, indent, "type: object")
	if doc != "" {
		line(b, indent, "description: "+quoted(f.Doc))
	}
	line(b, indent, "additionalProperties: false")
	if r := required(f.Fields); len(r) > 0 {
		line(b, indent, "required: ["+strings.Join(r, ", ")+"]")
	}
	line(b, indent, "properties:")
	for _, sub := range f.Fields {
		property(b, indent+2, sub)
	}
}

func scalar(f *event.Field) string {
	switch f.Type { //nolint:exhaustive // a text is what remains; objects are written by property
	case event.Enum:
		return "type: string, enum: [" + strings.Join(f.Values, ", ") + "]"
	case event.EnumSet:
		return "type: array, uniqueItems: true, items: {type: string, enum: [" + strings.Join(f.Values, ", ") + "]}"
	case event.Integer:
		return fmt.Sprintf("type: integer, minimum: %d, maximum: %d", f.Min, f.Max)
	case event.Bool:
		return "type: boolean"
	case event.DateOn:
		return "type: string, format: date"
	case event.ID:
		return "type: string, format: uuid"
	}
	switch f.Name {
	case "herd":
		return "type: string, pattern: '^[a-z0-9-]{2,40}$'"
	case "at":
		return "type: string, pattern: '^([01][0-9]|2[0-3]):[0-5][0-9]$'"
	case "note_salt":
		return "type: string, pattern: '^[0-9a-f]{32}$'"
	}
	return fmt.Sprintf("type: string, minLength: %d, maxLength: %d", f.Min, f.Max)
}

// required names the fields that must be there. The herd need not be repeated
// in an event that is sent to the herd's own address.
func required(fields []*event.Field) []string {
	var list []string
	for _, f := range fields {
		if f.Required && f.Name != "herd" {
			list = append(list, key(f.Name))
		}
	}
	return list
}

// key quotes the one name that YAML 1.1 readers take for true.
func key(name string) string {
	if name == "on" {
		return "'on'"
	}
	return name
}

func camel(s string) string {
	var b strings.Builder
	for _, part := range strings.Split(s, "_") {
		b.WriteString(strings.ToUpper(part[:1]) + part[1:])
	}
	return b.String()
}

func quoted(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

func line(b *bytes.Buffer, indent int, s string) {
	b.WriteString(strings.Repeat(" ", indent))
	b.WriteString(s)
	b.WriteByte('\n')
}
