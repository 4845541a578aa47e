package httpapi

import (
	"bytes"
	_ "embed" // the page's template
	"encoding/json"
	"fmt"
	"html"
	"html/template"
	"maps"
	"slices"
	"strings"

	"github.com/getkin/kin-openapi/openapi3"

	"byrelog.example/openapi"
)

//go:embed docs.html.tmpl
var docsTemplate string

// docsPage is the contract as the template shows it.
type docsPage struct {
	Title, Version string
	About          template.HTML
	Tags           []docsTag
	Schemas        []docsSchema
}

type docsTag struct {
	Name       string
	About      template.HTML
	Operations []docsOperation
}

type docsOperation struct {
	ID, Method, Path, Summary, Scope string
	About                            template.HTML
	Params                           []docsField
	Body                             []docsContent
	Responses                        []docsResponse
}

type docsContent struct {
	Media    string
	Type     template.HTML
	Examples []docsExample
}

type docsExample struct{ Name, Text string }

type docsResponse struct {
	Status  string
	About   template.HTML
	Content []docsContent
}

type docsField struct {
	Name, In string
	Required bool
	Type     template.HTML
	About    template.HTML
}

type docsSchema struct {
	Name   string
	About  template.HTML
	Type   template.HTML
	Fields []docsField
}

// renderDocs makes the page once; it depends on nothing but the contract.
func renderDocs(doc *openapi3.T) ([]byte, error) {
	t, err := template.New("docs").Parse(docsTemplate)
	if err != nil {
		return nil, fmt.Errorf("parse docs page: %w", err)
	}
	page := docsPage{Title: doc.Info.Title, Version: doc.Info.Version, About: markdown(doc.Info.Description)}
	for _, tag := range doc.Tags {
		page.Tags = append(page.Tags, docsTag{Name: tag.Name, About: markdown(tag.Description), Operations: docsOperations(doc, tag.Name)})
	}
	for _, name := range slices.Sorted(maps.Keys(doc.Components.Schemas)) {
		s := doc.Components.Schemas[name].Value
		page.Schemas = append(page.Schemas, docsSchema{Name: name, About: markdown(s.Description), Type: typeOf(&openapi3.SchemaRef{Value: s}), Fields: docsFields(s)})
	}
	var b bytes.Buffer
	if err := t.Execute(&b, page); err != nil {
		return nil, fmt.Errorf("render docs page: %w", err)
	}
	return b.Bytes(), nil
}

func docsOperations(doc *openapi3.T, tag string) []docsOperation {
	var list []docsOperation
	paths := doc.Paths.Map()
	for _, path := range slices.Sorted(maps.Keys(paths)) {
		for _, method := range []string{"GET", "POST", "PUT", "PATCH", "DELETE"} {
			o := paths[path].GetOperation(method)
			if o == nil || !slices.Contains(o.Tags, tag) {
				continue
			}
			list = append(list, docsOperationOf(method, path, paths[path], o))
		}
	}
	return list
}

func docsOperationOf(method, path string, item *openapi3.PathItem, o *openapi3.Operation) docsOperation {
	scope, _ := o.Extensions["x-scope"].(string)
	out := docsOperation{ID: o.OperationID, Method: method, Path: path, Summary: o.Summary, Scope: scope, About: markdown(o.Description)}
	for _, params := range []openapi3.Parameters{item.Parameters, o.Parameters} {
		for _, p := range params {
			out.Params = append(out.Params, docsField{
				Name: p.Value.Name, In: p.Value.In, Required: p.Value.Required, Type: typeOf(p.Value.Schema), About: markdown(p.Value.Description),
			})
		}
	}
	if o.RequestBody != nil {
		out.Body = docsContents(o.RequestBody.Value.Content)
	}
	responses := o.Responses.Map()
	for _, status := range slices.Sorted(maps.Keys(responses)) {
		rsp := responses[status].Value
		about := ""
		if rsp.Description != nil {
			about = *rsp.Description
		}
		out.Responses = append(out.Responses, docsResponse{Status: status, About: markdown(about), Content: docsContents(rsp.Content)})
	}
	return out
}

func docsContents(content openapi3.Content) []docsContent {
	var list []docsContent
	for _, media := range slices.SortedFunc(maps.Keys(content), func(a, b string) int { return preference(a) - preference(b) }) {
		c := docsContent{Media: media, Type: typeOf(content[media].Schema)}
		if s := content[media].Schema; s != nil && s.Ref == "" && s.Value.Description != "" {
			c.Type += template.HTML(" – ") + inline(s.Value.Description)
		}
		for _, name := range slices.Sorted(maps.Keys(content[media].Examples)) {
			text, err := json.MarshalIndent(content[media].Examples[name].Value.Value, "", "  ")
			if err == nil {
				c.Examples = append(c.Examples, docsExample{Name: strings.ReplaceAll(name, "_", " "), Text: string(text)})
			}
		}
		list = append(list, c)
	}
	return list
}

func docsFields(s *openapi3.Schema) []docsField {
	var list []docsField
	for _, part := range append(slices.Clone(s.AllOf), &openapi3.SchemaRef{Value: s}) {
		if part.Value != s {
			list = append(list, docsFields(part.Value)...)
			continue
		}
		for _, name := range slices.Sorted(maps.Keys(s.Properties)) {
			p := s.Properties[name]
			f := docsField{Name: name, Required: slices.Contains(s.Required, name), Type: typeOf(p)}
			if p.Ref == "" {
				f.About = markdown(p.Value.Description)
			}
			list = append(list, f)
			if p.Ref == "" {
				for _, sub := range docsFields(innermost(p.Value)) {
					sub.Name = name + "." + sub.Name
					list = append(list, sub)
				}
			}
		}
	}
	return list
}

// innermost is the entry of a list that is written out in place, or s itself.
func innermost(s *openapi3.Schema) *openapi3.Schema {
	if s.Items != nil && s.Items.Ref == "" {
		return s.Items.Value
	}
	return s
}

// typeOf says what a schema holds, with a link where it has a name.
func typeOf(ref *openapi3.SchemaRef) template.HTML {
	if ref == nil {
		return ""
	}
	if name, ok := strings.CutPrefix(ref.Ref, "#/components/schemas/"); ok {
		return template.HTML(`<a href="#schema-` + html.EscapeString(name) + `">` + html.EscapeString(name) + `</a>`) //nolint:gosec // escaped
	}
	s := ref.Value
	if len(s.OneOf) > 0 {
		var parts []string
		for _, o := range s.OneOf {
			parts = append(parts, string(typeOf(o)))
		}
		return template.HTML(strings.Join(parts, " or ")) //nolint:gosec // made of escaped parts
	}
	var words []string
	for _, t := range s.Type.Slice() {
		switch {
		case t == "array":
			words = append(words, "list of "+string(typeOf(s.Items)))
		case t == "string" && s.Format != "":
			words = append(words, html.EscapeString(s.Format))
		case t == "string":
			words = append(words, "text")
		case t == "object" && s.AdditionalProperties.Schema != nil:
			words = append(words, "map of "+string(typeOf(s.AdditionalProperties.Schema)))
		default:
			words = append(words, html.EscapeString(t))
		}
	}
	out := strings.Join(words, " or ")
	out += html.EscapeString(limits(s))
	return template.HTML(out) //nolint:gosec // made of escaped parts
}

func limits(s *openapi3.Schema) string {
	var parts []string
	if len(s.Enum) > 0 {
		words := make([]string, len(s.Enum))
		for i, v := range s.Enum {
			words[i] = fmt.Sprint(v)
		}
		parts = append(parts, strings.Join(words, " | "))
	}
	if s.Min != nil || s.Max != nil {
		parts = append(parts, strings.TrimPrefix(bounds(s.Min, s.Max), "of "))
	}
	if s.MaxLength != nil {
		parts = append(parts, fmt.Sprintf("at most %d characters", *s.MaxLength))
	}
	if s.Pattern != "" {
		parts = append(parts, s.Pattern)
	}
	if s.Default != nil {
		parts = append(parts, fmt.Sprintf("default %v", s.Default))
	}
	if len(parts) == 0 {
		return ""
	}
	return ": " + strings.Join(parts, "; ")
}

// markdown renders what the contract's texts use: paragraphs, tables, bold, code, and
// indented blocks as they stand. Everything else is text.
func markdown(s string) template.HTML {
	var b strings.Builder
	for _, block := range strings.Split(strings.TrimSpace(s), "\n\n") {
		switch {
		case block == "":
		case strings.HasPrefix(block, "    "):
			b.WriteString("<pre>" + html.EscapeString(block) + "</pre>")
		case strings.HasPrefix(block, "|"):
			table(&b, strings.Split(block, "\n"))
		default:
			b.WriteString("<p>" + string(inline(block)) + "</p>")
		}
	}
	return template.HTML(b.String()) //nolint:gosec // inline escapes
}

func table(b *strings.Builder, rows []string) {
	b.WriteString("<table>")
	for i, row := range rows {
		if strings.Trim(row, "|- ") == "" {
			continue
		}
		tag := "td"
		if i == 0 {
			tag = "th"
		}
		b.WriteString("<tr>")
		for _, cell := range strings.Split(strings.Trim(row, "|"), "|") {
			b.WriteString("<" + tag + ">" + string(inline(strings.TrimSpace(cell))) + "</" + tag + ">")
		}
		b.WriteString("</tr>")
	}
	b.WriteString("</table>")
}

func inline(s string) template.HTML {
	var b strings.Builder
	for i, part := range strings.Split(s, "`") {
		part = html.EscapeString(part)
		if i%2 == 1 {
			b.WriteString("<code>" + part + "</code>")
			continue
		}
		for n, piece := range strings.Split(part, "**") {
			if n%2 == 1 {
				piece = "<b>" + piece + "</b>"
			}
			b.WriteString(piece)
		}
	}
	return template.HTML(b.String()) //nolint:gosec // escaped above
}

// Member is a member of a schema of the contract; Default is empty if it has none.
type Member struct{ Name, Default, Text string }

// Members gives the members of a schema of the contract by their names.
func Members(schema string) ([]Member, error) {
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		return nil, fmt.Errorf("load contract: %w", err)
	}
	ref := doc.Components.Schemas[schema]
	if ref == nil {
		return nil, fmt.Errorf("the contract has no schema %s", schema)
	}
	var out []Member
	for _, name := range slices.Sorted(maps.Keys(ref.Value.Properties)) {
		m := Member{Name: name, Text: ref.Value.Properties[name].Value.Description}
		if d := ref.Value.Properties[name].Value.Default; d != nil {
			m.Default = fmt.Sprint(d)
		}
		out = append(out, m)
	}
	return out, nil
}
