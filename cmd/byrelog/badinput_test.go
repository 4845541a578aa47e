package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// wrong is a command line that must fail: in one line on stderr, with nothing on
// standard output, with the code, and with words that help.
type wrong struct {
	name string
	c    call
	code int
	want []string
}

func (w wrong) check(t *testing.T) {
	t.Helper()
	r := w.c.run(t)
	if r.code != w.code {
		t.Errorf("exit code %d, not %d", r.code, w.code)
	}
	if strings.Count(r.err, "\n") != 1 || !strings.HasSuffix(r.err, "\n") || !strings.HasPrefix(r.err, "byrelog: ") {
		t.Errorf("not one line: %q", r.err)
	}
	if r.out != "" {
		t.Errorf("standard output: %.500q", r.out)
	}
	if w.code == exitUsage {
		contains(t, r.err, "--help)")
	}
	contains(t, r.err, w.want...)
}

func checkAll(t *testing.T, list []wrong) {
	t.Helper()
	for _, w := range list {
		name := w.name
		if name == "" {
			name = strings.Join(w.c.args, " ")
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w.check(t)
		})
	}
}

// Command lines that are wrong in themselves.
func TestWrongUsage(t *testing.T) {
	t.Parallel()
	env := []string{"BYRELOG_SERVER=http://127.0.0.1:1", "BYRELOG_TOKEN=x"}
	line := func(s string) call { return call{env: env, args: strings.Fields(s)} }
	var list []wrong
	for _, w := range [][2]string{
		{"frobnicate", `unknown command "frobnicate"`},
		{"exchange frobnicate", `exchange has no command "frobnicate"`},
		{"exchange export alder-row --json", "--json tells of an export into a file"},
		{"serve --listen nowhere --exchange-source bücher", "--exchange-source"},
		{"token frobnicate", `token has no command "frobnicate"`},
		{"token", "token wants one of its commands"},
		{"herd list extra", "unknown command"},
		{"import", "accepts between 1 and 2 arg(s)"},
		{"import some-herd", "name the herd before the file"},
		{"animal show some-herd", "accepts 2 arg(s)"},
		{"export", "accepts 1 arg(s)"},
		{"herd create a b", "accepts 1 arg(s)"},
		{"list some-herd", "accepts 2 arg(s)"},
		{"list some-herd hoof", "hoof is no list; the lists are walk, examine"},
		{"visit hoof", "hoof is no list; the lists are walk, examine"},
		{"list some-herd walk --on 2026-13-01", "YYYY-MM-DD"},
		{"list some-herd walk --csv --json", "exclude each other"},
		{"list some-herd walk --profile spreadsheet", "go with --csv"},
		{"checks some-herd --csv --profile machine", "choose interchange or spreadsheet"},
		{"export some-herd --profile spreadsheet --delimiter pipe", "choose comma, semicolon or tab"},
		{"export some-herd --delimiter tab", "always separated by commas"},
		{"checks some-herd --csv --json", "exclude each other"},
		{"checks some-herd --import seven", "--import seven"},
		{"checks", "accepts 1 arg(s)"},
		{"technicians extra", "unknown command"},
		{"indices some-herd --colour red", "unknown flag: --colour"},
		{"serve --import-mib 0", "--import-mib 0: it is 1 to"},
		{"serve --cache-mib lots", "--cache-mib"},
		{"serve --log-level loud", "debug, info, warn or error"},
		{"serve extra", "unknown command"},
		{"demo --years 1", "--years 1: 2 to 8"},
		{"demo --years 9", "--years 9: 2 to 8"},
		{"migrate", "migrate needs --database-url"},
		{"indices some-herd --from 2026-13", "2026-13"},
		{"indices some-herd --to 31.12.2026", "YYYY-MM-DD"},
		{"summary --on yesterday", "YYYY-MM-DD"},
		{"events list some-herd --from 2026-02-30", "2026-02-30"},
		{"events list some-herd --after x", "--after"},
		{"animal show some-herd 1 --on 2026-00-01", "2026-00-01"},
		{"policy set some-herd p.json", "--from is needed"},
		{"policy set some-herd p.json --from 1.1.2026", "YYYY-MM-DD"},
		{"token create x", "--grant"},
		{"token create x --grant some-herd", "HERD=SCOPE"},
		{"token create x --grant some-herd=write", "read, record or manage"},
		{"token create x --grant SOME=read", "HERD a herd's name"},
		{"token create x --admin --days -1", "--days -1"},
		{"token create x --admin --days 9999", "--days 9999"},
		{"token revoke x", "byrelog token list"},
		{"verify", "--herd"},
		{"verify f.csv --herd some-herd", "--herd"},
		{"import some-herd f.csv --dry-run --rejects r.csv", "a dry run keeps nothing"},
		{"simulate --cows -1", "cows"},
		{"simulate --years 0", "--years 0"},
		{"simulate --herd X", "2 to 40"},
		{"simulate --last 2026-02-30", "2026-02-30"},
		{"herd list --server 127.0.0.1:8480", "it is an address such as"},
		{"herd list --server ftp://example.invalid", "it is an address such as"},
		{"herd list --token-file no-such-file --server http://[::1]", "no-such-file"},
	} {
		s, want := w[0], w[1]
		list = append(list, wrong{c: line(s), code: exitUsage, want: []string{want}})
	}
	list = append(list,
		wrong{name: "no token", c: call{env: env[:1], args: []string{"herd", "list"}}, code: exitUsage, want: []string{"BYRELOG_TOKEN", "--token-file"}},
		wrong{name: "variable", c: call{env: append([]string{"BYRELOG_FROM=soon"}, env...), args: []string{"indices", "some-herd"}}, code: exitUsage, want: []string{"BYRELOG_FROM", "YYYY-MM-DD"}},
		wrong{name: "variable of a number", c: call{env: []string{"BYRELOG_CACHE_MIB=x"}, args: []string{"serve"}}, code: exitUsage, want: []string{"BYRELOG_CACHE_MIB"}},
	)
	checkAll(t, list)
}

// Every command that talks to a service says so when there is none.
func TestNoService(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	csv, doc := write(t, dir, "f.csv", "kind,on,animal,pen\nmove,2026-01-01,1,a\n"), write(t, dir, "p.json", "{}")
	events := write(t, dir, "e.ndjson", `{"kind":"move"}`+"\n")
	base := "http://" + closedPort(t)
	var list []wrong
	for _, args := range [][]string{
		{"token", "create", "x", "--admin"},
		{"token", "list"},
		{"token", "revoke", "00000000-0000-4000-8000-000000000000"},
		{"herd", "create", "some-herd"},
		{"herd", "list"},
		{"policy", "show", "some-herd"},
		{"policy", "set", "some-herd", doc, "--from", "2026-01-01"},
		{"import", "some-herd", csv},
		{"import", "some-herd", csv, "--dry-run"},
		{"export", "some-herd"},
		{"export", "some-herd", "-o", filepath.Join(dir, "out.csv")},
		{"mapping", "put", "m", doc},
		{"mapping", "show", "m"},
		{"mapping", "list"},
		{"events", "append", "some-herd", events},
		{"events", "list", "some-herd"},
		{"events", "list", "some-herd", "--follow"},
		{"animal", "show", "some-herd", "1"},
		{"animal", "eligible", "some-herd", "1"},
		{"animal", "list", "some-herd"},
		{"indices", "some-herd"},
		{"indices", "some-herd", "--evidence", "days_open"},
		{"summary"},
		{"verify", "--herd", "some-herd"},
	} {
		list = append(list, wrong{
			name: strings.Join(args[:min(2, len(args))], " ") + " " + args[len(args)-1], code: exitRefused,
			c:    call{env: []string{"BYRELOG_SERVER=" + base, "BYRELOG_TOKEN=x"}, args: args},
			want: []string{"no service answers at " + base, "--server sets another address"},
		})
	}
	checkAll(t, list)
	t.Cleanup(func() {
		if names, _ := filepath.Glob(filepath.Join(dir, "out.csv*")); len(names) > 0 {
			t.Errorf("a failed export left %q", names)
		}
	})
}

// What the service refuses is told in one line with what to do.
func TestRefused(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "refused-herd")
	dir := t.TempDir()
	file := func(name, text string) string { return write(t, dir, name, text) }
	sheet := file("sheet.csv", "kind,on,animal,pen\nmove,2026-01-01,1,a\n")
	good := file("good.ndjson", `{"kind":"move","on":"2026-01-01","animal":"1","data":{"pen":"a"}}`+"\n")
	missing := filepath.Join(dir, "no-such-file")
	as := func(token string, args ...string) call {
		c := s.call(args...)
		c.env[1] = "BYRELOG_TOKEN=" + token
		return c
	}
	stdin := func(c call, text string) call { c.in = strings.NewReader(text); return c }
	list := []wrong{
		{name: "wrong token", c: as("wrong", "herd", "list"), want: []string{"401"}},
		{name: "token with a line end", c: as("wrong\nX-Other: 1", "herd", "list"), code: exitUsage, want: []string{"was more copied than the token?"}},
		{name: "server is another", c: call{env: []string{"BYRELOG_TOKEN=x"}, args: []string{"herd", "list", "--server", s.base + "/docs"}}, want: []string{"404"}},
		{name: "herd there already", c: s.call("herd", "create", herd), want: []string{"409"}},
		{name: "herd of a bad name", c: s.call("herd", "create", "Alder Row"), want: []string{"422"}},
		{name: "herd of a bad zone", c: s.call("herd", "create", "zone-herd", "--zone", "Middle/Earth"), want: []string{"zone"}},
		{name: "unknown cow", c: s.call("animal", "show", herd, "9999"), want: []string{"no animal of this number"}},
		{name: "unknown cow eligible", c: s.call("animal", "eligible", herd, "9999"), want: []string{"no animal of this number"}},
		{name: "bad status", c: s.call("animal", "list", herd, "--status", "In Calf"), want: []string{"status"}},
		{name: "bad kind", c: s.call("events", "list", herd, "--kind", "party"), want: []string{"kind"}},
		{name: "method of another list", c: s.call("list", herd, "breed", "--method", "blood"), want: []string{"method", "diagnose"}},
		{name: "short form of another list", c: s.call("visit", "breed", "--short"), want: []string{"short", "walk"}},
		{name: "days of the walk list", c: s.call("list", herd, "walk", "--days", "3"), want: []string{"days"}},
		{name: "days below none", c: s.call("list", herd, "calve", "--days", "-1"), want: []string{"days"}},
		{name: "checks of an unknown cow", c: s.call("checks", herd, "--animal", "9999"), want: []string{"no animal of this number"}},
		{name: "checks of a bad severity", c: s.call("checks", herd, "--severity", "fatal"), want: []string{"severity"}},
		{name: "technicians of an unknown herd", c: s.call("technicians", "--herd", "no-such-herd"), want: []string{"there is no herd of this name"}},
		{name: "bad index", c: s.call("indices", herd, "--key", "luck"), want: []string{"luck"}},
		{name: "bad group", c: s.call("indices", herd, "--by", "moon"), want: []string{"by: none of these indices is grouped so"}},
		{name: "bad evidence", c: s.call("indices", herd, "--evidence", "luck"), want: []string{"no such index"}},
		{name: "from after to", c: s.call("indices", herd, "--from", "2026-02-01", "--to", "2026-01-01"), want: []string{"from"}},
		{name: "summary of an unknown herd", c: s.call("summary", "--herd", "no-such-herd"), want: []string{"there is no herd of this name"}},
		{name: "unknown token", c: s.call("token", "revoke", "00000000-0000-4000-8000-000000000000"), want: []string{"404"}},
		{name: "token for an unknown herd", c: s.call("token", "create", "x", "--grant", "no-such-herd=read"), want: []string{"there is no herd of this name"}},
		{name: "unknown mapping", c: s.call("mapping", "show", "nothing"), want: []string{"404", "nothing"}},
		{name: "import with an unknown mapping", c: s.call("import", herd, sheet, "--mapping", "nothing"), want: []string{"nothing"}},
		{name: "mapping that is none", c: s.call("mapping", "put", "bad", file("bad.yaml", "columns: [")), want: []string{"422"}},
		{name: "mapping with an unknown word", c: s.call("mapping", "put", "bad", file("odd.yaml", "colour: red\n")), want: []string{"colour"}},
		{name: "mapping that is empty", c: s.call("mapping", "put", "bad", file("empty.yaml", "")), want: []string{"mapping"}},
		{name: "mapping that is a sheet", c: s.call("mapping", "put", "bad", sheet), want: []string{"mapping"}},
		{name: "mapping of a bad name", c: s.call("mapping", "put", "Bad Name", sheets+"messy.yaml"), want: []string{"name"}},
		{name: "mapping file missing", c: s.call("mapping", "put", "bad", missing), want: []string{missing}},
		{name: "policy file missing", c: s.call("policy", "set", herd, missing, "--from", "2026-01-01"), want: []string{missing}},
		{name: "policy not JSON", c: s.call("policy", "set", herd, file("p.txt", "wait: 70"), "--from", "2026-01-01"), want: []string{"p.txt is not JSON"}},
		{name: "policy too large", c: stdin(s.call("policy", "set", herd, "-", "--from", "2026-01-01"), strings.Repeat(" ", 2<<20)), want: []string{"larger than 1 MiB"}},
		{name: "import file missing", c: s.call("import", herd, missing), want: []string{missing}},
		{name: "import of a folder", c: s.call("import", herd, dir), want: []string{dir + " is a folder"}},
		{name: "verify of a folder", c: call{args: []string{"verify", dir}}, want: []string{dir + " is a folder"}},
		{name: "verify file missing", c: call{args: []string{"verify", missing}}, want: []string{missing}},
		{name: "import of JSON", c: s.call("import", herd, good), want: []string{"nothing was written"}},
		{name: "import of an image", c: stdin(s.call("import", herd, "-"), "\x89PNG\r\n\x1a\n\x00\x00"), want: []string{"nothing was written"}},
		{name: "dry run of an empty file", c: stdin(s.call("import", herd, "-", "--dry-run"), ""), want: []string{"nothing was written"}},
		{name: "append file missing", c: s.call("events", "append", herd, missing), want: []string{missing}},
		{name: "append of a folder", c: s.call("events", "append", herd, dir), want: []string{"is a folder"}},
		{name: "append not JSON", c: stdin(s.call("events", "append", herd, "-"), "move 1 to a\n"), want: []string{"line 1", "nothing was written"}},
		{name: "append of an array", c: stdin(s.call("events", "append", herd, "-"), "[1,2]\n"), want: []string{"line 1"}},
		{name: "append of a line too long", c: stdin(s.call("events", "append", herd, "-"), `{"note":"`+strings.Repeat("x", 70<<10)+`"}`+"\n"), want: []string{"line 1 has more than"}},
		{name: "append of an unknown kind", c: stdin(s.call("events", "append", herd, "-"), `{"kind":"party","on":"2026-01-01","animal":"1"}`+"\n"), want: []string{"line 1", "kind"}},
		{name: "append of the future", c: stdin(s.call("events", "append", herd, "-"), `{"kind":"move","on":"2190-01-01","animal":"1","data":{"pen":"a"}}`+"\n"), want: []string{"line 1", "future"}},
		{name: "append of a doubled member", c: stdin(s.call("events", "append", herd, "-"), `{"kind":"move","kind":"move","on":"2026-01-01","animal":"1","data":{"pen":"a"}}`+"\n"), want: []string{"line 1", "kind"}},
		{name: "append to another's herd", c: stdin(s.call("events", "append", herd, "-"), `{"herd":"other","kind":"move","on":"2026-01-01","animal":"1","data":{"pen":"a"}}`+"\n"), want: []string{"line 1", "herd"}},
		{name: "export to nowhere", c: s.call("export", herd, "-o", filepath.Join(missing, "x.csv")), want: []string{"cannot write " + filepath.Join(missing, "x.csv")}},
		{name: "export over a folder", c: s.call("export", herd, "-o", dir), want: []string{dir}},
		{name: "database nowhere", c: call{args: []string{"migrate", "--database-url", "postgres://x@" + closedPort(t) + "/byrelog"}}, want: []string{"database"}},
		{name: "database of a bad URL", c: call{args: []string{"migrate", "--database-url", "mysql://somewhere"}}, want: []string{"database URL"}},
		{name: "token in a database nowhere", c: call{args: []string{"token", "create", "x", "--admin", "--database-url", "postgres://x@" + closedPort(t) + "/byrelog"}}, want: []string{"database"}},
		{name: "serve on a database nowhere", c: call{args: []string{"serve", "--listen", "127.0.0.1:0", "--migrate", "--database-url", "postgres://x:secret@" + closedPort(t) + "/byrelog"}}, want: []string{"database"}},
		{name: "serve on a port in use", c: call{args: []string{"serve", "--listen", strings.TrimPrefix(s.base, "http://"), "--data-dir", filepath.Join(area, "never")}}, want: []string{"is byrelog running already? --listen sets another address"}},
		{name: "serve on no address", c: call{args: []string{"serve", "--listen", "nowhere", "--data-dir", filepath.Join(area, "never")}}, want: []string{"cannot listen on nowhere"}},
		{name: "serve in a folder in use", c: call{args: []string{"serve", "--listen", "127.0.0.1:0", "--data-dir", s.dir}}, want: []string{"in use by process", "stop that one first, or give another folder"}},
		{name: "serve in a file", c: call{args: []string{"serve", "--listen", "127.0.0.1:0", "--data-dir", sheet}}, want: []string{"database folder", sheet}},
	}
	for _, args := range [][]string{
		{"policy", "show", "no-such-herd"},
		{"policy", "set", "no-such-herd", file("ok.json", "{}"), "--from", "2026-01-01"},
		{"import", "no-such-herd", sheet},
		{"import", "no-such-herd", sheet, "--dry-run"},
		{"export", "no-such-herd"},
		{"events", "append", "no-such-herd", good},
		{"events", "list", "no-such-herd"},
		{"events", "list", "no-such-herd", "--follow"},
		{"animal", "show", "no-such-herd", "1"},
		{"animal", "eligible", "no-such-herd", "1"},
		{"animal", "list", "no-such-herd"},
		{"list", "no-such-herd", "walk"},
		{"list", "no-such-herd", "walk", "--csv"},
		{"checks", "no-such-herd"},
		{"indices", "no-such-herd"},
		{"indices", "no-such-herd", "--evidence", "days_open"},
		{"verify", "--herd", "no-such-herd"},
	} {
		list = append(list, wrong{name: "unknown herd " + strings.Join(args, " "), c: s.call(args...), want: []string{"there is no herd of this name that the token may use"}})
	}
	for i := range list {
		if list[i].code == exitDone {
			list[i].code = exitRefused
		}
	}
	t.Run("each", func(t *testing.T) { checkAll(t, list) })

	// Nothing of it left a trace.
	if out := s.call("events", "list", herd, "--all").must(t); out != "" {
		t.Errorf("the log has\n%.500s", out)
	}
	if out := s.call("mapping", "list").must(t); strings.Contains(out, "bad") {
		t.Errorf("a refused mapping is listed:\n%s", out)
	}
	if _, err := os.Stat(filepath.Join(area, "never")); err == nil {
		t.Error("a service that could not listen made its folder")
	}
	if names, _ := filepath.Glob(filepath.Join(dir, "*.part")); len(names) > 0 {
		t.Errorf("left behind: %q", names)
	}
}

// A file that root may read and others not is the same to root, so this is for
// others.
func TestUnreadableFile(t *testing.T) {
	t.Parallel()
	file := write(t, t.TempDir(), "secret.csv", "kind,on\n")
	if err := os.Chmod(file, 0); err != nil {
		t.Fatal(err)
	}
	c := call{args: []string{"verify", file}}
	if os.Geteuid() == 0 {
		// What root can be refused as well: reading itself.
		file = "/proc/self/mem"
		if _, err := os.Stat(file); err != nil {
			return
		}
		c.args[1] = file
	}
	wrong{c: c, code: exitRefused, want: []string{file}}.check(t)
}

// Ctrl-C ends a command with one word and code 1.
func TestInterrupted(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "interrupted-herd")
	reader, writer, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _, _ = reader.Close(), writer.Close() }()
	cmd := s.call("import", herd, "-").command(t.Context())
	errs := newOutput()
	cmd.Stdin, cmd.Stderr = reader, errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := writer.WriteString("kind,on,animal,pen\nmove,2026-01-01,1,a\n"); err != nil {
		t.Fatal(err)
	}
	// The upload is under way, and its end never comes.
	for deadline := time.Now().Add(30 * time.Second); len(s.imports(t, herd)) == 0; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("no upload begins: %s", errs.String())
		}
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if cmd.ProcessState.ExitCode() != exitRefused || errs.String() != "byrelog: stopped\n" {
		t.Errorf("exit code %d: %q", cmd.ProcessState.ExitCode(), errs.String())
	}
	if out := s.call("events", "list", herd, "--all").must(t); out != "" {
		t.Errorf("half an upload wrote\n%.500s", out)
	}
}
