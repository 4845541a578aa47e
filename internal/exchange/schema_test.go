package exchange_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/event/eventtest"
	"byrelog.example/internal/exchange"
)

// publishedSchemas is where the schemas of ADE 1.3.2 lie if this machine has
// them; BYRELOG_STANDARDS names another folder.
func publishedSchemas() string {
	if dir := os.Getenv("BYRELOG_STANDARDS"); dir != "" {
		return filepath.Join(dir, "ade")
	}
	return filepath.Join("..", "..", "..", "shared", "standards", "ade")
}

// folder loads schemas by their place in the published tree, to which their
// references are relative.
type folder struct{ dir string }

const schemaBase = "https://schema.invalid/ade/"

func (f folder) Load(url string) (any, error) {
	raw, err := os.ReadFile(filepath.Join(f.dir, filepath.FromSlash(path.Clean("/"+strings.TrimPrefix(url, schemaBase)))))
	if err != nil {
		return nil, err
	}
	return jsonschema.UnmarshalJSON(bytes.NewReader(raw))
}

// schemas compiles the published schema of every type that is written; nil
// without the folder.
var schemas = sync.OnceValues(func() (map[string]*jsonschema.Schema, error) {
	dir := publishedSchemas()
	if _, err := os.Stat(filepath.Join(dir, "resources")); os.IsNotExist(err) {
		return nil, nil //nolint:nilnil // not on this machine
	}
	c := jsonschema.NewCompiler()
	// OpenAPI 3.0 schemas name no draft; those of its keywords that JSON Schema
	// lacks (nullable, discriminator) only loosen them or are for generators.
	c.DefaultDraft(jsonschema.Draft7)
	c.AssertFormat()
	c.UseLoader(folder{dir})
	out := map[string]*jsonschema.Schema{}
	for _, typ := range exchange.Types() {
		s, err := c.Compile(schemaBase + "resources/" + typ + ".json")
		if err != nil {
			return nil, err
		}
		out[typ] = s
	}
	return out, nil
})

// check holds a resource against the hand-written expectations, and against the
// published schema if it is on this machine.
func check(t *testing.T, raw []byte) error {
	t.Helper()
	all, err := schemas()
	if err != nil {
		t.Fatalf("compile the published schemas: %v", err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(raw))
	if err != nil {
		return err
	}
	m, ok := doc.(map[string]any)
	if !ok {
		return fmt.Errorf("no object")
	}
	typ, _ := m["resourceType"].(string)
	if err := byHand(typ, m); err != nil {
		return err
	}
	if all == nil {
		return nil
	}
	if all[typ] == nil {
		return fmt.Errorf("there is no schema of %q", typ)
	}
	return all[typ].Validate(doc)
}

// TestSchemasAreHere says on what the tests of this package rest.
func TestSchemasAreHere(t *testing.T) {
	t.Parallel()
	all, err := schemas()
	switch {
	case err != nil:
		t.Fatal(err)
	case all == nil:
		t.Logf("THE PUBLISHED SCHEMAS OF ADE 1.3.2 ARE NOT ON THIS MACHINE: resources are held against this project's own expectations only (set BYRELOG_STANDARDS to the folder above theirs)")
	case len(all) != len(exchange.Types()):
		t.Errorf("%d schemas of %d types", len(all), len(exchange.Types()))
	}
}

// enums are the words of the standard (ICAR ADE 1.3.2, enums/) by where they
// may stand.
var enums = map[string][]string{
	"calvingEase":                   {"EasyUnassisted", "EasyAssisted", "DifficultExtraAssistance", "DifficultVeterinaryCare", "CaesareanOrSurgery"},
	"progenyDetails.gender":         {"Female", "FemaleNeuter", "Male", "MaleCryptorchid", "MaleNeuter", "Unknown"},
	"progenyDetails.birthStatus":    {"Alive", "Stillborn", "Aborted", "DiedBeforeTaggingDate", "DiedAfterTaggingDate", "SlaughteredAtBirth", "EuthanisedAtBirth"},
	"progenyDetails.specie":         {"Buffalo", "Cattle"},
	"animalDetail.gender":           {"Female", "FemaleNeuter", "Male", "MaleCryptorchid", "MaleNeuter", "Unknown"},
	"animalDetail.specie":           {"Buffalo", "Cattle"},
	"heatDetectionMethod":           {"Chemical", "Visual", "Pedometer", "Other"},
	"certainty":                     {"InHeat", "Suspect"},
	"visualDetection.heatSigns":     {"Slime", "ClearSlime", "InterestedInOtherAnimals", "Bawling", "Blood", "StandsUnder"},
	"inseminationType":              {"NaturalService", "RunWithBull", "Insemination", "Implantation"},
	"straw.sexedGender":             {"Female", "Male"},
	"method":                        {"Echography", "Palpation", "Blood", "Milk", "Visual", "Other"},
	"result":                        {"Empty", "Pregnant", "Multiple", "Unknown"},
	"registrationReason":            {"Born", "Registered"},
	"arrivalReason":                 {"Purchase", "InternalTransfer", "Imported", "StudService", "StudServiceReturn", "Slaughter", "Agistment", "AgistmentReturn", "Show", "ShowReturn", "Sale", "SaleReturn", "Other"},
	"departureKind":                 {"InternalTransfer", "Export", "Slaughter", "Newborn", "StudService", "StudServiceReturn", "Agistment", "AgistmentReturn", "Show", "ShowReturn", "Sale", "SaleReturn", "Other"},
	"departureReason":               {"Age", "Superfluous", "Slaughter", "Sale", "Newborn", "LegOrClaw", "Nutrition", "Parturition", "Mastitis", "Fertility", "Health", "Production", "MilkingAbility", "BadType", "Behaviour", "Other", "Unknown"},
	"deathReason":                   {"Missing", "Parturition", "Disease", "Accident", "Consumption", "Culled", "Other", "Unknown", "Age", "Mastitis", "Production", "LegOrClaw", "MilkingAbility", "Nutrition", "Fertility"},
	"deathMethod":                   {"Perished", "Slaughter", "Culled", "Theft", "Lost", "Accident", "Other"},
	"animalDetail.parentage.gender": {"Female", "Male"},
}

// required members, beside those of every resource.
var required = map[string][]string{
	"":                                     {"resourceType", "meta.source", "meta.sourceId", "meta.modified", "meta.created", "location.id", "location.scheme", "animal.id", "animal.scheme", "eventDateTime"},
	"icarReproInseminationEventResource":   {"inseminationType"},
	"icarMovementBirthEventResource":       {"animalDetail.identifier.id", "animalDetail.identifier.scheme", "animalDetail.specie", "animalDetail.gender", "animalDetail.resourceType"},
	"icarMovementArrivalEventResource":     {"animalDetail.identifier.id", "animalDetail.identifier.scheme", "animalDetail.specie", "animalDetail.gender", "animalDetail.resourceType"},
	"icarReproPregnancyCheckEventResource": {"method", "result"},
	"icarReproHeatEventResource":           {"certainty"},
	"icarReproDoNotBreedEventResource":     {"doNotBreed"},
}

// byHand are this project's own expectations.
func byHand(typ string, m map[string]any) error {
	if !slices.Contains(exchange.Types(), typ) {
		return fmt.Errorf("resourceType %q is none that is written", typ)
	}
	for _, need := range append(slices.Clone(required[""]), required[typ]...) {
		if v := at(m, need); len(v) == 0 || v[0] == "" {
			return fmt.Errorf("%s is missing", need)
		}
	}
	for name, words := range enums {
		for _, v := range at(m, name) {
			if s, ok := v.(string); !ok || !slices.Contains(words, s) {
				return fmt.Errorf("%s %v is none of %v", name, v, words)
			}
		}
	}
	for _, name := range []string{"eventDateTime", "eventEndDateTime", "meta.created", "meta.modified", "animalDetail.birthDate"} {
		for _, v := range at(m, name) {
			s, _ := v.(string)
			if _, err := time.Parse(time.RFC3339Nano, s); err != nil || !strings.HasSuffix(s, "Z") {
				return fmt.Errorf("%s %v is no time in UTC", name, v)
			}
		}
	}
	return nil
}

// at finds the values of a path of members, through lists.
func at(v any, path string) []any {
	if list, ok := v.([]any); ok {
		var out []any
		for _, e := range list {
			out = append(out, at(e, path)...)
		}
		return out
	}
	if path == "" {
		return []any{v}
	}
	m, ok := v.(map[string]any)
	if !ok {
		return nil
	}
	name, rest, _ := strings.Cut(path, ".")
	if m[name] == nil {
		return nil
	}
	return at(m[name], rest)
}

// Whatever stands in a log, what is written of it fits the schemas.
func TestPropertySchemas(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := genBook(rt, herd, 25)
		for _, since := range []int64{0, int64(len(b.records) / 2)} {
			list, _ := b.export(rt, since)
			for _, r := range list {
				if raw := body(rt, r); check(t, raw) != nil {
					rt.Fatalf("%v in %s", check(t, raw), raw)
				}
			}
		}
	})
}

// Every kind that has a place is written and read back whole, every type is
// reached, and the others are counted.
func TestEveryKind(t *testing.T) {
	seen := map[string]int{}
	lost := map[string]bool{}
	for _, spec := range event.Specs() {
		if spec.Kind == event.KindVoid {
			continue
		}
		t.Run(spec.Name, func(t *testing.T) {
			rapid.Check(t, func(rt *rapid.T) {
				b := newBook(herd)
				e := eventtest.GenOf(herd, spec.Kind).Draw(rt, "event")
				e.Replaces = [16]byte{}
				b.add(rt, e)
				list, w := b.export(rt, 0)
				if len(list) == 0 {
					if l := w.Lost(); len(l) != 1 || l[0] != (exchange.Count{Kind: spec.Name, N: 1}) {
						rt.Fatalf("left out and not counted: %v", l)
					}
					lost[spec.Name] = true
					return
				}
				seen[list[0].ResourceType]++
				raw := body(rt, list[0])
				if err := check(t, raw); err != nil {
					rt.Fatalf("%v in %s", err, raw)
				}
				again := newBook(herd)
				if im, _, _ := again.take(rt, raw, ""); im.Refused > 0 || len(again.records) != 1 {
					rt.Fatalf("not taken back: %+v", im.Problems)
				}
				got := *again.records[0].event
				want := *e
				got.ID, got.Source, got.Ref, got.NoteSalt, got.NoteHash = want.ID, want.Source, want.Ref, want.NoteSalt, want.NoteHash
				if string(got.AppendStated(nil)) != string(want.AppendStated(nil)) {
					rt.Fatalf("went out as\n%s\ncame back as\n%s", want.AppendStated(nil), got.AppendStated(nil))
				}
			})
		})
	}
	for _, typ := range exchange.Types() {
		if seen[typ] == 0 {
			t.Errorf("no event became a %s", typ)
		}
	}
	for _, kind := range []string{"walk", "heat", "palpation", "treatment", "size", "move", "renumber"} {
		if !lost[kind] {
			t.Errorf("no event of kind %s was left out", kind)
		}
	}
	if len(lost) != 7 {
		t.Errorf("left out were %v", lost)
	}
}

// The checks of this file find what is wrong.
func TestChecksCanFail(t *testing.T) {
	t.Parallel()
	b := fixed(t, `{"animal":"1","kind":"heat","on":"2026-01-01","data":{"verdict":"in_heat","signs":["standing"]}}`)
	list, _ := b.export(t, 0)
	good := body(t, list[0])
	if err := check(t, good); err != nil {
		t.Fatalf("%v in %s", err, good)
	}
	for _, c := range []struct{ old, bad string }{
		{`"InHeat"`, `"Perhaps"`},
		{`"StandsUnder"`, `"Chalk"`},
		{`"2026-01-01T00:00:00Z"`, `"2026-01-01"`},
		{`"icarReproHeatEventResource"`, `"icarReproChalkEventResource"`},
		{`"scheme":"local.alder-row.number"`, `"kind":"x"`},
		{`"modified"`, `"changed"`},
	} {
		raw := strings.Replace(string(good), c.old, c.bad, 1)
		if raw == string(good) {
			t.Fatalf("%s does not stand in %s", c.old, good)
		}
		if check(t, []byte(raw)) == nil {
			t.Errorf("%s was not found", c.bad)
		}
	}
	all, err := schemas()
	if err != nil || all == nil {
		return
	}
	// And so does the published schema by itself.
	var doc map[string]any
	if err := json.Unmarshal([]byte(strings.Replace(string(good), `"InHeat"`, `"Perhaps"`, 1)), &doc); err != nil {
		t.Fatal(err)
	}
	if all["icarReproHeatEventResource"].Validate(doc) == nil {
		t.Errorf("the published schema takes a word that it does not have")
	}
}
