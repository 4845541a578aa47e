package bench

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"strconv"
	"strings"
)

// wire is a client with a connection of its own, which writes its request in one
// piece and reads of the answer what it has to: status, length and body. It is to
// HTTP what pgx's connection with a prepared statement is to Postgres, where
// http.Client hands every request to two more goroutines and makes objects of all
// that it reads: on two cores that is a third of the time of an append.
type wire struct {
	conn net.Conn
	in   *bufio.Reader
	head string // of every request, without its first line and length
	out  []byte
}

func (s *service) dial(ctx context.Context) (*wire, error) {
	address := strings.TrimPrefix(s.url, "http://")
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	return &wire{
		conn: conn, in: bufio.NewReader(conn),
		head: fmt.Sprintf("Host: %s\r\nAuthorization: Bearer %s\r\nContent-Type: application/json\r\n", address, s.token),
	}, nil
}

func (c *wire) close() { _ = c.conn.Close() }

func (c *wire) line() ([]byte, error) {
	line, err := c.in.ReadSlice('\n')
	return bytes.TrimRight(line, "\r\n"), err
}

// post sends a JSON body. The answer is valid until the next call.
func (c *wire) post(path, body string) (status int, answer []byte, err error) {
	c.out = fmt.Appendf(c.out[:0], "POST %s HTTP/1.1\r\n%sContent-Length: %d\r\n\r\n%s", path, c.head, len(body), body)
	if _, err := c.conn.Write(c.out); err != nil {
		return 0, nil, err
	}
	line, err := c.line()
	if err != nil {
		return 0, nil, err
	}
	code, found := bytes.CutPrefix(line, []byte("HTTP/1.1 "))
	if status, err = strconv.Atoi(string(code[:min(3, len(code))])); err != nil || !found {
		return 0, nil, fmt.Errorf("no answer of HTTP/1.1: %q", line)
	}
	length := -1
	for {
		if line, err = c.line(); err != nil {
			return 0, nil, err
		}
		if len(line) == 0 {
			break
		}
		if value, found := bytes.CutPrefix(line, []byte("Content-Length: ")); found {
			if length, err = strconv.Atoi(string(value)); err != nil {
				return 0, nil, fmt.Errorf("%q: %w", line, err)
			}
		}
	}
	if length < 0 {
		return 0, nil, fmt.Errorf("POST %s: %d: an answer without its length", path, status)
	}
	c.out = slices.Grow(c.out[:0], length)[:length]
	_, err = io.ReadFull(c.in, c.out)
	return status, c.out, err
}
