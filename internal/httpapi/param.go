package httpapi

import (
	"fmt"
	"maps"
	"net/http"
	"reflect"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/getkin/kin-openapi/openapi3"

	"byrelog.example/api"
	"byrelog.example/internal/event"
)

// param is a parameter of the contract. Its check is made of its schema when the service
// starts, since the library's validator takes schemas apart anew for every request, and
// takes True, 1 and t for true. A schema with a keyword that is not known here is refused
// then; a test holds the checks against the library's.
type param struct {
	name     string // of a header in its canonical form
	in       string
	required bool
	yesOrNo  bool
	check    check
}

// check gives the schema and the keyword of it that a value does not fit; "" if it fits.
type check func(value string) (*openapi3.Schema, string)

// paramsOf makes the parameters of an operation; those of the operation take the place of
// those of its path.
func paramsOf(lists ...openapi3.Parameters) ([]param, error) {
	all := map[string]param{}
	for _, list := range lists {
		for _, ref := range list {
			v := ref.Value
			p := param{name: v.Name, in: v.In, required: v.Required}
			if p.in == openapi3.ParameterInHeader {
				p.name = http.CanonicalHeaderKey(p.name)
			}
			if v.Schema == nil || v.AllowEmptyValue {
				return nil, fmt.Errorf("parameter %s: it needs a schema and a value", v.Name)
			}
			var err error
			p.yesOrNo = v.Schema.Value.Type.Is(openapi3.TypeBoolean)
			if p.check, err = checkOf(v.Schema.Value, true); err != nil {
				return nil, fmt.Errorf("parameter %s: %w", v.Name, err)
			}
			all[p.name+" "+p.in] = p
		}
	}
	out := make([]param, 0, len(all))
	for _, key := range slices.Sorted(maps.Keys(all)) {
		out = append(out, all[key])
	}
	return out, nil
}

// checkOf makes the check of a schema.
func checkOf(s *openapi3.Schema, lists bool) (check, error) {
	known := openapi3.Schema{
		Type: s.Type, Format: s.Format, Pattern: s.Pattern, Enum: s.Enum, Min: s.Min, Max: s.Max,
		MinLength: s.MinLength, MaxLength: s.MaxLength, Items: s.Items, MinItems: s.MinItems, MaxItems: s.MaxItems,
		// These say nothing about the value.
		Extensions: s.Extensions, Origin: s.Origin, Title: s.Title, Description: s.Description,
		Default: s.Default, Example: s.Example, Examples: s.Examples, Deprecated: s.Deprecated,
	}
	if s.Type == nil || !reflect.DeepEqual(*s, known) { //nolint:govet // its errors are nil in both or the schema is not known
		return nil, fmt.Errorf("its schema has a keyword that is not checked: %+v", s)
	}
	switch {
	case s.Type.Is(openapi3.TypeString):
		return checkText(s)
	case s.Type.Is(openapi3.TypeInteger):
		return func(v string) (*openapi3.Schema, string) { return s, integerFault(s, v) }, nil
	case s.Type.Is(openapi3.TypeBoolean):
		return func(v string) (*openapi3.Schema, string) {
			if v != "true" && v != "false" {
				return s, "type"
			}
			return nil, ""
		}, nil
	case s.Type.Is(openapi3.TypeArray) && lists:
		item, err := checkOf(s.Items.Value, false)
		return func(v string) (*openapi3.Schema, string) { return listFault(s, item, v) }, err
	}
	return nil, fmt.Errorf("its type is not checked: %v", s.Type)
}

// listFault checks entries that are separated by commas.
func listFault(s *openapi3.Schema, item check, value string) (*openapi3.Schema, string) {
	entries := strings.Split(value, ",")
	switch {
	case uint64(len(entries)) < s.MinItems:
		return s, "minItems"
	case s.MaxItems != nil && uint64(len(entries)) > *s.MaxItems:
		return s, "maxItems"
	}
	for _, e := range entries {
		if at, keyword := item(e); keyword != "" {
			return at, keyword
		}
	}
	return nil, ""
}

func checkText(s *openapi3.Schema) (check, error) {
	form := func(string) bool { return true }
	switch s.Format {
	case "":
	case "date":
		form = func(v string) bool { _, err := event.ParseDate(v); return err == nil }
	case "uuid":
		form = func(v string) bool { return checkUUID(v) == nil }
	default:
		return nil, fmt.Errorf("its format is not checked: %s", s.Format)
	}
	var pattern *regexp.Regexp
	if s.Pattern != "" {
		var err error
		if pattern, err = regexp.Compile(s.Pattern); err != nil {
			return nil, err
		}
	}
	words := make(map[string]bool, len(s.Enum))
	for _, v := range s.Enum {
		words[fmt.Sprint(v)] = true
	}
	return func(v string) (*openapi3.Schema, string) {
		switch length := uint64(utf8.RuneCountInString(v)); { //nolint:gosec // no length is negative
		case len(words) > 0 && !words[v]:
			return s, "enum"
		case length < s.MinLength:
			return s, "minLength"
		case s.MaxLength != nil && length > *s.MaxLength:
			return s, "maxLength"
		case pattern != nil && !pattern.MatchString(v):
			return s, "pattern"
		case !form(v):
			return s, "format"
		}
		return nil, ""
	}, nil
}

func integerFault(s *openapi3.Schema, v string) string {
	n, err := strconv.ParseInt(v, 10, 64)
	switch {
	case err != nil:
		return "type"
	case s.Min != nil && float64(n) < *s.Min:
		return "minimum"
	case s.Max != nil && float64(n) > *s.Max:
		return "maximum"
	}
	return ""
}

// validateParams holds path, query and header parameters against the contract, and tells
// all their faults.
func (s *Server) validateParams(r *request) error {
	var items []api.ProblemItem
	fault := func(name, code, text string) {
		items = append(items, api.ProblemItem{Code: code, Detail: text, Parameter: &name})
	}
	for name, values := range r.query {
		switch {
		case !r.op.query[name]:
			fault(pointerToken(name), "unknown_parameter", "there is no such parameter here")
		case len(values) > 1:
			fault(name, "doubled", "the parameter stands twice")
		}
	}
	for i := range r.op.params {
		p := &r.op.params[i]
		value, there := r.given(p)
		switch {
		case p.in == openapi3.ParameterInQuery && len(r.query[p.name]) > 1: // told above
		case !there && p.required:
			fault(p.name, "required", "it is missing")
		case !there:
		case value == "" && p.in != openapi3.ParameterInHeader:
			fault(p.name, "required", "it is empty")
		default:
			if at, keyword := p.check(value); keyword != "" {
				code, text := wordSchema(at, keyword)
				fault(p.name, code, text)
			}
		}
	}
	if items == nil {
		return nil
	}
	sort.SliceStable(items, func(i, j int) bool { return *items[i].Parameter < *items[j].Parameter })
	return paramProblem(items)
}

// given is the value of a parameter, of a header the first.
func (r *request) given(p *param) (value string, there bool) {
	switch p.in {
	case openapi3.ParameterInPath:
		return r.param(p.name), true
	case openapi3.ParameterInQuery:
		return firstOf(r.query[p.name])
	}
	return firstOf(r.http.Header[p.name])
}

func firstOf(values []string) (value string, there bool) {
	if len(values) == 0 {
		return "", false
	}
	return values[0], true
}
