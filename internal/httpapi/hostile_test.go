package httpapi_test

import (
	"compress/gzip"
	"io"
	"net/http"
	"runtime"
	"strings"
	"testing"
	"time"

	"byrelog.example/api"
	"byrelog.example/internal/sheet"
)

// repeated gives a head, and then a body again and again up to size bytes.
func repeated(head, body string, size int64) io.Reader {
	return io.MultiReader(strings.NewReader(head), io.LimitReader(&again{text: strings.Repeat(body, 1+(32<<10)/len(body))}, size))
}

type again struct {
	text string
	pos  int
}

func (a *again) Read(p []byte) (int, error) {
	n := copy(p, a.text[a.pos:])
	a.pos = (a.pos + n) % len(a.text)
	return n, nil
}

// heapGrowth measures by how much the heap grows at most until stop is called.
func heapGrowth() (stop func() int64) {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	before, most := int64(m.HeapAlloc), int64(0)
	end, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for tick := time.NewTicker(5 * time.Millisecond); ; {
			select {
			case <-tick.C:
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, int64(m.HeapAlloc)-before)
			case <-end:
				tick.Stop()
				return
			}
		}
	}()
	return func() int64 {
		close(end)
		<-done
		return most
	}
}

// TestHostileUploads is T48 over HTTP: files made to exhaust memory or to hang,
// streamed as they come, are refused (or read to their end, where they are only
// long), soon and with less than 64 MiB; the service goes on and nothing was
// written. It runs alone, since it measures the heap of the whole process.
func TestHostileUploads(t *testing.T) { //nolint:paralleltest // see above
	s := seeded(t)
	head := strings.Join(sheet.Header(), ",") + "\r\n"
	zip := func(in io.Reader) io.Reader {
		r, w := io.Pipe()
		go func() {
			z := gzip.NewWriter(w)
			_, err := io.Copy(z, in)
			if err == nil {
				err = z.Close()
			}
			_ = w.CloseWithError(err)
		}()
		return r
	}
	const half = 512 << 20
	for _, tc := range []struct {
		name string
		body io.Reader
		gzip bool
		code string // "" : taken, with nothing in it
	}{
		{name: "one line of 512 MiB", body: repeated("", "x", half), code: "invalid-file"},
		{name: "one line of 512 MiB behind a header", body: repeated(head, "x", half), code: "invalid-file"},
		{name: "the same, compressed", body: zip(repeated(head, "x", half)), gzip: true, code: "invalid-file"},
		{name: "an open quote", body: repeated(head+`"`, "a,b\r\n", half), code: "invalid-file"},
		{name: "a million columns", body: repeated(head, "x,", 2_000_000), code: "invalid-file"},
		{name: "a header of a million columns", body: repeated("", "x,", 2_000_000), code: "invalid-file"},
		{name: "zero bytes", body: repeated("", "\x00", half), code: "invalid-file"},
		{name: "quotes", body: repeated(head, `"`, half), code: "invalid-file"},
		{name: "half a surrogate", body: repeated("\xff\xfe", "\x00\xd8", 12<<20), code: "invalid-file"},
		{name: "a row cut off behind many", body: repeated(head, strings.Repeat(",", 40)+"\r\n", 8<<20), code: "invalid-file"},
		{name: "blank lines", body: repeated("kind,on\r\n", "\r\n", 8<<20)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			growth := heapGrowth()
			req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.URL+herdPath+"/imports", tc.body)
			if err != nil {
				t.Fatal(err)
			}
			req.Header.Set("Authorization", "Bearer "+s.Admin)
			req.Header.Set("Content-Type", "text/csv")
			if tc.gzip {
				req.Header.Set("Content-Encoding", "gzip")
			}
			rsp, err := http.DefaultClient.Do(req)
			if err != nil {
				// A client that goes on sending may see the connection close before the
				// answer. Then the import says what became of it.
				growth()
				var list api.ImportList
				if get(s, "%s/imports?limit=1", herdPath).Want(http.StatusOK).JSON(&list); tc.code == "" || list.Items[0].State != "failed" {
					t.Fatalf("no answer: %v; the import is %+v", err, list.Items)
				}
				return
			}
			doc, err := io.ReadAll(rsp.Body)
			_ = rsp.Body.Close()
			if err != nil {
				t.Fatal(err)
			}
			if grown := growth(); grown > 64<<20 {
				t.Errorf("the heap grew by %d MiB", grown>>20)
			}
			switch {
			case tc.code == "" && rsp.StatusCode != http.StatusCreated:
				t.Errorf("%s: %.300s", rsp.Status, doc)
			case tc.code != "" && (rsp.StatusCode/100 != 4 || !strings.Contains(string(doc), `"code":"`+tc.code+`"`)):
				t.Errorf("%s: %.300s, want %s", rsp.Status, doc, tc.code)
			}
		})
	}
	var now api.HerdHead
	if get(s, "%s/head", herdPath).Want(http.StatusOK).JSON(&now); now.Seq != int64(scenarioEvents) {
		t.Errorf("the head moved to %d", now.Seq)
	}
}
