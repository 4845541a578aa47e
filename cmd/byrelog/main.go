// Command byrelog is the one binary of the project: the service itself, its
// demo, and the commands that talk to a running service.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, &program{
		args: os.Args[1:], env: os.LookupEnv,
		in: os.Stdin, out: os.Stdout, err: os.Stderr,
	})
	stop()
	os.Exit(code)
}
