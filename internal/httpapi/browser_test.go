package httpapi_test

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"

	"byrelog.example/internal/httpapi/httpapitest"
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
		t.Fatal("there is no Chromium, and CI has to try the docs page in one")
	}
	t.Skip("SKIPPED, NOT TESTED: the docs page in a real browser (no Chromium here; Debian: apt-get install chromium)")
	return ""
}

// The docs page in a real browser: its own rules for what a page may load let
// the style sheet through and nothing fails, and every operation of the contract
// can be reached from the top.
func TestDocsInABrowser(t *testing.T) {
	t.Parallel()
	path := browser(t)
	s := httpapitest.Start(t, httpapitest.Options{})
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, path, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
		"--disable-background-networking", "--disable-component-update", "--disable-sync", "--enable-logging=stderr",
		"--user-data-dir="+t.TempDir(), "--window-size=400,900", "--dump-dom", s.URL+"/docs")
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
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	dom := page.String()
	for _, item := range doc.Paths.Map() {
		for _, op := range item.Operations() {
			if !strings.Contains(dom, `href="#`+op.OperationID+`"`) || !strings.Contains(dom, `id="`+op.OperationID+`"`) {
				t.Errorf("the page does not lead to %s", op.OperationID)
			}
		}
	}
}
