package main

import (
	"context"
	"fmt"
	"io"
	"os"

	"byrelog.example/internal/guard"
)

// input is what a command reads: a file, or standard input for the name -.
type input struct {
	io.Reader
	size int64 // -1 where it is not known beforehand
	file *os.File
}

// input opens it. Waiting for a terminal or a pipe ends when ctx does.
func (p *program) input(ctx context.Context, name string) (*input, error) {
	if name == "-" {
		return &input{Reader: abandonable(ctx, p.in), size: -1}, nil
	}
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	in := &input{file: file}
	info, err := file.Stat()
	if err == nil && info.IsDir() {
		err = fmt.Errorf("%s is a folder; the name of a file is wanted", name)
	}
	if err != nil {
		in.close()
		return nil, err
	}
	in.Reader, in.size = file, info.Size()
	if !info.Mode().IsRegular() {
		in.Reader, in.size = abandonable(ctx, file), -1
	}
	return in, nil
}

func (in *input) close() {
	if in.file != nil {
		_ = in.file.Close() // only read
	}
}

// abandonable gives what r gives until ctx ends. A read of r that is under way then
// is left to itself: nothing else ends it, and the program is about to.
func abandonable(ctx context.Context, r io.Reader) io.Reader {
	pr, pw := io.Pipe()
	guard.Go("cmd.input", func() error {
		_, err := io.Copy(pw, r)
		return err
	}, func(err error) { _ = pw.CloseWithError(err) }) // nil is io.EOF; never fails
	// From the writer's end, so that the reader is told why.
	context.AfterFunc(ctx, func() { _ = pw.CloseWithError(ctx.Err()) }) // never fails
	return pr
}
