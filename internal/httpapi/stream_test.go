package httpapi_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"byrelog.example/internal/book"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/httpapi/httpapitest"
)

// A stream that fails at once is answered with a problem; one that fails later
// is cut off, so that nobody takes the part for the whole.
func TestStreamBreaksOff(t *testing.T) {
	t.Parallel()
	for _, n := range []int{0, 10, 1 << 20} {
		for _, coding := range []string{"identity", "gzip"} {
			var out buffer
			s, err := httpapi.New(nil, httpapi.Config{Log: slog.New(slog.NewTextHandler(&out, nil))})
			if err != nil {
				t.Fatal(err)
			}
			srv := httptest.NewServer(s.BreakingOff(n))
			t.Cleanup(srv.Close)
			req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, srv.URL, nil)
			if err != nil {
				t.Fatal(err)
			}
			req.Header.Set("Accept-Encoding", coding)
			status, whole := 0, false
			if rsp, err := srv.Client().Do(req); err == nil {
				status = rsp.StatusCode
				_, err = io.ReadAll(rsp.Body)
				whole = err == nil && rsp.Body.Close() == nil
			}
			if n == 0 && (status != http.StatusInternalServerError || !whole) || n > 0 && whole {
				t.Errorf("after %d bytes, %s: status %d, whole %v", n, coding, status, whole)
			}
			if got := strings.Count(out.String(), "the disk is gone"); got != 1 {
				t.Errorf("after %d bytes, %s: the log tells of it %d times:\n%s", n, coding, got, out.String())
			}
		}
	}
}

// A client that sends its header too slowly is let go (T31).
func TestSlowHeader(t *testing.T) {
	t.Parallel()
	s := httpapitest.Start(t, httpapitest.Options{})
	r := run(t, s.API)
	var d net.Dialer
	conn, err := d.DialContext(t.Context(), "tcp", strings.TrimPrefix(r.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if _, err := io.WriteString(conn, "GET /healthz HTTP/1.1\r\nHost: x\r\nX-Slow: "); err != nil {
		t.Fatal(err)
	}
	start := time.Now()
	if err := conn.SetReadDeadline(start.Add(15 * time.Second)); err != nil {
		t.Fatal(err)
	}
	_, err = io.ReadAll(conn)
	var timeout net.Error
	if took := time.Since(start); errors.As(err, &timeout) && timeout.Timeout() || took > 8*time.Second {
		t.Errorf("still connected after %v", took)
	}
}

func TestAsOf(t *testing.T) {
	t.Parallel()
	utc := func(s string) time.Time {
		at, err := time.Parse(time.RFC3339Nano, s)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	for _, c := range []struct {
		in, zone string
		want     book.AsOf
		bad      bool
	}{
		{"", "UTC", book.AsOf{}, false},
		{"17", "UTC", book.AsOf{Seq: 17}, false},
		{"0", "UTC", book.AsOf{}, true},
		{"2026-06-30T12:00:00+02:00", "UTC", book.AsOf{Time: utc("2026-06-30T10:00:00Z")}, false},
		{"2026-06-30", "UTC", book.AsOf{Time: utc("2026-06-30T23:59:59.999999Z")}, false},
		{"2026-06-30", "Europe/Dublin", book.AsOf{Time: utc("2026-06-30T22:59:59.999999Z")}, false},
		// The day on which Dublin's clocks go forward has 23 hours.
		{"2026-03-29", "Europe/Dublin", book.AsOf{Time: utc("2026-03-29T22:59:59.999999Z")}, false},
		{"2026-03-28", "Europe/Dublin", book.AsOf{Time: utc("2026-03-28T23:59:59.999999Z")}, false},
		{"2026-12-31", "America/Chicago", book.AsOf{Time: utc("2027-01-01T05:59:59.999999Z")}, false},
		{"2026-02-30", "UTC", book.AsOf{}, true},
		{"2026-06-30T24:00:00Z", "UTC", book.AsOf{}, true},
		{"1815-06-18", "UTC", book.AsOf{}, true},
	} {
		got, err := httpapi.AsOf(c.in, c.zone)
		if (err != nil) != c.bad || !c.bad && (got.Seq != c.want.Seq || !got.Time.Equal(c.want.Time)) {
			t.Errorf("%q in %s: %+v, %v; want %+v", c.in, c.zone, got, err, c.want)
		}
	}
}

func FuzzAsOf(f *testing.F) {
	for _, s := range []string{"", "1", "2026-06-30", "2026-06-30T12:00:00.5Z", "-", "T", "99999999999999999999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if _, err := httpapi.AsOf(s, "Europe/Dublin"); err != nil && httpapi.StatusOf(err) != http.StatusBadRequest {
			t.Fatalf("%q: %v", s, err)
		}
	})
}

func FuzzIdempotencyKey(f *testing.F) {
	for _, s := range []string{"", "a", `"a"`, `""`, `"`, "a b", strings.Repeat("x", 129)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		key, err := httpapi.IdempotencyKey(http.Header{"Idempotency-Key": {s}})
		if err == nil && s != "" && (key == "" || len(key) > 128 || strings.ContainsAny(key, " \"\r\n\x00")) {
			t.Fatalf("%q was taken as %q", s, key)
		}
	})
}

func FuzzInflate(f *testing.F) {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	_, _ = z.Write(bytes.Repeat([]byte("row\n"), 100))
	_ = z.Close()
	f.Add(b.Bytes())
	f.Add(b.Bytes()[:20])
	f.Add(append(b.Bytes(), b.Bytes()...))
	f.Add([]byte("not gzip"))
	f.Fuzz(func(t *testing.T, raw []byte) {
		const most = 500
		out, err := httpapi.Inflate(raw, most)
		if len(out) > most {
			t.Fatalf("%d bytes came out", len(out))
		}
		if status := 0; err != nil {
			status = httpapi.StatusOf(err)
			if status != http.StatusBadRequest && status != http.StatusRequestEntityTooLarge || errors.Is(err, io.ErrUnexpectedEOF) {
				t.Fatalf("%d %v", status, err)
			}
		}
	})
}
