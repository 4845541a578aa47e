package book

import (
	"context"
	"errors"
	"regexp"
	"time"

	"byrelog.example/internal/sheet"
	"byrelog.example/internal/store"
)

// NativeMapping is the name of the project's own profile, which is built in.
const NativeMapping = "native"

var mappingName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,59}$`)

// Mapping is a saved description of a foreign sheet. A change makes a new
// version; imports keep the text that they were started with.
type Mapping struct {
	Name      string
	Version   int64
	Doc       string // YAML or JSON, as it was saved
	CreatedAt time.Time
}

// Mappings lists the newest version of every saved mapping.
func (b *Book) Mappings(ctx context.Context) ([]Mapping, error) {
	rows, err := b.db.Mappings(ctx)
	if err != nil {
		return nil, wrap("list mappings", err)
	}
	list := make([]Mapping, len(rows))
	for i, r := range rows {
		list[i] = Mapping(r)
	}
	return list, nil
}

// Mapping finds the newest version of a saved mapping.
func (b *Book) Mapping(ctx context.Context, name string) (*Mapping, error) {
	r, err := b.db.MappingByName(ctx, name)
	if errors.Is(err, store.ErrNotFound) {
		return nil, fail(NotFound, "mapping-not-found", "there is no mapping %q; GET /v1/mappings lists them", cut(name))
	}
	if err != nil {
		return nil, wrap("find mapping", err)
	}
	m := Mapping(r)
	return &m, nil
}

// PutMapping saves a mapping after checking it. Saving the same text again
// changes nothing.
func (b *Book) PutMapping(ctx context.Context, name, doc string) (*Mapping, error) {
	if !mappingName.MatchString(name) || name == NativeMapping || name == suggestName {
		return nil, &Error{
			Kind: Invalid, Code: "invalid-mapping", Detail: "the mapping cannot have this name",
			Faults: []Fault{{Pointer: "name", Code: "bad_text", Detail: "1 to 60 of a-z, 0-9 and -, not beginning with -; native is built in, and suggest drafts one"}},
		}
	}
	if _, err := sheet.ParseMapping([]byte(doc)); err != nil {
		return nil, mappingFault(err)
	}
	if old, err := b.db.MappingByName(ctx, name); err == nil && old.Doc == doc {
		m := Mapping(old)
		return &m, nil
	}
	r, err := b.db.PutMapping(ctx, name, doc, b.stamp())
	if err != nil {
		return nil, wrap("save mapping", err)
	}
	m := Mapping(r)
	return &m, nil
}

func mappingFault(err error) error {
	e := &Error{Kind: Invalid, Code: "invalid-mapping", Detail: "the mapping cannot be used"}
	var m *sheet.MappingError
	if !errors.As(err, &m) {
		e.Faults = []Fault{{Code: "syntax", Detail: err.Error()}}
		return e
	}
	for _, f := range m.Faults {
		e.Faults = append(e.Faults, Fault{Code: "mapping", Detail: f})
	}
	return e
}

// mappingDoc finds the text of a mapping by its name; the native one has none.
func (b *Book) mappingDoc(ctx context.Context, name string) (string, error) {
	if name == NativeMapping {
		return "", nil
	}
	m, err := b.Mapping(ctx, name)
	if err != nil {
		return "", err
	}
	return m.Doc, nil
}

func parseMapping(doc string) (*sheet.Mapping, error) {
	if doc == "" {
		return sheet.Native(), nil
	}
	m, err := sheet.ParseMapping([]byte(doc))
	if err != nil {
		return nil, mappingFault(err)
	}
	return m, nil
}

// cut shortens what a caller sent before a message repeats it.
func cut(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
