package api

import (
	"context"
	"fmt"
	"strings"
)

// Round records a round in plain words, or says with DryRun what it would record. What
// is refused is a [ProblemError] with a line for each fault, and with Part in the
// answer.
func (c *ClientWithResponses) Round(ctx context.Context, herd HerdName, params RecordRoundParams, text string) (*RoundAnswer, error) {
	rsp, err := c.RecordRoundWithTextBodyWithResponse(ctx, herd, &params, text)
	if err != nil {
		return nil, err
	}
	if rsp.JSON201 != nil {
		return rsp.JSON201, nil
	}
	if rsp.JSON200 != nil {
		return rsp.JSON200, nil
	}
	return nil, errAnswer("round", rsp.HTTPResponse)
}

// Text is the answer to a round line by line, as a person reads it: what was read, what
// was refused and why, what to check, and what is missing.
func (a *RoundAnswer) Text() string {
	var b strings.Builder
	for i := range a.Lines {
		l := &a.Lines[i]
		fmt.Fprintf(&b, "line %d  ", l.Line)
		if l.Outcome == RoundLineOutcomeRefused {
			b.WriteString("refused")
			if l.Text != "" {
				b.WriteString(": " + l.Text)
			}
			b.WriteString("\n")
		} else {
			fmt.Fprintf(&b, "%s%s\n", l.Text, l.numbers())
		}
		for _, e := range l.Errors {
			b.WriteString("        ")
			if e.Column != nil {
				b.WriteString("character " + *e.Column + ": ")
			}
			b.WriteString(e.Detail + "\n")
		}
		for _, c := range l.Check {
			b.WriteString("        " + c + "\n")
		}
	}
	for _, m := range a.Missing {
		b.WriteString("missing: " + m + "\n")
	}
	what := "recorded"
	if a.DryRun {
		what = "would be recorded"
	}
	fmt.Fprintf(&b, "%s: %s %s, %d there already", a.Herd, count(a.Recorded, "event"), what, a.AlreadyThere)
	if a.Refused > 0 {
		b.WriteString("; " + count(a.Refused, "line") + " refused")
	}
	b.WriteString(".\n")
	return b.String()
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// numbers tells which events of the log hold the line.
func (l *RoundLine) numbers() string {
	var list []string
	for _, e := range l.Events {
		if e.Seq != nil {
			list = append(list, fmt.Sprint(*e.Seq))
		}
	}
	switch {
	case len(list) == 0:
		return ""
	case l.Outcome == RoundLineOutcomeAlreadyThere:
		return "  [there already: " + strings.Join(list, " ") + "]"
	}
	return "  [" + strings.Join(list, " ") + "]"
}
