package bench

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"runtime"
	"runtime/debug"
	"strings"
	"syscall"
	"testing"
	"time"
)

var (
	tableFlag = flag.Bool("table", false, "measure the rows and print their table instead of running tests")
	quickFlag = flag.Bool("quick", false, "with -table: small data and three rounds, for two minutes")
	onlyFlag  = flag.String("only", "", "with -table: the rows to measure, such as a,c")
	roundFlag = flag.Int("rounds", 5, "with -table: how often each pair is measured")
	duckFlag  = flag.String("duck", "", "with -table: the program built from internal/bench/duck; without it the rows beside DuckDB are left out")
	profFlag  = flag.String("profile", "", "with -table: a folder for CPU profiles of our side of the rows a, c, d, f, g, h, i, j and l, one for each round")
	binFlag   = flag.String("byrelog", "", "with -table: the program byrelog, for the row of memory")
)

func TestMain(m *testing.M) {
	flag.Parse()
	if !*tableFlag {
		os.Exit(m.Run())
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := table(ctx)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

// table measures the rows asked for and prints them.
func table(ctx context.Context) error {
	s := full()
	if *quickFlag {
		s = quick()
	} else {
		s.rounds = *roundFlag
	}
	rows, err := pick(*onlyFlag)
	if err != nil {
		return err
	}
	w, err := newWorld(ctx, s)
	if err != nil {
		return err
	}
	defer w.close()
	var lines []line
	var failed []error
	for _, r := range rows {
		began := time.Now()
		say("row %s: %s", r.name, r.ours)
		w.row = r.name
		got, err := r.measure(w)
		if err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			// The rows behind it are worth having all the same.
			failed = append(failed, fmt.Errorf("row %s: %w", r.name, err))
			say("  FAILED: %v", err)
			got = []line{{name: r.name, ours: r.ours, beside: "-", skipped: "failed"}}
		}
		lines = append(lines, got...)
		for i := range got {
			say("  %s (%s)", got[i].short(), time.Since(began).Round(time.Second))
		}
		debug.FreeOSMemory()
	}
	fmt.Println(render(lines))
	fmt.Printf("\nMeasured by `%s`: %s.\n", command(), shape(w))
	if s.small {
		fmt.Println("Quick: a tenth of the data or less and three rounds. These figures show that nothing is broken; those of a full run are the ones to quote.")
	}
	return errors.Join(failed...)
}

// command is what the figures are repeated with.
func command() string {
	words := []string{"deploy/bench"}
	flag.Visit(func(f *flag.Flag) {
		switch f.Name {
		case "quick":
			words = append(words, "--quick")
		case "only", "rounds":
			words = append(words, "--"+f.Name+" "+f.Value.String())
		}
	})
	return strings.Join(words, " ")
}

// shape describes the machine without naming it.
func shape(w *world) string {
	return fmt.Sprintf("%d cores, %s of memory, %s/%s, %s, PostgreSQL %s with default settings, DuckDB %s; medians of %d rounds in turn",
		runtime.NumCPU(), memory(), runtime.GOOS, runtime.GOARCH, strings.TrimPrefix(runtime.Version(), "go version "), w.version, w.duckVersion(), w.size.rounds)
}

// memory is the machine's, as Linux tells it.
func memory() string {
	text, err := os.ReadFile("/proc/meminfo")
	var kib int64
	if err == nil {
		_, err = fmt.Sscanf(string(text), "MemTotal: %d kB", &kib)
	}
	if err != nil {
		return "unknown amount"
	}
	return fmt.Sprintf("%d GiB", (kib+1<<19)>>20)
}

func say(format string, args ...any) {
	fmt.Fprintf(os.Stderr, "%s "+format+"\n", append([]any{time.Now().Format("15:04:05")}, args...)...)
}

// pick finds the rows that -only names; all of them without.
func pick(only string) ([]row, error) {
	if only == "" {
		return rows, nil
	}
	var list []row
	for _, name := range strings.Split(only, ",") {
		found := false
		for _, r := range rows {
			if r.name == strings.TrimSpace(name) {
				list, found = append(list, r), true
			}
		}
		if !found {
			return nil, fmt.Errorf("there is no row %q; the rows are a to l", name)
		}
	}
	return list, nil
}

// A row whose name is wrong is refused rather than left out.
func TestPick(t *testing.T) {
	if all, err := pick(""); err != nil || len(all) != 12 {
		t.Errorf("%d rows, %v", len(all), err)
	}
	if two, err := pick("c, a"); err != nil || len(two) != 2 || two[0].name != "c" {
		t.Errorf("%v, %v", two, err)
	}
	if _, err := pick("a,z"); err == nil || !strings.Contains(err.Error(), `"z"`) {
		t.Errorf("z was taken: %v", err)
	}
}

// run is a program that ends with the context.
func run(ctx context.Context, name string, args ...string) *exec.Cmd {
	c := exec.CommandContext(ctx, name, args...)
	c.Stderr = os.Stderr
	return c
}
