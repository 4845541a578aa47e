package httpapi_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/guard"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/httpapi/httpapitest"
	"byrelog.example/internal/sheet"
)

// elsewhere are the places whose panic is tried where they are, by the name of the test.
var elsewhere = map[string]string{
	"cmd.input":       "TestPanicsOfTheProgram",
	"cmd.serve":       "TestPanicsOfTheProgram",
	"cmd.tidy":        "TestPanicsOfTheProgram",
	"localpg.wait":    "TestPanicOfTheWaiter",
	"httpapi.request": "TestFaultIsLoggedOnce",
}

// What panics anywhere fails the request or herd that it is for, or nobody where the
// service can do without; the process and the next request live, and the metric tells.
// Every place of the source at which work is guarded is broken once. Not parallel: the
// hook that breaks is the whole process's.
func TestNoPanicEndsTheService(t *testing.T) { //nolint:paralleltest // see above
	quiet := slog.New(slog.DiscardHandler)
	s := httpapitest.Start(t, httpapitest.Options{Now: ticking(), Config: httpapi.Config{Log: quiet}, Book: book.Options{Log: quiet}})
	seedHerd(t, s, "alder-row")
	s.Herd("big")
	for range 4 {
		manyCows(t, s, "big", 400)
	}
	s.Do(httpapitest.Request{Method: http.MethodPut, Path: "/v1/mappings/sheet", Token: s.Admin, Type: "application/yaml", Body: `
version: 1
name: sheet
source: sheet
delimiter: ","
dates: y-m-d
herd: {column: herd, others: keep}
fields: {animal: cow, on: day}
events: [{kind: dry_off}]
`}).Want(http.StatusOK)
	serial := 0
	fresh := func() string { // a herd that nobody has looked at
		serial++
		name := fmt.Sprintf("herd-%d", serial)
		seedHerd(t, s, name)
		return name
	}
	ask := func(path string, args ...any) func() error {
		return func() error { return failed(s, httpapitest.Request{Path: fmt.Sprintf(path, args...)}) }
	}
	appendOne := func(header http.Header) func() error {
		return func() error {
			serial++
			body := fmt.Sprintf(`{"animal":"0412","kind":"move","on":"2026-11-25","data":{"pen":"p%d"}}`, serial)
			return failed(s, httpapitest.Request{Method: http.MethodPost, Path: "/v1/herds/alder-row/events", Type: "application/json", Body: body, Header: header})
		}
	}
	keyed := func() error {
		serial++
		return appendOne(http.Header{"Idempotency-Key": {fmt.Sprintf("%q", fmt.Sprint("key-", serial))}})()
	}
	upload := func() error {
		serial++
		name := fmt.Sprintf("herd-%d", serial)
		s.Herd(name)
		return imported(s, "/v1/herds/"+name+"/imports", "event_id,animal,kind,on\r\n,0412,dry_off,2026-01-01\r\n,0413,dry_off,2026-01-01\r\n")
	}
	cold := func(herd string, wait func() bool) error { // another process, which has nothing in memory
		b := book.New(s.DB, book.Options{Now: clock, Log: quiet})
		defer b.Close()
		h, err := b.Herd(t.Context(), herd)
		if err != nil {
			t.Fatal(err)
		}
		err = b.View(t.Context(), h, book.AsOf{}, func(*book.View) error { return nil })
		for i := 0; i < 200 && !wait(); i++ {
			time.Sleep(20 * time.Millisecond)
		}
		return err
	}
	atOnce := func() bool { return true }
	kept := func() bool { // the snapshot of the herd big
		var seen atomic.Bool
		defer guard.OnDo(func(place string) {
			if place == "repro.unpack" {
				seen.Store(true)
			}
		})()
		if err := cold("big", atOnce); err != nil {
			t.Fatal(err)
		}
		return seen.Load()
	}
	if err := errors.Join(cold("big", kept), appendOne(nil)(), appendOne(nil)()); err != nil { // so that a snapshot is kept, and heads are known
		t.Fatal(err)
	}

	drives := map[string]struct {
		fails bool // whoever asked is told; false: the service does without
		do    func() error
	}{
		"book.gatherer": {true, appendOne(nil)},
		"book.gather":   {true, appendOne(nil)},
		"book.appender": {true, keyed},
		"book.append":   {true, keyed},
		"book.advance": {false, func() error {
			return errors.Join(ask("/v1/herds/alder-row/animals")(), appendOne(nil)())
		}},
		"book.state":  {true, ask("/v1/herds/alder-row/animals")},
		"book.states": {true, ask("/v1/herds/alder-row/animals")},
		"book.fold": {true, func() error {
			return guard.Do("test", func() error { return cold("alder-row", atOnce) })
		}},
		"book.decode": {true, ask("/v1/herds/alder-row/animals?as_of=3")},
		"store.scan":  {true, ask("/v1/herds/alder-row/export.csv")},
		"book.export": {true, ask("/v1/herds/alder-row/export.csv")},
		"book.snapshot": {false, func() error {
			name := fresh()
			for range 3 {
				manyCows(t, s, name, 400)
			}
			before := guard.Counts()["book.snapshot"]
			return cold(name, func() bool { return guard.Counts()["book.snapshot"] > before })
		}},
		"book.restore": {false, func() error { return cold("big", atOnce) }},
		"repro.unpack": {false, func() error {
			if err := cold("big", kept); err != nil { // the panic before has dropped it
				return err
			}
			return cold("big", atOnce)
		}},
		"repro.fold": {true, func() error {
			serial++
			name := fmt.Sprintf("herd-%d", serial)
			s.Herd(name)
			manyCows(t, s, name, 400)
			return ask("/v1/herds/%s/animals", name)()
		}},
		"repro.ask":         {true, func() error { return ask("/v1/herds/%s/indices?from=2026-01-01", fresh())() }},
		"httpapi.both":      {true, ask("/v1/summary?from=2026-01-01&herds=alder-row,big&keys=conception_risk,days_open")},
		"httpapi.herd":      {true, ask("/v1/summary?from=2026-01-02&herds=alder-row,big&keys=conception_risk")},
		"book.read_through": {true, upload},
		"book.seal":         {false, upload},
		"book.imports":      {true, upload},
		"book.import":       {true, upload},
		"book.chunks":       {true, upload},
		"book.part": {true, func() error {
			return imported(s, "/v1/imports?mapping=sheet", "herd,cow,day\r\nalder-row,0412,2026-01-02\r\n")
		}},
		"book.tidy": {false, func() error {
			ctx, end := context.WithCancel(t.Context())
			end()
			s.Book.Tidy(ctx)
			return nil
		}},
		"httpapi.serve": {true, func() error {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			defer func() { _ = l.Close() }()
			return s.API.Serve(t.Context(), l)
		}},
	}

	for _, place := range slices.Sorted(maps.Keys(drives)) {
		d := drives[place]
		before := guard.Counts()[place]
		var once atomic.Bool
		restore := guard.OnDo(func(at string) {
			if at == place && once.CompareAndSwap(false, true) {
				panic("broken by the test at " + place)
			}
		})
		err := d.do()
		restore()
		switch {
		case !once.Load():
			t.Errorf("%s: what drives it does not come by", place)
		case guard.Counts()[place] != before+1:
			t.Errorf("%s: %d panics counted, want one more than %d", place, guard.Counts()[place], before)
		case d.fails != (err != nil):
			t.Errorf("%s: the caller is told %v", place, err)
		}
		// The next one is served, and what was asked is answered as ever.
		if err := errors.Join(ask("/v1/herds/alder-row/animals")(), appendOne(nil)(), keyed()); err != nil {
			t.Errorf("after a panic in %s: %v", place, err)
		}
	}
	if _, err := sheet.VerifyExport(bytes.NewReader(get(s, "/v1/herds/alder-row/export.csv").Want(http.StatusOK).Body)); err != nil {
		t.Error(err)
	}
	body := string(get(s, "/metrics").Want(http.StatusOK).Body)
	if !strings.Contains(body, `byrelog_panics_total{place="book.gather"} 1`) {
		t.Errorf("the metric does not tell: %s", body)
	}

	tests := testNames(t)
	for _, place := range guarded(t) {
		_, driven := drives[place]
		if name := elsewhere[place]; driven == (name != "") || name != "" && !slices.Contains(tests, name) {
			t.Errorf("%s: it is broken by no test, or by two (here: %v, elsewhere: %q)", place, driven, name)
		}
	}
}

// What panics at one herd of a visit leaves the other herds' lists, and names the herd.
// Not parallel: the hook is the whole process's.
func TestVisitWithoutOneHerd(t *testing.T) { //nolint:paralleltest // see above
	s := httpapitest.Start(t, httpapitest.Options{Now: ticking()})
	seedHerd(t, s, "alder-row")
	seedHerd(t, s, "mill-lane")
	for _, form := range []string{"", ".txt", ".html", ".csv"} {
		var once atomic.Bool
		restore := guard.OnDo(func(place string) {
			if place == "httpapi.herd" && once.CompareAndSwap(false, true) {
				panic("broken by the test")
			}
		})
		rsp := get(s, "/v1/lists/walk%s", form).Want(http.StatusOK)
		restore()
		failed := rsp.Header.Values("Byrelog-Failed")
		body := string(rsp.Body)
		if len(failed) != 1 || strings.Contains(body, "broken by the test") {
			t.Fatalf("walk%s: failed %q: %s", form, failed, body)
		}
		there := map[string]string{"alder-row": "mill-lane", "mill-lane": "alder-row"}[failed[0]]
		if form != "" {
			if strings.Contains(body, failed[0]) || !strings.Contains(body, there) {
				t.Errorf("walk%s without %s:\n%s", form, failed[0], body)
			}
			continue
		}
		var v api.Visit
		rsp.JSON(&v)
		if len(v.Herds) != 1 || v.Herds[0].Herd != there || len(v.Failed) != 1 || v.Failed[0].Herd != failed[0] || !strings.Contains(v.Failed[0].Detail, "under the number urn:uuid:") {
			t.Errorf("%+v", v)
		}
	}
	if rsp := get(s, "/v1/lists/walk").Want(http.StatusOK); rsp.Header.Get("Byrelog-Failed") != "" {
		t.Error("a herd fails that nobody breaks")
	}
}

// send gives an answer as it comes, also one that is cut off.
func send(s *httpapitest.Server, r httpapitest.Request) (status int, body string, err error) {
	if r.Method == "" {
		r.Method = http.MethodGet
	}
	req, err := http.NewRequestWithContext(context.Background(), r.Method, s.URL+r.Path, strings.NewReader(r.Body))
	if err != nil {
		return 0, "", err
	}
	for name, values := range r.Header {
		req.Header[name] = values
	}
	req.Header.Set("Authorization", "Bearer "+s.Admin)
	req.Header.Set("Content-Type", r.Type)
	rsp, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		return 0, "", err
	}
	text, err := io.ReadAll(rsp.Body)
	return rsp.StatusCode, string(text), errors.Join(err, rsp.Body.Close())
}

// failed is the failure that an answer tells, or its connection.
func failed(s *httpapitest.Server, r httpapitest.Request) error {
	status, body, err := send(s, r)
	switch {
	case err != nil:
		return err
	case strings.Contains(body, "broken by the test"):
		panic("the client is told the inside of the service: " + body)
	case status >= http.StatusBadRequest:
		return fmt.Errorf("answered %d: %s", status, body)
	}
	return nil
}

// imported sends a file and tells how its import ended.
func imported(s *httpapitest.Server, path, file string) error {
	status, body, err := send(s, httpapitest.Request{Method: http.MethodPost, Path: path, Body: file, Type: "text/csv"})
	switch {
	case err != nil:
		return err
	case status >= http.StatusBadRequest || strings.Contains(body, `"state":"failed"`):
		return fmt.Errorf("answered %d: %s", status, body)
	case !strings.Contains(body, `"state":"done"`):
		panic(fmt.Sprintf("answered %d: %s", status, body))
	}
	return nil
}

// manyCows appends an arrival of each of n cows.
func manyCows(t *testing.T, s *httpapitest.Server, herd string, n int) {
	t.Helper()
	var b strings.Builder
	b.WriteString("[")
	for i := range n {
		if i > 0 {
			b.WriteString(",")
		}
		fmt.Fprintf(&b, `{"animal":"%d-%d","kind":"arrival","on":"2024-01-01","data":{"how":"purchased","sex":"female"}}`, cowSerial.Add(1), i)
	}
	b.WriteString("]")
	s.Do(httpapitest.Request{Method: http.MethodPost, Path: "/v1/herds/" + herd + "/events", Token: s.Admin, Body: b.String()}).Want(http.StatusCreated)
}

var cowSerial atomic.Int64

// guarded are the names under which the source guards work.
func guarded(t *testing.T) []string {
	t.Helper()
	var list []string
	inspect(t, func(name string, file *ast.File) {
		if strings.HasSuffix(name, "_test.go") || strings.Contains(name, "internal/guard/") {
			return
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok {
				return true
			}
			f, ok := call.Fun.(*ast.SelectorExpr)
			if !ok || len(call.Args) == 0 {
				return true
			}
			x, _ := f.X.(*ast.Ident)
			starts := x != nil && x.Name == "guard" && slices.Contains([]string{"Do", "Go", "Beside", "Caught"}, f.Sel.Name)
			through := f.Sel.Name == "commit" && len(call.Args) == 3 // hands its place on
			if lit, ok := call.Args[0].(*ast.BasicLit); ok && (starts || through) {
				place, err := strconv.Unquote(lit.Value)
				if err != nil || slices.Contains(list, place) {
					t.Errorf("%s: the place %s has its name twice", name, lit.Value)
				}
				list = append(list, place)
			}
			return true
		})
	})
	if len(list) < 25 {
		t.Fatalf("only %d places: %v", len(list), list)
	}
	return list
}

func testNames(t *testing.T) []string {
	t.Helper()
	var list []string
	inspect(t, func(name string, file *ast.File) {
		if strings.HasSuffix(name, "_test.go") {
			for _, d := range file.Decls {
				if f, ok := d.(*ast.FuncDecl); ok {
					list = append(list, f.Name.Name)
				}
			}
		}
	})
	return list
}

func inspect(t *testing.T, fn func(name string, file *ast.File)) {
	t.Helper()
	for _, tree := range []string{"../../internal", "../../cmd"} {
		err := filepath.WalkDir(tree, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(name, ".go") {
				return err
			}
			f, err := os.Open(name)
			if err != nil {
				return err
			}
			text, err := io.ReadAll(f)
			if err = errors.Join(err, f.Close()); err != nil {
				return err
			}
			file, err := parser.ParseFile(token.NewFileSet(), name, text, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			fn(filepath.ToSlash(name), file)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}
