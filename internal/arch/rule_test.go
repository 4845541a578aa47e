package arch

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"path"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

const module = "byrelog.example"

// layers lists every package of the project and what it may import of the
// others: imports run downwards only. A package that is not listed, and an
// import that is not, is a finding; a new package is a new line here.
var layers = map[string][]string{
	"internal/guard":    {},
	"internal/event":    {},
	"internal/stats":    {},
	"internal/repro":    {"internal/event", "internal/guard", "internal/stats"},
	"internal/sheet":    {"internal/event"},
	"internal/exchange": {"internal/event"},
	"internal/simherd":  {"internal/event"},
	"internal/round":    {"internal/event"},
	"internal/store":    {"internal/event", "internal/guard", "migrations"},
	"internal/localpg":  {"internal/guard"},
	"internal/report":   {"internal/event", "internal/repro", "internal/stats"},
	"internal/book":     {"internal/event", "internal/exchange", "internal/guard", "internal/repro", "internal/round", "internal/sheet", "internal/stats", "internal/store"},
	"internal/httpapi":  {"api", "internal/book", "internal/event", "internal/exchange", "internal/guard", "internal/report", "internal/repro", "internal/sheet", "openapi"},
	"internal/arch":     {},
	"internal/bench":    {},
	"migrations":        {},
	"openapi":           {},
	"openapi/gen":       {"internal/event", "internal/round"},
	"api":               {},
	"cmd/byrelog": {
		"api", "internal/book", "internal/event", "internal/guard", "internal/httpapi", "internal/localpg", "internal/repro", "internal/report",
		"internal/round", "internal/sheet", "internal/simherd", "internal/store", "migrations", "openapi",
	},

	// Helpers that only tests import.
	"internal/event/eventtest":     {"internal/event"},
	"internal/pgtest":              {"internal/localpg", "internal/store", "migrations"},
	"internal/httpapi/httpapitest": {"api", "internal/book", "internal/event", "internal/httpapi", "internal/pgtest", "internal/store", "openapi"},
}

// pure packages take readers, writers and the time as arguments.
var pure = []string{"internal/event", "internal/stats", "internal/repro", "internal/sheet", "internal/exchange", "internal/simherd", "internal/round"}

// impure is what a pure package does not import: whole trees of packages.
var impure = []string{"net", "os", "io/ioutil", "database/sql", "syscall", "log", "runtime", "plugin", "crypto/rand", "math/rand"}

// impureCalls are the functions of packages that are pure but for these.
var impureCalls = map[string]func(name string) bool{
	"time": func(name string) bool {
		return slices.Contains([]string{"Now", "Since", "Until", "After", "AfterFunc", "Sleep", "Tick", "NewTicker", "NewTimer", "Local", "LoadLocation"}, name)
	},
	// A generator of one's own, from a seed, is an argument; the shared one is not.
	"math/rand/v2": func(name string) bool {
		return !slices.Contains([]string{"New", "NewPCG", "NewChaCha8", "NewZipf", "Rand", "PCG", "ChaCha8", "Source", "Zipf"}, name)
	},
	"fmt":                    func(name string) bool { return strings.HasPrefix(name, "Print") || strings.HasPrefix(name, "Scan") },
	"github.com/google/uuid": func(name string) bool { return slices.Contains(randomIDs, name) },
}

var randomIDs = []string{"New", "NewString", "NewRandom", "NewUUID", "NewV6", "NewV7", "NewDCESecurity", "NewDCEPerson", "NewDCEGroup"}

// owners tells which packages alone may import what; a prefix stands for the
// tree below it. Tests are free, but for echo, whose successor is to be one
// package's work.
var owners = []struct {
	tree    string
	by      []string
	inTests bool // holds for tests too
}{
	{"github.com/jackc", []string{"internal/store"}, false},
	{"github.com/pressly/goose", []string{"internal/store"}, false},
	{"database/sql", []string{"internal/store", "internal/pgtest"}, false},
	{"github.com/labstack", []string{"internal/httpapi", "internal/bench"}, true}, // bench: a bare handler to measure beside
	{"github.com/getkin/kin-openapi", []string{"internal/httpapi", "internal/httpapi/httpapitest"}, false},
	{"net/http", []string{"api", "cmd/byrelog", "internal/httpapi", "internal/httpapi/httpapitest"}, false},
	{"os/exec", []string{"internal/localpg"}, false},
	{"github.com/spf13", []string{"cmd/byrelog"}, false},
}

// forTests may be imported by tests and by the helpers of tests only.
var forTests = []string{
	"testing", "net/http/httptest", "pgregory.net/rapid", "github.com/testcontainers",
	module + "/internal/pgtest", module + "/internal/event/eventtest", module + "/internal/httpapi/httpapitest",
}

// never is imported by nobody.
var never = map[string]string{
	"github.com/stretchr/testify": "tests use the standard library",
	"github.com/pkg/errors":       "errors are wrapped with %w",
	"io/ioutil":                   "io and os have it",
	"math/rand":                   "math/rand/v2",
}

// empty names say nothing about what is inside.
var emptyNames = []string{"util", "utils", "common", "helper", "helpers", "misc", "shared", "base", "lib", "types"}

const longest = 800 // lines of a file that a person wrote

// source is one Go file; name is its path below the root, with slashes.
type source struct {
	name string
	text []byte
}

// check holds Go files against the rules and gives the findings.
func check(files []source) []string {
	var list []string
	add := func(name, format string, args ...any) { list = append(list, name+": "+fmt.Sprintf(format, args...)) }
	comment := map[string]bool{}
	for _, f := range files {
		dir := path.Dir(f.name)
		file, err := parser.ParseFile(token.NewFileSet(), f.name, f.text, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			add(f.name, "%v", err)
			continue
		}
		if _, seen := comment[dir]; !seen {
			comment[dir] = false
		}
		test := strings.HasSuffix(f.name, "_test.go")
		if !test && strings.HasPrefix(file.Doc.Text(), "Package "+file.Name.Name+" ") || file.Name.Name == "main" && file.Doc.Text() != "" {
			comment[dir] = true
		}
		if lines := bytes.Count(f.text, []byte("\n")); lines > longest && !ast.IsGenerated(file) {
			add(f.name, "%d lines, at most %d", lines, longest)
		}
		if _, listed := layers[dir]; !listed {
			add(f.name, "the package %s is not among the layers of internal/arch", dir)
		}
		if slices.Contains(emptyNames, path.Base(dir)) || slices.Contains(emptyNames, strings.TrimSuffix(path.Base(f.name), ".go")) {
			add(f.name, "the name says nothing about what is inside")
		}
		if file.Name.Name == "main" && !strings.HasPrefix(dir, "cmd/") && dir != "openapi/gen" {
			add(f.name, "a program outside cmd")
		}
		for _, finding := range imports(dir, test, file) {
			add(f.name, "%s", finding)
		}
		if !test && dir != "internal/guard" && !ast.IsGenerated(file) {
			for _, finding := range unguarded(file) {
				add(f.name, "%s", finding)
			}
		}
		if slices.Contains(pure, dir) && !test {
			for _, finding := range calls(file) {
				add(f.name, "%s", finding)
			}
		}
		if !ast.IsGenerated(file) {
			for _, g := range file.Comments {
				if word := unfinished(g.Text()); word != "" {
					add(f.name, "a comment with %s: an issue holds what is left to do", word)
				}
			}
		}
	}
	for dir, ok := range comment {
		if !ok {
			add(dir, "no file has a package comment")
		}
	}
	slices.Sort(list)
	return list
}

func imports(dir string, test bool, file *ast.File) []string {
	var list []string
	helper := strings.HasSuffix(dir, "test")
	for _, spec := range file.Imports {
		p, _ := strconv.Unquote(spec.Path.Value)
		bad := func(format string, args ...any) { list = append(list, p+": "+fmt.Sprintf(format, args...)) }
		if spec.Name != nil && spec.Name.Name == "." {
			bad("imported with a dot")
		}
		for tree, why := range never {
			if p == tree || tree != "math/rand" && below(p, tree) {
				bad("%s", why)
			}
		}
		own, ours := strings.CutPrefix(p, module+"/")
		if ours && !test && own != dir && !slices.Contains(layers[dir], own) {
			bad("not below %s: imports run downwards", dir)
		}
		if slices.Contains(pure, dir) && !test {
			for _, tree := range impure {
				if below(p, tree) && p != "math/rand/v2" {
					bad("%s is pure", dir)
				}
			}
		}
		for _, o := range owners {
			if below(p, o.tree) && (!test || o.inTests) && !slices.Contains(o.by, dir) {
				bad("only %s may", strings.Join(o.by, ", "))
			}
		}
		for _, tree := range forTests {
			if below(p, tree) && !test && !helper {
				bad("test code in the program")
			}
		}
	}
	return list
}

func below(p, tree string) bool { return p == tree || strings.HasPrefix(p, tree+"/") }

// calls finds uses of a clock, of shared randomness and of standard output.
func calls(file *ast.File) []string {
	from := map[string]string{} // the name in this file -> import path
	for _, spec := range file.Imports {
		p, _ := strconv.Unquote(spec.Path.Value)
		if _, watched := impureCalls[p]; !watched {
			continue
		}
		name := path.Base(p)
		if name == "v2" {
			name = path.Base(path.Dir(p))
		}
		if spec.Name != nil {
			name = spec.Name.Name
		}
		from[name] = p
	}
	var list []string
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && from[x.Name] != "" && impureCalls[from[x.Name]](n.Sel.Name) {
				list = append(list, fmt.Sprintf("%s.%s in a pure package: it comes in as an argument", from[x.Name], n.Sel.Name))
			}
		case *ast.CallExpr:
			if x, ok := n.Fun.(*ast.Ident); ok && (x.Name == "print" || x.Name == "println") {
				list = append(list, x.Name+" in a pure package")
			}
		}
		return true
	})
	return list
}

// unguarded finds goroutines whose panic would end the process.
func unguarded(file *ast.File) []string {
	var list []string
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			list = append(list, "a bare go statement: internal/guard starts goroutines")
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); n.Sel.Name == "Go" && (!ok || x.Name != "guard") {
				list = append(list, "a goroutine of a WaitGroup or the like: internal/guard starts goroutines")
			}
		}
		return true
	})
	return list
}

// unfinished finds the marks of work left over in a comment.
func unfinished(text string) string {
	for _, word := range strings.FieldsFunc(text, func(r rune) bool { return !unicode.IsLetter(r) }) {
		if slices.Contains([]string{"TODO", "FIXME", "XXX", "HACK"}, word) { //nolint:godox // the words themselves
			return word
		}
	}
	return ""
}
