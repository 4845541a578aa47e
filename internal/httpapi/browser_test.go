package httpapi_test

import (
	"bytes"
	"context"
	"fmt"
	"html"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"

	"byrelog.example/internal/httpapi/httpapitest"
	"byrelog.example/internal/repro"
	"byrelog.example/openapi"
)

// browser finds a Chromium. Debian's package chromium is one; .ci/run installs
// it, and says so.
func browser(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv("CI") != "" {
		t.Fatal("there is no Chromium, and CI has to try the pages in one")
	}
	t.Skip("SKIPPED, NOT TESTED: pages in a real browser (no Chromium here; Debian: apt-get install chromium)")
	return ""
}

// browse runs the browser, which may not complain, and gives what it prints.
func browse(t *testing.T, path string, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, path, append([]string{
		"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
		"--disable-background-networking", "--disable-component-update", "--disable-sync", "--enable-logging=stderr",
		"--user-data-dir=" + t.TempDir(),
	}, args...)...)
	var page, log bytes.Buffer
	cmd.Stdout, cmd.Stderr = &page, &log
	if err := cmd.Run(); err != nil {
		t.Fatalf("%v\n%s", err, log.Bytes())
	}
	for line := range strings.Lines(log.String()) {
		if strings.Contains(line, "CONSOLE") {
			t.Errorf("the browser complains: %s", line)
		}
	}
	return page.String()
}

// The docs page in a real browser: its own rules for what a page may load let
// the style sheet through and nothing fails, and every operation of the contract
// can be reached from the top.
func TestDocsInABrowser(t *testing.T) {
	t.Parallel()
	path := browser(t)
	s := httpapitest.Start(t, httpapitest.Options{})
	dom := browse(t, path, "--window-size=400,900", "--dump-dom", s.URL+"/docs")
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	for _, item := range doc.Paths.Map() {
		for _, op := range item.Operations() {
			if !strings.Contains(dom, `href="#`+op.OperationID+`"`) || !strings.Contains(dom, `id="`+op.OperationID+`"`) {
				t.Errorf("the page does not lead to %s", op.OperationID)
			}
		}
	}
}

// Work lists on paper, laid out by a real browser: no table is wider than the narrower
// of the two papers lets it be, and each pen begins a sheet, on A4 and on Letter.
func TestListsOnPaper(t *testing.T) {
	t.Parallel()
	path := browser(t)
	s := seeded(t)
	var events []string
	for i := range 60 {
		pen := "the first pen"
		if i < 12 {
			pen = fmt.Sprintf("p%d", i%3)
		}
		cow := fmt.Sprintf("%04d", 6000+i)
		if i == 0 {
			cow = strings.Repeat("W", 32) // as long as a number may be
		}
		events = append(events,
			fmt.Sprintf(`{"animal":%q,"kind":"arrival","on":"2026-01-01","data":{"how":"purchased","parity":3,"pen":%q}}`, cow, pen),
			fmt.Sprintf(`{"animal":%q,"kind":"calving","on":"2026-07-01"}`, cow),
			fmt.Sprintf(`{"animal":%q,"kind":"breeding","on":"2026-10-01","data":{"method":"ai","sire":"b-10%d"}}`, cow, i%10))
	}
	s.Do(httpapitest.Request{Method: http.MethodPost, Path: herdPath + "/events", Token: s.Admin, Type: "application/x-ndjson", Body: strings.Join(events, "\n")}).Want(http.StatusCreated)
	const letter = 259 * 96 * 10 / 254 // pixels between the margins of a Letter sheet, landscape
	for _, list := range repro.Lists() {
		page := string(get(s, "%s/lists/%s.html", herdPath, list.Name).Want(http.StatusOK).Body)
		// The page as a frame as wide as the sheet, and a script that says how wide what is in it is.
		print := strings.Replace(page, "@media print", "@media all", 1)
		outer := `<iframe id="f" width="` + strconv.Itoa(letter) + `" height="9000" style="border:0" srcdoc="` + html.EscapeString(print) + `"></iframe><p id="w"></p>
<script>onload = () => { document.getElementById("w").textContent = "width " + document.getElementById("f").contentDocument.documentElement.scrollWidth + "." }</script>`
		dom := browse(t, path, "--window-size=1400,900", "--dump-dom", file(t, "frame.html", outer))
		if !strings.Contains(dom, fmt.Sprintf(">width %d.<", letter)) {
			_, wide, _ := strings.Cut(dom, `<p id="w">`)
			t.Errorf("%s does not fit %d pixels: %.40s", list.Name, letter, wide)
		}
	}
	walk := string(get(s, "%s/lists/walk.html", herdPath).Want(http.StatusOK).Body)
	pens := strings.Count(walk, `<section class="sheet">`)
	for _, paper := range []string{"A4", "Letter"} {
		out := filepath.Join(t.TempDir(), "walk.pdf")
		browse(t, path, "--no-pdf-header-footer", "--print-to-pdf="+out, file(t, "walk.html", strings.Replace(walk, "size: landscape", "size: "+paper+" landscape", 1)))
		pdf, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		// The pens with four cows have a sheet each; the 48 cows of another fill three.
		sheets := len(regexp.MustCompile(`/Type\s*/Page\b`).FindAll(pdf, -1))
		if pens < 5 || sheets < pens+2 || sheets > pens+4 {
			t.Errorf("%d sheets of %s for %d pens", sheets, paper, pens)
		}
	}
}

// file writes a page and gives its address.
func file(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return "file://" + path
}
