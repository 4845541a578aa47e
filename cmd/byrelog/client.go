package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"strings"
	"text/tabwriter"
	"time"

	openapi_types "github.com/oapi-codegen/runtime/types"
	"github.com/spf13/cobra"

	"byrelog.example/api"
	"byrelog.example/internal/event"
)

// clientFlags are what every command has that talks to a service.
type clientFlags struct {
	server, token, tokenFile string
	json                     bool
}

func (f *clientFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.server, "server", "http://127.0.0.1:8480", "address of the service")
	cmd.Flags().StringVar(&f.token, "token", "", "token; better in BYRELOG_TOKEN or --token-file, which other users do not see")
	cmd.Flags().StringVar(&f.tokenFile, "token-file", "", "file that holds the token")
	cmd.Flags().BoolVar(&f.json, "json", false, "print the service's JSON answer")
}

func (p *program) client(f *clientFlags) (*api.ClientWithResponses, error) {
	u, err := url.Parse(f.server)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" {
		return nil, usage("--server %s: it is an address such as http://127.0.0.1:8480", f.server)
	}
	token := f.token
	if token == "" && f.tokenFile != "" {
		b, err := os.ReadFile(f.tokenFile)
		if err != nil {
			return nil, usage("--token-file: %v", err)
		}
		token = strings.TrimSpace(string(b))
	}
	if token == "" {
		return nil, usage("a token is needed: set BYRELOG_TOKEN, or give --token-file")
	}
	if strings.ContainsFunc(token, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return nil, usage("the token holds a space or a character that no token has: was more copied than the token?")
	}
	return api.New(strings.TrimSuffix(f.server, "/"), api.Options{Token: token, UserAgent: "byrelog/" + version()})
}

// explain makes an answer of the service, or the lack of one, a line for
// people.
func explain(f *clientFlags, err error) error {
	var problem *api.ProblemError
	var network *net.OpError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &problem):
		return problem
	case errors.As(err, &network) && network.Op == "dial":
		return fmt.Errorf("no service answers at %s (is it running? --server sets another address)", f.server)
	case brokenOff(err):
		return fmt.Errorf("the service at %s broke the connection off before it answered (was it stopped?); what it did until then stands", f.server)
	}
	return err
}

// brokenOff tells whether a service was there and went away.
func brokenOff(err error) bool {
	var network *net.OpError
	return errors.As(err, &network) && network.Op != "dial" || errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
}

// answered checks that the service answered as its contract has it.
func answered[T any](body *T, status string, f *clientFlags) (*T, error) {
	if body == nil {
		return nil, fmt.Errorf("the server at %s answered %s, which byrelog does not", f.server, status)
	}
	return body, nil
}

// show prints the answer as JSON if that was asked for; else the text.
func (p *program) show(f *clientFlags, answer any, text func(w *tabwriter.Writer)) error {
	if f.json {
		enc := json.NewEncoder(p.out)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		return enc.Encode(answer)
	}
	w := tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)
	text(w)
	return w.Flush()
}

func line(w io.Writer, cells ...string) { _, _ = fmt.Fprintln(w, strings.Join(cells, "\t")) }

// dateFlag is a civil date on the command line.
type dateFlag struct{ date event.Date }

func (d *dateFlag) String() string { return d.date.String() }
func (d *dateFlag) Type() string   { return "date" }
func (d *dateFlag) Set(s string) error {
	v, err := event.ParseDate(s)
	d.date = v
	return err
}

// param gives the date as the client wants it; nil if it was not given.
func (d *dateFlag) param() *openapi_types.Date {
	if d.date == 0 {
		return nil
	}
	return &openapi_types.Date{Time: d.date.Time()}
}

func day(d *openapi_types.Date) string {
	if d == nil {
		return ""
	}
	return d.Format(time.DateOnly)
}

func word(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

func number(n *int) string {
	if n == nil {
		return ""
	}
	return fmt.Sprint(*n)
}

func given(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}
