package httpapi

import (
	"net/http"
	"reflect"
	"regexp"
	"strconv"

	"github.com/getkin/kin-openapi/openapi3"

	"byrelog.example/internal/event"
)

// plainParam is a parameter of the contract as far as it can be checked without the
// validator, which takes its schema apart anew for every request. It only ever says
// yes: whatever it does not say yes to goes to the validator, which decides and finds
// the words. A test holds that nothing passes here that would not pass there.
type plainParam struct {
	name     string // of a header in its canonical form
	in       string
	required bool
	truth    bool              // true or false
	fits     func(string) bool // nil: the validator decides whenever there is a value
}

// plainly tells whether the parameters surely fit the contract.
func (r *request) plainly() bool {
	for name, values := range r.query {
		if len(values) != 1 || !r.op.query[name] {
			return false
		}
	}
	for i := range r.op.params {
		p := &r.op.params[i]
		var value string
		switch p.in {
		case openapi3.ParameterInPath:
			value = r.param(p.name)
		case openapi3.ParameterInQuery:
			values, there := r.query[p.name]
			if !there {
				if p.required {
					return false
				}
				continue
			}
			value = values[0]
		case openapi3.ParameterInHeader:
			values := r.http.Header[p.name]
			if len(values) == 0 && !p.required {
				continue
			}
			if len(values) != 1 {
				return false
			}
			value = values[0]
		default:
			return false
		}
		if value == "" || p.fits == nil || !p.fits(value) {
			return false
		}
	}
	return true
}

// plainParams makes the parameters of an operation; those of the operation take the
// place of those of its path.
func plainParams(lists ...openapi3.Parameters) []plainParam {
	var out []plainParam
	at := map[string]int{}
	for _, list := range lists {
		for _, ref := range list {
			v := ref.Value
			p := plainParam{name: v.Name, in: v.In, required: v.Required}
			p.truth = v.Schema != nil && v.Schema.Value.Type.Is(openapi3.TypeBoolean)
			if v.In == openapi3.ParameterInHeader {
				p.name = http.CanonicalHeaderKey(v.Name)
			}
			if v.Schema != nil && v.Content == nil && v.Style == "" && v.Explode == nil {
				p.fits = plainSchema(v.Schema.Value)
			}
			key := p.in + " " + p.name
			if i, ok := at[key]; ok {
				out[i] = p
				continue
			}
			at[key] = len(out)
			out = append(out, p)
		}
	}
	return out
}

// plainSchema makes the check of a schema that has only keywords known here; nil for
// any other.
func plainSchema(s *openapi3.Schema) func(string) bool {
	known := openapi3.Schema{
		Type: s.Type, Format: s.Format, Pattern: s.Pattern, Enum: s.Enum, Min: s.Min, Max: s.Max,
		MinLength: s.MinLength, MaxLength: s.MaxLength,
		// These say nothing about the value.
		Extensions: s.Extensions, Origin: s.Origin, Title: s.Title, Description: s.Description,
		Default: s.Default, Example: s.Example, Examples: s.Examples, Deprecated: s.Deprecated,
	}
	if s.Type == nil || !reflect.DeepEqual(*s, known) { //nolint:govet // its errors are nil in both or the schema is not plain
		return nil
	}
	switch {
	case s.Type.Is(openapi3.TypeString) && s.Min == nil && s.Max == nil:
		return plainText(s)
	case s.Type.Is(openapi3.TypeInteger) && s.Format == "" && s.Pattern == "" && s.Enum == nil:
		return plainInteger(s)
	case s.Type.Is(openapi3.TypeBoolean) && s.Format == "" && s.Pattern == "" && s.Enum == nil:
		return func(v string) bool { return v == "true" || v == "false" }
	}
	return nil
}

func plainText(s *openapi3.Schema) func(string) bool {
	var form func(string) bool
	switch s.Format {
	case "":
	case "date":
		form = func(v string) bool { _, err := event.ParseDate(v); return err == nil }
	case "uuid":
		form = func(v string) bool { return checkUUID(v) == nil }
	default:
		return nil
	}
	var pattern *regexp.Regexp
	if s.Pattern != "" {
		var err error
		if pattern, err = regexp.Compile(s.Pattern); err != nil {
			return nil
		}
	}
	words := make(map[string]bool, len(s.Enum))
	for _, v := range s.Enum {
		text, ok := v.(string)
		if !ok {
			return nil
		}
		words[text] = true
	}
	return func(v string) bool {
		if uint64(len(v)) < s.MinLength || s.MaxLength != nil && uint64(len(v)) > *s.MaxLength {
			return false
		}
		for i := range len(v) {
			if v[i] < 0x20 || v[i] > 0x7e {
				return false // its length is not that of its bytes
			}
		}
		return (len(words) == 0 || words[v]) && (form == nil || form(v)) && (pattern == nil || pattern.MatchString(v))
	}
}

func plainInteger(s *openapi3.Schema) func(string) bool {
	return func(v string) bool {
		const most = 15 // digits, which a float64 holds exactly
		if len(v) > most || len(v) > 1 && v[0] == '0' {
			return false
		}
		for i := range len(v) {
			if v[i] < '0' || v[i] > '9' {
				return false
			}
		}
		n, err := strconv.ParseFloat(v, 64)
		return err == nil && (s.Min == nil || n >= *s.Min) && (s.Max == nil || n <= *s.Max)
	}
}
