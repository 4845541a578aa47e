package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"
	"github.com/spf13/cobra"

	"byrelog.example/api"
	"byrelog.example/internal/book"
	"byrelog.example/internal/event"
	"byrelog.example/internal/httpapi"
	"byrelog.example/internal/store"
)

func (p *program) tokenCommand() *cobra.Command {
	return group("token", "Issue, list and revoke tokens", p.tokenCreate(), p.tokenList(), p.tokenRevoke())
}

func (p *program) tokenCreate() *cobra.Command {
	var f clientFlags
	var grants []string
	var admin bool
	var days int
	var databaseURL string
	cmd := &cobra.Command{
		Use:   "create NAME",
		Short: "Issue a token; its secret is shown once",
		Long: `Issue a token. --grant HERD=SCOPE[,SCOPE] can be given several times; HERD is
a herd's name or * for all, SCOPE is read, record or manage. Scopes stand apart:
record does not include read.

It takes an administrator's token. The first of these is shown by the first
start of a private service; on a Postgres of your own make it with
--database-url and --admin.`,
		Example: "  byrelog token create office --grant alder-row=read,record --days 365",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			spec := book.TokenSpec{Name: args[0], Admin: admin}
			if days < 0 || days > 3660 {
				return usage("--days %d: 1 to 3660, or 0 for a token that does not expire", days)
			}
			if days > 0 {
				at := now().UTC().AddDate(0, 0, days).Truncate(time.Second)
				spec.ExpiresAt = &at
			}
			for _, g := range grants {
				s, err := parseGrant(g)
				if err != nil {
					return err
				}
				spec.Grants = append(spec.Grants, s)
			}
			if !admin && len(spec.Grants) == 0 {
				return usage("a token without --grant can do nothing (or is it to be --admin?)")
			}
			if databaseURL != "" {
				return p.createTokenIn(cmd.Context(), databaseURL, spec)
			}
			return p.createToken(cmd.Context(), &f, spec)
		},
	}
	f.add(cmd)
	cmd.Flags().StringArrayVar(&grants, "grant", nil, "HERD=SCOPE[,SCOPE]: what it may do where")
	cmd.Flags().BoolVar(&admin, "admin", false, "it may do everything, and administer herds and tokens")
	cmd.Flags().IntVar(&days, "days", 365, "days until it expires; 0: never")
	cmd.Flags().StringVar(&databaseURL, "database-url", "", "write it into this Postgres itself, without a running service")
	return cmd
}

func parseGrant(s string) (book.GrantSpec, error) {
	herd, scopes, ok := strings.Cut(s, "=")
	g := book.GrantSpec{Herd: herd}
	if !ok || herd != "*" && !event.ValidHerdName(herd) {
		return g, usage("--grant %q: it is HERD=SCOPE[,SCOPE], HERD a herd's name or *", s)
	}
	for name := range strings.SplitSeq(scopes, ",") {
		scope := book.Scope(name)
		if !slices.Contains([]book.Scope{store.Read, store.Record, store.Manage}, scope) {
			return g, usage("--grant %q: a scope is read, record or manage", s)
		}
		g.Scopes = append(g.Scopes, scope)
	}
	return g, nil
}

func (p *program) createToken(ctx context.Context, f *clientFlags, spec book.TokenSpec) error {
	c, err := p.client(f)
	if err != nil {
		return err
	}
	body := api.NewToken{Name: spec.Name, Admin: &spec.Admin, ExpiresAt: spec.ExpiresAt, Grants: []api.Grant{}}
	for _, g := range spec.Grants {
		grant := api.Grant{Herd: g.Herd}
		for _, s := range g.Scopes {
			grant.Scopes = append(grant.Scopes, api.Scope(s))
		}
		body.Grants = append(body.Grants, grant)
	}
	rsp, err := c.CreateTokenWithResponse(ctx, body)
	if err != nil {
		return explain(f, err)
	}
	t, err := answered(rsp.JSON201, rsp.Status(), f)
	if err != nil {
		return err
	}
	return p.show(f, t, func(w *tabwriter.Writer) {
		line(w, t.Token)
		p.tell("This is the token %q; it is shown this once and cannot be found again.\n", t.Name)
	})
}

// createTokenIn is how the first token comes into a shared database.
func (p *program) createTokenIn(ctx context.Context, url string, spec book.TokenSpec) error {
	db, err := store.Open(ctx, store.Config{URL: url, Log: p.logger(slog.LevelWarn)})
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.Ready(ctx); err != nil {
		return err
	}
	b := book.New(db, book.Options{})
	defer b.Close()
	secret, _, err := b.CreateToken(ctx, spec)
	if err != nil {
		return err
	}
	p.printf("%s\n", secret)
	p.tell("This is the token %q; it is shown this once and cannot be found again.\n", spec.Name)
	return nil
}

func (p *program) tokenList() *cobra.Command {
	var f clientFlags
	cmd := &cobra.Command{
		Use: "list", Short: "List the tokens, without their secrets", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.ListTokensWithResponse(cmd.Context())
			if err != nil {
				return explain(&f, err)
			}
			list, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, list, func(w *tabwriter.Writer) {
				line(w, "id", "name", "state", "expires", "last used", "may")
				for _, t := range list.Tokens {
					line(w, t.ID.String(), t.Name, tokenState(&t), moment(t.ExpiresAt), moment(t.LastUsedAt), may(&t))
				}
			})
		},
	}
	f.add(cmd)
	return cmd
}

func tokenState(t *api.Token) string {
	switch {
	case t.RevokedAt != nil:
		return "revoked"
	case t.ExpiresAt != nil && now().After(*t.ExpiresAt):
		return "expired"
	}
	return "valid"
}

func moment(t *time.Time) string {
	if t == nil {
		return "never"
	}
	return t.UTC().Format("2006-01-02 15:04")
}

func may(t *api.Token) string {
	if t.Admin {
		return "everything"
	}
	var list []string
	for _, g := range t.Grants {
		scopes := make([]string, len(g.Scopes))
		for i, s := range g.Scopes {
			scopes[i] = string(s)
		}
		list = append(list, g.Herd+"="+strings.Join(scopes, ","))
	}
	return strings.Join(list, " ")
}

func (p *program) tokenRevoke() *cobra.Command {
	var f clientFlags
	cmd := &cobra.Command{
		Use: "revoke ID", Short: "End a token", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			id, err := uuid.Parse(args[0])
			if err != nil {
				return usage("%q is not the id of a token (byrelog token list shows them)", args[0])
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			if _, err := c.RevokeTokenWithResponse(cmd.Context(), id); err != nil {
				return explain(&f, err)
			}
			p.printf("The token is revoked; within seconds nobody can use it.\n")
			return nil
		},
	}
	f.add(cmd)
	return cmd
}

func (p *program) herdCommand() *cobra.Command {
	return group("herd", "Register and list herds", p.herdCreate(), p.herdList())
}

func (p *program) herdCreate() *cobra.Command {
	var f clientFlags
	var title, zone string
	cmd := &cobra.Command{
		Use: "create NAME", Short: "Register a herd", Args: cobra.ExactArgs(1),
		Long: `Register a herd. NAME is its short name for good: 2 to 40 of a-z, 0-9 and -.
--zone is its time zone, which decides what day it is there.`,
		Example: "  byrelog herd create alder-row --title 'Alder Row' --zone Europe/Dublin",
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.CreateHerdWithResponse(cmd.Context(), api.NewHerd{Herd: args[0], Title: given(title), Zone: given(zone)})
			if err != nil {
				return explain(&f, err)
			}
			h, err := answered(rsp.JSON201, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, h, func(w *tabwriter.Writer) {
				line(w, fmt.Sprintf("Herd %s is registered, in the zone %s.", h.Herd, h.Zone))
			})
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&title, "title", "", "its name for people")
	cmd.Flags().StringVar(&zone, "zone", "", "IANA time zone (default UTC)")
	return cmd
}

func (p *program) herdList() *cobra.Command {
	var f clientFlags
	cmd := &cobra.Command{
		Use: "list", Short: "List the herds that the token may read, and how far their logs have come", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.ListHeadsWithResponse(cmd.Context())
			if err != nil {
				return explain(&f, err)
			}
			list, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			return p.show(&f, list, func(w *tabwriter.Writer) {
				line(w, "herd", "events", "recorded", "head")
				for _, h := range list.Heads {
					recorded := ""
					if h.RecordedAt != nil {
						recorded = moment(h.RecordedAt)
					}
					line(w, h.Herd, fmt.Sprint(h.Seq), recorded, h.Hash)
				}
			})
		},
	}
	f.add(cmd)
	return cmd
}

func (p *program) policyCommand() *cobra.Command {
	return group("policy", "Show and set a herd's dated policy", p.policyShow(), p.policySet())
}

func (p *program) policyShow() *cobra.Command {
	var f clientFlags
	cmd := &cobra.Command{
		Use: "show HERD", Short: "Show a herd's policies, as JSON", Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.ListPoliciesWithResponse(cmd.Context(), args[0])
			if err != nil {
				return explain(&f, err)
			}
			list, err := answered(rsp.JSON200, rsp.Status(), &f)
			if err != nil {
				return err
			}
			f.json = true
			return p.show(&f, list, nil)
		},
	}
	f.add(cmd)
	return cmd
}

func (p *program) policySet() *cobra.Command {
	var f clientFlags
	var from dateFlag
	cmd := &cobra.Command{
		Use: "set HERD FILE", Short: "Set the policy that holds from a day on", Args: cobra.ExactArgs(2),
		Long: `Set the policy that holds from a day on, from a JSON file (- is standard input)
with what differs from the defaults. Windows before that day keep their own. The
members, with their defaults:`,
		Example: "  echo '{\"wait_first_days\": 70, \"wait_later_days\": 60}' | byrelog policy set alder-row - --from 2026-01-01",
		RunE: func(cmd *cobra.Command, args []string) error {
			if from.date == 0 {
				return usage("--from is needed: the day from which the policy holds")
			}
			doc, err := p.readFile(cmd.Context(), args[1])
			if err != nil {
				return err
			}
			if !json.Valid(doc) {
				return fmt.Errorf("%s is not JSON", args[1])
			}
			c, err := p.client(&f)
			if err != nil {
				return err
			}
			rsp, err := c.PutPolicyWithBodyWithResponse(cmd.Context(), args[0], openapi_types.Date{Time: from.date.Time()}, "application/json", strings.NewReader(string(doc)))
			if err != nil {
				return explain(&f, err)
			}
			if f.json {
				_, err = p.out.Write(rsp.Body)
				return err
			}
			p.printf("The policy of %s holds from %s on.\n", args[0], from.date)
			return nil
		},
	}
	f.add(cmd)
	cmd.Flags().Var(&from, "from", "first day on which it holds (YYYY-MM-DD)")
	longHelp(cmd, policyFields)
	return cmd
}

// policyFields says what the contract says of each member of a policy. It is read when
// somebody asks for it, and not at the start of every command.
func policyFields() (string, error) {
	members, err := httpapi.Members("Policy")
	if err != nil {
		return "", err
	}
	var b strings.Builder
	for _, m := range members {
		text := m.Text
		if m.Default != "" {
			text = "(" + m.Default + ") " + text
		}
		_, _ = fmt.Fprintf(&b, "  %s\n%s\n", m.Name, indented(text, "      ", 84))
	}
	return strings.TrimRight(b.String(), "\n"), nil
}

// indented breaks a text into lines of at most so many characters.
func indented(text, indent string, width int) string {
	var lines []string
	line := indent
	for _, word := range strings.Fields(text) {
		if line != indent && len([]rune(line))+1+len([]rune(word)) > width {
			lines, line = append(lines, line), indent
		}
		if line != indent {
			line += " "
		}
		line += word
	}
	return strings.Join(append(lines, line), "\n")
}

// readFile reads a small file, or standard input for -.
func (p *program) readFile(ctx context.Context, name string) ([]byte, error) {
	const most = 1 << 20
	in, err := p.input(ctx, name)
	if err != nil {
		return nil, err
	}
	defer in.close()
	b, err := io.ReadAll(io.LimitReader(in, most+1))
	if err == nil && len(b) > most {
		err = fmt.Errorf("%s is larger than 1 MiB", name)
	}
	return b, err
}
