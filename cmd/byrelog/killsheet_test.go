package main

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// Without notes: their salt is made at random, so that two services never have the
// same bytes.
const killMapping = `version: 1
source: county
delimiter: ","
dates: iso
herd: Farm
key: [No]
on_change: amend
on_vanish: void
fields: {animal: Cow, on: Date}
events:
- kind: breeding
  fields: {sire: Bull, method: {const: ai}}
`

// countySheet is a file over three herds in the state of a night: rows are
// edited, edited back, gone and new.
func countySheet(herds []string, night int) string {
	var b strings.Builder
	b.WriteString("No,Farm,Cow,Date,Bull\r\n")
	for i := range 12_000 + 500*night {
		bull := "S-1"
		switch {
		case night == 1 && i%7 == 0:
			bull = "S-2" // and back to S-1 the night after
		case night == 2 && i%11 == 0:
			bull = "S-3"
		}
		if night == 2 && i%13 == 0 {
			continue
		}
		fmt.Fprintf(&b, "%d,%s,%04d,2025-%02d-%02d,%s\r\n", i, herds[i%len(herds)], i%800, 1+i%12, 1+i%28, bull)
	}
	return b.String()
}

// SIGKILL in the middle of the nightly file over many herds, at a random point,
// three nights running: after the restart every herd's log is event for event
// that of an undisturbed service, voids and restatements included, and the file
// sent again adds nothing.
//
// BYRELOG_KILL_SEED sets the points.
func TestKillDuringNights(t *testing.T) {
	t.Parallel()
	seed := number64(t, "BYRELOG_KILL_SEED", time.Now().UnixNano()%1_000_000)
	t.Logf("BYRELOG_KILL_SEED=%d", seed)
	random := rand.New(rand.NewPCG(uint64(seed), 3))
	herds := []string{"night-a", "night-b", "night-c"}
	calm := work(t)
	dir := filepath.Join(folder(t), "nights")
	s := mustServe(t, dir)
	token := s.token
	mapping := write(t, t.TempDir(), "county.yaml", killMapping)
	for _, h := range herds {
		calm.herd(t, h)
		s.herd(t, h)
	}
	calm.call("mapping", "put", "kill-county", mapping).must(t)
	s.call("mapping", "put", "kill-county", mapping).must(t)
	total := func(s *server) (n int64) {
		for _, h := range herds {
			seq, err := s.seq(t.Context(), h)
			if err != nil {
				t.Fatal(err)
			}
			n += seq
		}
		return n
	}
	for night := range 3 {
		file := write(t, t.TempDir(), "county.csv", countySheet(herds, night))
		args := []string{file, "--mapping", "kill-county", "--max-voids", "20000"}
		was := total(calm)
		undisturbed := calm.takeIn(t, 0, args...)
		written := total(calm) - was
		if night > 0 && undisturbed.Amended == 0 || night == 2 && undisturbed.Withdrawn == 0 {
			t.Fatalf("night %d: %+v", night, undisturbed)
		}

		cmd := s.call(append([]string{"import"}, args...)...).command(t.Context())
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		target := was + int64((random.Float64()-0.2)*float64(written))
		for deadline := time.Now().Add(time.Minute); total(s) < target && time.Now().Before(deadline); {
			time.Sleep(time.Millisecond)
		}
		time.Sleep(time.Duration(random.IntN(60)) * time.Millisecond)
		seen := total(s) - was
		s.kill()
		_ = cmd.Wait() // it was cut off, or had ended

		s = mustServe(t, dir)
		s.token = token
		for _, h := range herds {
			s.settled(t, h)
		}
		t.Logf("night %d: killed after %d of %d events, %d after the restart", night, seen, written, total(s)-was)
		if after := total(s) - was; after < seen || after != 0 && after != written {
			t.Errorf("night %d: %d events were in, %d after the restart, %d of an undisturbed import", night, seen, after, written)
		}
		s.takeIn(t, 0, args...)
		if again := s.takeIn(t, 0, args...); again.Appended+again.Amended+again.Withdrawn != 0 || again.AlreadyThere != again.Events {
			t.Errorf("night %d: sent again: %+v", night, again)
		}
		for _, h := range herds {
			contains(t, s.call("verify", "--herd", h).must(t), "is sound")
			got, want := stated(t, s.call("export", h).must(t)), stated(t, calm.call("export", h).must(t))
			if len(got) != len(want) {
				t.Fatalf("night %d, %s: %d records, and %d of an undisturbed import", night, h, len(got), len(want))
			}
			for i := range got {
				if got[i] != want[i] {
					t.Fatalf("night %d, %s: record %d is\n%q\nand of an undisturbed import\n%q", night, h, i, got[i], want[i])
				}
			}
		}
	}
}
