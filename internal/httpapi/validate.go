package httpapi

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/uuid"

	"byrelog.example/api"
)

func checkUUID(s string) error {
	if len(s) != 36 {
		return errors.New("length")
	}
	return uuid.Validate(s)
}

func paramProblem(items []api.ProblemItem) error {
	p := refuse(http.StatusBadRequest, "bad-parameter", "%s: %s", *items[0].Parameter, items[0].Detail)
	if len(items) > 1 {
		p.detail = plural(len(items), "parameter") + " cannot be used"
	}
	p.items = items
	return p
}

// badParam refuses a parameter for a reason that the contract cannot express.
func badParam(name, code, format string, args ...any) error {
	return paramProblem([]api.ProblemItem{{Code: code, Detail: fmt.Sprintf(format, args...), Parameter: &name}})
}

// wordSchema says in our words what a keyword of a schema asks for.
func wordSchema(schema *openapi3.Schema, keyword string) (code, text string) {
	if form, ok := schema.Extensions["x-form"].(string); ok && keyword != "required" && keyword != "additionalProperties" {
		return "bad_text", form + " is expected"
	}
	switch keyword {
	case "type":
		return "wrong_type", expected(schema) + " is expected"
	case "format":
		switch schema.Format {
		case "date":
			return "bad_date", "a date is expected, written YYYY-MM-DD"
		case "date-time":
			return "bad_date", "an RFC 3339 timestamp is expected, for example 2026-11-25T06:00:00Z"
		case "uuid":
			return "bad_id", "a UUID is expected, written 8-4-4-4-12"
		}
		return "bad_text", "it does not have the form that is asked for"
	case "enum":
		words := make([]string, len(schema.Enum))
		for i, v := range schema.Enum {
			words[i] = fmt.Sprint(v)
		}
		return "not_allowed", "it is one of " + strings.Join(words, ", ")
	case "pattern":
		return "bad_text", "it must match " + schema.Pattern
	case "minimum", "maximum":
		return "out_of_range", "a number " + bounds(schema.Min, schema.Max) + " is expected"
	case "minLength", "maxLength":
		most := float64(0)
		if schema.MaxLength != nil {
			most = float64(*schema.MaxLength)
		}
		least := float64(schema.MinLength)
		return "too_long", "a text of " + bounds(&least, &most) + " characters is expected"
	case "minItems", "maxItems", "minProperties", "maxProperties":
		return "too_long", "too few or too many entries"
	case "uniqueItems":
		return "contradicts", "an entry stands twice"
	}
	return "not_allowed", "it does not fit the contract"
}

func bounds(lo, hi *float64) string {
	switch {
	case lo != nil && hi != nil:
		return fmt.Sprintf("from %v to %v", *lo, *hi)
	case lo != nil:
		return fmt.Sprintf("of at least %v", *lo)
	case hi != nil:
		return fmt.Sprintf("of at most %v", *hi)
	}
	return "within bounds"
}

func expected(schema *openapi3.Schema) string {
	if schema.Type == nil {
		return "another type"
	}
	names := map[string]string{
		"integer": "a whole number", "number": "a number", "boolean": "true or false", "string": "a text",
		"array": "a list", "object": "an object", "null": "null",
	}
	var words []string
	for _, t := range schema.Type.Slice() {
		words = append(words, names[t])
	}
	return strings.Join(words, " or ")
}

// validateBody holds a JSON body against the operation's schema.
func (s *Server) validateBody(r *request, raw []byte) error {
	var value any
	if err := json.Unmarshal(raw, &value); err != nil {
		return malformedJSON("", "the body is not JSON")
	}
	err := r.op.body.Value.VisitJSON(value, openapi3.EnableJSONSchema2020(), openapi3.MultiErrors(),
		openapi3.WithStringFormatValidator("uuid", openapi3.NewCallbackValidator(checkUUID)))
	if err == nil {
		return nil
	}
	var items []api.ProblemItem
	seen := map[string]bool{}
	walk(err, func(err error) bool {
		se, ok := err.(*openapi3.SchemaError) //nolint:errorlint // the walk visits every link itself
		if !ok {
			return true
		}
		if _, wraps := se.Origin.(interface{ Unwrap() error }); wraps && hasSchemaError(se.Origin) {
			return true
		}
		for _, it := range wordBody(se) {
			if key := it.Code + *it.Pointer; !seen[key] {
				seen[key] = true
				items = append(items, it)
			}
		}
		return false
	})
	if len(items) == 0 {
		return &problem{status: http.StatusUnprocessableEntity, code: "invalid-body", detail: "the body does not fit the contract", cause: err}
	}
	sort.SliceStable(items, func(i, j int) bool { return *items[i].Pointer < *items[j].Pointer })
	return &problem{status: http.StatusUnprocessableEntity, code: "invalid-body", detail: plural(len(items), "fault") + " found; nothing was changed", items: items}
}

func hasSchemaError(err error) bool {
	var se *openapi3.SchemaError
	return errors.As(err, &se)
}

// wordBody words one failure of a schema. For members that are missing or not
// known it finds out which: the validator names the object only. There are two
// validators, and they point differently; a schema of plain keywords goes to
// the older one.
func wordBody(se *openapi3.SchemaError) []api.ProblemItem {
	path := se.JSONPointer()
	object, _ := se.Value.(map[string]any)
	var items []api.ProblemItem
	tell := func(path []string, code, text string) {
		at := "#"
		for _, token := range path {
			at += "/" + pointerToken(token)
		}
		items = append(items, api.ProblemItem{Code: code, Detail: text, Pointer: &at})
	}
	if se.Schema != nil && object != nil {
		switch se.SchemaField {
		case "required":
			if n := len(path); n > 0 && slices.Contains(se.Schema.Required, path[n-1]) {
				if _, ok := object[path[n-1]]; !ok {
					path = path[:n-1]
				}
			}
			for _, name := range se.Schema.Required {
				if _, ok := object[name]; !ok {
					tell(append(slices.Clone(path), name), "required", name+" is missing")
				}
			}
		case "additionalProperties", "properties":
			for name := range object {
				if _, ok := se.Schema.Properties[name]; !ok {
					tell(append(slices.Clone(path), name), "unknown_field", "there is no field "+strconv.Quote(name)+" here; there are "+strings.Join(slices.Sorted(maps.Keys(se.Schema.Properties)), ", "))
				}
			}
		}
	}
	if items == nil {
		schema := se.Schema
		if schema == nil {
			schema = &openapi3.Schema{}
		}
		code, text := wordSchema(schema, se.SchemaField)
		tell(path, code, text)
	}
	return items
}

// walk visits err and what it wraps; visit returns false to go no deeper.
func walk(err error, visit func(error) bool) {
	if err == nil || !visit(err) {
		return
	}
	switch e := err.(type) { //nolint:errorlint // this is the walk
	case openapi3.MultiError:
		for _, sub := range e {
			walk(sub, visit)
		}
	case *openapi3.SchemaError:
		walk(e.Origin, visit)
	case interface{ Unwrap() error }:
		walk(e.Unwrap(), visit)
	case interface{ Unwrap() []error }:
		for _, sub := range e.Unwrap() {
			walk(sub, visit)
		}
	}
}
