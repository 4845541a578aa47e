// Package bench measures the service beside the bare thing that its speed is
// to be compared with: a COPY, a scan, an INSERT, a handler that writes a ready
// body, a column store. There is nothing in it but tests: deploy/bench builds
// them and prints the table of deploy/bench.md, and `go test -bench .` runs the same
// work as Go benchmarks, whose output benchstat compares.
//
// What stands side by side runs in turn in one process on one machine, so that
// whatever else the machine does meanwhile hits both. The ratio is taken pair by
// pair. Postgres runs with its default settings, fsync on.
package bench
