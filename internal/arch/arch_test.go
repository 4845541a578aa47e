package arch

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// root is the top of the tree, found by its go.mod.
func root(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Fatal("no go.mod above the test")
		}
		dir = up
	}
}

// sources reads the Go files of the tree, but for what the go command skips too.
func sources(t *testing.T) []source {
	t.Helper()
	tree := os.DirFS(root(t))
	var list []source
	err := fs.WalkDir(tree, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		base := d.Name()
		if d.IsDir() && name != "." && (strings.HasPrefix(base, ".") || strings.HasPrefix(base, "_") || base == "testdata" || base == "vendor" || name == "bin") {
			return fs.SkipDir
		}
		if d.IsDir() && name != "." {
			if _, err := fs.Stat(tree, name+"/go.mod"); err == nil {
				return fs.SkipDir // a module of its own
			}
		}
		if d.IsDir() || !strings.HasSuffix(base, ".go") {
			return nil
		}
		text, err := fs.ReadFile(tree, name)
		list = append(list, source{name, text})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestTree(t *testing.T) {
	files := sources(t)
	if len(files) < 80 {
		t.Fatalf("only %d files were found", len(files))
	}
	for _, finding := range check(files) {
		t.Error(finding)
	}
	// A layer without a package is a rule that holds nothing.
	seen := map[string]bool{}
	for _, f := range files {
		seen[filepath.ToSlash(filepath.Dir(f.name))] = true
	}
	for dir := range layers {
		if !seen[dir] && !planned[dir] {
			t.Errorf("layers lists %s, which is not there", dir)
		}
	}
	for dir := range planned {
		if seen[dir] {
			t.Errorf("%s is there: take it off the planned ones", dir)
		}
	}
}

// planned packages are in the design and not yet in the tree.
var planned = map[string]bool{}

// The top of the tree is that of the design; another folder is a decision.
func TestLayout(t *testing.T) {
	want := []string{"api", "cmd", "deploy", "internal", "migrations", "openapi", "testdata"}
	entries, err := os.ReadDir(root(t))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		if e.IsDir() && !strings.HasPrefix(e.Name(), ".") && e.Name() != "bin" {
			got = append(got, e.Name())
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("the folders are %v, the design has %v", got, want)
	}
	for _, name := range []string{"go.mod", "go.sum", "LICENSE", "DEVELOPERS.md", "docker-compose.yml", ".ci/run", "deploy/bench", "deploy/demo", "deploy/test", "openapi/openapi.yaml"} {
		if _, err := os.Stat(filepath.Join(root(t), name)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Every rule finds what it forbids, and nothing in a file that keeps them all.
func TestRulesCanFail(t *testing.T) {
	clean := func(dir string) string { return "// Package x is a fixture.\npackage x\n" + dir }
	for _, c := range []struct{ why, name, text, want string }{
		{"a clean file", "internal/event/x.go", clean("import (\n\t\"fmt\"\n\t\"time\"\n)\n\nvar _ = fmt.Sprint(time.Unix(0, 0))\n"), ""},
		{"a seeded generator", "internal/simherd/x.go", clean("import \"math/rand/v2\"\n\nvar _ = rand.New(rand.NewPCG(1, 2))\n"), ""},
		{"the shared generator", "internal/simherd/x.go", clean("import \"math/rand/v2\"\n\nvar _ = rand.IntN(2)\n"), "math/rand/v2.IntN in a pure package"},
		{"an upward import", "internal/event/x.go", clean("import _ \"byrelog.example/internal/repro\"\n"), "imports run downwards"},
		{"a sideways import", "internal/sheet/x.go", clean("import _ \"byrelog.example/internal/repro\"\n"), "imports run downwards"},
		{"a downward import", "internal/repro/x.go", clean("import _ \"byrelog.example/internal/stats\"\n"), ""},
		{"the server's code in the client", "api/x.go", clean("import _ \"byrelog.example/internal/event\"\n"), "imports run downwards"},
		{"a handler at the rows", "internal/httpapi/x.go", clean("import _ \"byrelog.example/internal/store\"\n"), "imports run downwards"},
		{"a test may look around", "internal/sheet/x_test.go", "package x\n\nimport _ \"byrelog.example/internal/repro\"\n", ""},
		{"a file in a pure package", "internal/sheet/x.go", clean("import _ \"os\"\n"), "internal/sheet is pure"},
		{"a network in a pure package", "internal/repro/x.go", clean("import _ \"net/url\"\n"), "internal/repro is pure"},
		{"a database in a pure package", "internal/stats/x.go", clean("import _ \"database/sql\"\n"), "internal/stats is pure"},
		{"a log in a pure package", "internal/event/x.go", clean("import _ \"log/slog\"\n"), "internal/event is pure"},
		{"randomness in a pure package", "internal/event/x.go", clean("import _ \"crypto/rand\"\n"), "internal/event is pure"},
		{"a clock in a pure package", "internal/repro/x.go", clean("import \"time\"\n\nvar _ = time.Now()\n"), "time.Now in a pure package"},
		{"a clock by another name", "internal/repro/x.go", clean("import clock \"time\"\n\nvar now = clock.Now\n"), "time.Now in a pure package"},
		{"a clock in a test", "internal/repro/x_test.go", "package x\n\nimport \"time\"\n\nvar _ = time.Now()\n", ""},
		{"a zone of the machine", "internal/event/x.go", clean("import \"time\"\n\nvar _ = time.Local\n"), "time.Local in a pure package"},
		{"a clock where one may be", "internal/book/x.go", clean("import \"time\"\n\nvar _ = time.Now()\n"), ""},
		{"a random id in a pure package", "internal/sheet/x.go", clean("import \"github.com/google/uuid\"\n\nvar _ = uuid.New()\n"), "github.com/google/uuid.New in a pure package"},
		{"a bare goroutine", "internal/book/x.go", clean("func init() { go func() {}() }\n"), "internal/guard starts goroutines"},
		{"a goroutine of a group", "internal/book/x.go", clean("import \"sync\"\n\nfunc init() {\n\tvar wg sync.WaitGroup\n\twg.Go(func() {})\n}\n"), "internal/guard starts goroutines"},
		{"a guarded goroutine", "internal/repro/x.go", clean("import \"byrelog.example/internal/guard\"\n\nfunc init() { guard.Beside(\"x\", func() {})() }\n"), ""},
		{"printing in a pure package", "internal/stats/x.go", clean("import \"fmt\"\n\nfunc init() { fmt.Println() }\n"), "fmt.Println in a pure package"},
		{"println in a pure package", "internal/stats/x.go", clean("func init() { println() }\n"), "println in a pure package"},
		{"a driver outside the store", "internal/book/x.go", clean("import _ \"github.com/jackc/pgx/v5\"\n"), "only internal/store may"},
		{"the driver in the store", "internal/store/x.go", clean("import _ \"github.com/jackc/pgx/v5\"\n"), ""},
		{"migrating outside the store", "cmd/byrelog/x.go", "// Command x is a fixture.\npackage main\n\nimport _ \"github.com/pressly/goose/v3\"\n", "only internal/store may"},
		{"echo outside the interface", "cmd/byrelog/x.go", "// Command x is a fixture.\npackage main\n\nimport _ \"github.com/labstack/echo/v4\"\n", "only internal/httpapi, internal/bench may"},
		{"echo in a test elsewhere", "internal/book/x_test.go", "package x\n\nimport _ \"github.com/labstack/echo/v4/middleware\"\n", "only internal/httpapi, internal/bench may"},
		{"HTTP in the service", "internal/book/x.go", clean("import _ \"net/http\"\n"), "only api, cmd/byrelog"},
		{"processes outside localpg", "internal/store/x.go", clean("import _ \"os/exec\"\n"), "only internal/localpg may"},
		{"testing in the program", "internal/book/x.go", clean("import _ \"testing\"\n"), "test code in the program"},
		{"testing below it too", "internal/book/x.go", clean("import _ \"testing/fstest\"\n"), "test code in the program"},
		{"a test's database in the program", "cmd/byrelog/x.go", "// Command x is a fixture.\npackage main\n\nimport _ \"byrelog.example/internal/pgtest\"\n", "test code in the program"},
		{"testing in a helper of tests", "internal/pgtest/x.go", clean("import _ \"testing\"\n"), ""},
		{"a framework for tests", "internal/book/x_test.go", "package x\n\nimport _ \"github.com/stretchr/testify/require\"\n", "tests use the standard library"},
		{"the old generator", "internal/book/x.go", clean("import _ \"math/rand\"\n"), "math/rand/v2"},
		{"a dot import", "internal/book/x.go", clean("import . \"strings\"\n"), "imported with a dot"},
		{"a package without a layer", "internal/cattle/x.go", clean(""), "not among the layers"},
		{"a name that says nothing", "internal/book/util.go", clean(""), "says nothing"},
		{"a program outside cmd", "internal/book/x.go", "// Command x is a fixture.\npackage main\n", "a program outside cmd"},
		{"no package comment", "internal/book/x.go", "package x\n", "no file has a package comment"},
		{"a package comment in a test only", "internal/book/x_test.go", "// Package x is a fixture.\npackage x\n", "no file has a package comment"},
		{"a file of 800 lines", "internal/book/x.go", clean(strings.Repeat("\n", 798)), ""},
		{"a file of 801 lines", "internal/book/x.go", clean(strings.Repeat("\n", 799)), "801 lines"},
		{"a generated one", "internal/book/x.go", "// Code generated by hand. DO NOT EDIT.\n\n" + clean(strings.Repeat("\n", 900)), ""},
		{"work left over", "internal/book/x.go", clean("\n// TODO: the rest.\nvar _ int\n"), "a comment with TODO"},
		{"not Go", "internal/book/x.go", "package", "expected"},
	} {
		files := []source{{c.name, []byte(c.text)}}
		if strings.HasSuffix(c.name, "_test.go") && c.want != "no file has a package comment" {
			files = append(files, source{strings.TrimSuffix(c.name, "_test.go") + ".go", []byte(clean(""))})
		}
		got := check(files)
		switch {
		case c.want == "" && len(got) != 0:
			t.Errorf("%s: found %q", c.why, got)
		case c.want != "" && !slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, c.want) }):
			t.Errorf("%s: want %q, found %q", c.why, c.want, got)
		}
	}
}

// The table of layers has no way back up: following it from any package never
// leads to that package again, and what is pure stands on what is pure.
func TestLayersRunDownwards(t *testing.T) {
	var walk func(from string, trail []string)
	walk = func(from string, trail []string) {
		for _, to := range layers[from] {
			if _, listed := layers[to]; !listed {
				t.Errorf("%s may import %s, which is no layer", from, to)
			}
			if slices.Contains(trail, to) {
				t.Fatalf("a circle: %v, %s", trail, to)
			}
			walk(to, append(slices.Clone(trail), to))
		}
	}
	for from, below := range layers {
		walk(from, []string{from})
		if !slices.Contains(pure, from) {
			continue
		}
		for _, to := range below {
			if !slices.Contains(pure, to) && to != "internal/guard" { // it counts panics, and changes no answer
				t.Errorf("%s is pure, %s is not", from, to)
			}
		}
	}
}

// Every direct dependency has its row in DEVELOPERS.md, and every link of the documents
// leads to something that is there.
func TestDocuments(t *testing.T) {
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join(root(t), name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	developers, direct := read("DEVELOPERS.md"), 0
	for line := range strings.Lines(read("go.mod")) {
		module, version, _ := strings.Cut(strings.TrimSpace(line), " ")
		if !strings.HasPrefix(version, "v") || strings.Contains(line, "// indirect") {
			continue
		}
		direct++
		if !strings.Contains(developers, module) {
			// A module beneath another is named with it.
			if at := strings.LastIndex(module, "/modules/"); at < 0 || !strings.Contains(developers, module[at+1:]) {
				t.Errorf("DEVELOPERS.md gives no reason for %s", module)
			}
		}
	}
	if direct < 10 {
		t.Errorf("only %d direct dependencies were found", direct)
	}
	for _, name := range []string{"README.md", "DEVELOPERS.md", "deploy/office.md", "deploy/bench.md", "deploy/scale.md", "openapi/definitions.md", "testdata/hazards/README.md", "testdata/sheets/README.md", "testdata/vectors/README.md"} {
		for _, link := range regexp.MustCompile(`\]\(([^)#\s]+)`).FindAllStringSubmatch(read(name), -1) {
			if strings.Contains(link[1], "://") {
				continue
			}
			if _, err := os.Stat(filepath.Join(root(t), filepath.Dir(name), link[1])); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
}
