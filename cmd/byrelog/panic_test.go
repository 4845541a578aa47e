package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"byrelog.example/internal/guard"
)

// A panic of a goroutine of the program itself is an error in one line, and no trace of
// a crash. Not parallel: the hook is the whole process's.
func TestPanicsOfTheProgram(t *testing.T) { //nolint:paralleltest // see above
	var broken atomic.Pointer[string]
	defer guard.OnDo(func(place string) {
		if at := broken.Load(); at != nil && *at == place {
			panic("broken by the test")
		}
	})()
	at := func(place string) { broken.Store(&place) }

	s := work(t)
	at("cmd.input")
	var out, errs bytes.Buffer
	p := &program{
		args: []string{"import", s.herd(t, "panic-herd"), "-", "--server", s.base, "--token", s.token},
		env:  func(string) (string, bool) { return "", false }, in: strings.NewReader("event_id,animal,kind,on\n"), out: &out, err: &errs,
	}
	if code := run(t.Context(), p); code != exitRefused || strings.Count(errs.String(), "\n") != 1 {
		t.Errorf("exit code %d: %s%s", code, out.String(), errs.String())
	}

	var log bytes.Buffer
	p = &program{env: p.env, in: p.in, out: io.Discard, err: io.Discard}
	served, err := p.open(t.Context(), &serverFlags{listen: "127.0.0.1:0", dataDir: folder(t) + "/pg", quiet: -1}, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	defer served.close()
	at("cmd.serve")
	if err := served.run(t.Context(), nil); err == nil {
		t.Error("the service ended without an error")
	}
	before := guard.Counts()["cmd.tidy"]
	at("cmd.tidy")
	ctx, end := context.WithCancel(t.Context())
	if err := served.run(ctx, func(string) {
		for i := 0; i < 100 && guard.Counts()["cmd.tidy"] == before; i++ {
			time.Sleep(20 * time.Millisecond)
		}
		end()
	}); err != nil || guard.Counts()["cmd.tidy"] == before {
		t.Errorf("without tidying: %v", err)
	}
}
