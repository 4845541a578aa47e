package main

import (
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"byrelog.example/internal/localpg"
	"byrelog.example/internal/repro"
	"byrelog.example/internal/store"
)

// The first start of a private service shows an administrator's token, a later
// one none; what was stored is there again.
func TestServeFirstStart(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(folder(t), "private")
	s := mustServe(t, dir)
	if s.token == "" {
		t.Fatalf("no token in\n%s", s.out)
	}
	contains(t, s.out.String(), "shown this once", "export BYRELOG_TOKEN="+s.token, "byrelog herd create HERD")
	if strings.Contains(s.errs.String(), s.token) {
		t.Error("the token is in the log")
	}
	contains(t, s.call("herd", "create", "first-herd", "--title", "First", "--zone", "Europe/Dublin").must(t), "Herd first-herd is registered, in the zone Europe/Dublin.")
	if code, took := s.stop(t); code != 0 {
		t.Errorf("SIGTERM: exit code %d after %v\n%s", code, took, s.errs)
	}
	again := mustServe(t, dir)
	if again.out.String() != "" {
		t.Errorf("a second start prints\n%s", again.out)
	}
	again.token = s.token
	contains(t, again.call("herd", "list").must(t), "first-herd")
}

func TestTokens(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd, other := s.herd(t, "token-herd"), s.herd(t, "token-other")
	r := s.call("token", "create", "office", "--grant", herd+"=read", "--days", "30").run(t)
	secret := strings.TrimSpace(r.out)
	if r.code != 0 || strings.ContainsAny(secret, " \n") || secret == "" {
		t.Fatalf("standard output holds the token alone, for $(…): %+v", r)
	}
	contains(t, r.err, `This is the token "office"; it is shown this once`)
	list := s.call("token", "list").must(t)
	m := regexp.MustCompile(`(?m)^([0-9a-f-]{36}) +office +valid +\d{4}-\d\d-\d\d \d\d:\d\d +never +token-herd=read$`).FindStringSubmatch(list)
	if m == nil {
		t.Fatalf("the token is not listed as it is:\n%s", list)
	}
	if strings.Contains(list, secret) {
		t.Error("the list shows the secret")
	}

	as := func(args ...string) call { c := s.call(args...); c.env[1] = "BYRELOG_TOKEN=" + secret; return c }
	as("events", "list", herd).must(t)
	contains(t, as("herd", "list").must(t), herd)
	if out := as("herd", "list").must(t); strings.Contains(out, other) {
		t.Errorf("a herd without a grant is listed:\n%s", out)
	}
	for _, c := range []call{
		as("events", "list", other), as("policy", "show", other),
		as("herd", "create", "token-third"), as("token", "create", "more", "--admin"), as("token", "list"),
	} {
		if r := c.run(t); r.code != exitRefused || strings.Count(r.err, "\n") != 1 {
			t.Errorf("%v with a reader's token: %+v", c.args, r)
		}
	}
	in := as("events", "append", herd, "-")
	in.in = strings.NewReader(`{"kind":"move","on":"2026-01-01","animal":"1","data":{"pen":"a"}}` + "\n")
	if r := in.run(t); r.code != exitRefused {
		t.Errorf("a reader appends: %+v", r)
	}

	// A token file, and which of several sources counts.
	file := write(t, t.TempDir(), "token", secret+"\n")
	call{env: []string{"BYRELOG_SERVER=" + s.base, "BYRELOG_TOKEN_FILE=" + file}, args: []string{"events", "list", herd}}.must(t)
	call{env: []string{"BYRELOG_SERVER=" + s.base, "BYRELOG_TOKEN=wrong"}, args: []string{"events", "list", herd, "--token-file", file}}.must(t)
	call{env: []string{"BYRELOG_SERVER=http://127.0.0.1:1", "BYRELOG_TOKEN=wrong"}, args: []string{"events", "list", herd, "--server", s.base, "--token", secret}}.must(t)

	contains(t, s.call("token", "revoke", m[1]).must(t), "The token is revoked")
	if list := s.call("token", "list").must(t); !regexp.MustCompile(`(?m)^` + m[1] + ` +office +revoked `).MatchString(list) {
		t.Errorf("not listed as revoked:\n%s", list)
	}
	if r := as("events", "list", herd).run(t); r.code != exitRefused {
		t.Errorf("a revoked token reads: %+v", r)
	}
	var answer struct{ Tokens []struct{ Name string } }
	parse(t, s.call("token", "list", "--json").must(t), &answer)
	if len(answer.Tokens) < 2 {
		t.Errorf("%+v", answer)
	}
}

// A database of one's own: migrate, the first token, serve, a new epoch.
func TestOwnDatabase(t *testing.T) {
	t.Parallel()
	pg, err := localpg.Attach(work(t).dir)
	if err != nil {
		t.Fatal(err)
	}
	const name = "byrelog_own"
	if err := store.Provision(t.Context(), pg.AdminURL("postgres"), name); err != nil {
		t.Fatal(err)
	}
	owner, app := "BYRELOG_DATABASE_URL="+pg.OwnerURL(name), "BYRELOG_DATABASE_URL="+pg.AppURL(name)

	// Before the schema is there: the token is refused, serve waits and says so.
	r := call{env: []string{app}, args: []string{"token", "create", "first", "--admin"}}.run(t)
	if r.code != exitRefused || !strings.Contains(r.err, "byrelog migrate") {
		t.Errorf("a token in a database without a schema: %+v", r)
	}

	contains(t, call{env: []string{owner}, args: []string{"migrate"}}.must(t), "The schema is at version ")
	contains(t, call{args: []string{"migrate", "--database-url", pg.OwnerURL(name), "--new-epoch"}}.must(t), "The log is in epoch ")
	token := strings.TrimSpace(call{args: []string{"token", "create", "first", "--admin", "--database-url", pg.AppURL(name)}}.must(t))

	s, err := launch(call{env: []string{app, "BYRELOG_LISTEN=127.0.0.1:0"}, args: []string{"serve"}}, "", servesAt, func(s *server) *output { return s.errs })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.kill)
	if s.out.String() != "" {
		t.Errorf("serve on a database of one's own prints\n%s", s.out)
	}
	s.token = token
	s.herd(t, "own-herd")
	contains(t, s.call("herd", "list").must(t), "own-herd")
	if code, took := s.stop(t); code != 0 {
		t.Errorf("SIGTERM: exit code %d after %v\n%s", code, took, s.errs)
	}

	// serve --migrate does it in one step.
	const second = "byrelog_second"
	if err := store.Provision(t.Context(), pg.AdminURL("postgres"), second); err != nil {
		t.Fatal(err)
	}
	s, err = launch(call{args: []string{"serve", "--listen", "127.0.0.1:0", "--migrate", "--database-url", pg.AdminURL(second)}}, "", servesAt, func(s *server) *output { return s.errs })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.kill)
	if code, body, err := s.ask(t.Context(), "/readyz"); err != nil || code != 200 {
		t.Errorf("readyz: %d %s %v", code, body, err)
	}
}

func TestPolicy(t *testing.T) {
	t.Parallel()
	s := work(t)
	herd := s.herd(t, "policy-herd")
	set := s.call("policy", "set", herd, "-", "--from", "2026-01-01")
	set.in = strings.NewReader(`{"wait_first_days": 70, "wait_later_days": 62}`)
	contains(t, set.must(t), "The policy of policy-herd holds from 2026-01-01 on.")
	var answer struct {
		Policies []struct {
			From   string
			Policy struct {
				WaitFirst int `json:"wait_first_days"`
				WaitLater int `json:"wait_later_days"`
				DryOff    int `json:"dry_off_before_days"`
			}
		}
	}
	parse(t, s.call("policy", "show", herd).must(t), &answer)
	last := answer.Policies[len(answer.Policies)-1]
	if last.From != "2026-01-01" || last.Policy.WaitFirst != 70 || last.Policy.WaitLater != 62 || last.Policy.DryOff != repro.DefaultPolicy().DryOffBefore {
		t.Errorf("%+v", answer)
	}
	before := s.call("policy", "show", herd).must(t)
	for _, doc := range []string{`{"wait_first_days": -4}`, `{"wait_frist_days": 70}`, `{"wait_first_days": "70"}`, `{"wait_first_days": 70} x`, ``} {
		c := s.call("policy", "set", herd, write(t, t.TempDir(), "p.json", doc), "--from", "2026-06-01")
		if r := c.run(t); r.code != exitRefused || strings.Count(r.err, "\n") != 1 {
			t.Errorf("%s: %+v", doc, r)
		}
	}
	if after := s.call("policy", "show", herd).must(t); after != before {
		t.Errorf("a refused policy left\n%s", after)
	}
}
