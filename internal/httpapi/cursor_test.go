package httpapi_test

import (
	"encoding/base64"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"byrelog.example/internal/httpapi"
)

func anyCursor(t *rapid.T) httpapi.Cursor {
	return httpapi.Cursor{
		Epoch: rapid.Int64().Draw(t, "epoch"), Seq: rapid.Int64Min(0).Draw(t, "seq"),
		On: rapid.Int64().Draw(t, "on"), At: rapid.Int64Min(0).Draw(t, "at"),
	}
}

func TestCursorRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		c, question := anyCursor(t), rapid.String().Draw(t, "question")
		s := httpapi.EncodeCursor(c, question)
		got, err := httpapi.ParseCursor(s, question)
		if err != nil || got != c {
			t.Fatalf("%+v came back as %+v, %v", c, got, err)
		}
		if strings.ContainsAny(s, "+/=&?") {
			t.Fatalf("%q needs escaping in an address", s)
		}
	})
}

func TestCursorIsBoundToItsQuestion(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		c := anyCursor(t)
		a, b := rapid.String().Draw(t, "a"), rapid.String().Draw(t, "b")
		if a == b {
			t.Skip("the same question")
		}
		if _, err := httpapi.ParseCursor(httpapi.EncodeCursor(c, a), b); err == nil {
			t.Fatalf("a cursor of %q was taken for %q", a, b)
		}
	})
}

// Any change of a cursor is found: a list must never go on at another place
// than the one that was given.
func TestCursorChanged(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := httpapi.EncodeCursor(anyCursor(t), "q")
		raw, err := base64.RawURLEncoding.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		at := rapid.IntRange(0, len(raw)-1).Draw(t, "at")
		raw[at] ^= byte(rapid.IntRange(1, 255).Draw(t, "flip"))
		if c, err := httpapi.ParseCursor(base64.RawURLEncoding.EncodeToString(raw), "q"); err == nil {
			t.Fatalf("a changed cursor was read as %+v", c)
		}
	})
}

func TestCursorMalformed(t *testing.T) {
	t.Parallel()
	good := httpapi.EncodeCursor(httpapi.Cursor{Epoch: 1, Seq: 7, At: 7}, "q")
	for name, s := range map[string]string{
		"empty": "", "text": "next", "padded": good + "==", "cut": good[:len(good)-1], "longer": good + "A",
		"blank": " " + good, "line break": good[:4] + "\n" + good[4:], "number": "7",
	} {
		if c, err := httpapi.ParseCursor(s, "q"); err == nil {
			t.Errorf("%s: read as %+v", name, c)
		}
	}
}

func FuzzCursor(f *testing.F) {
	f.Add(httpapi.EncodeCursor(httpapi.Cursor{Epoch: 1, Seq: 7, On: 46000, At: 7}, "q"), "q")
	f.Add("", "")
	f.Add("AQIDBAUGBwg", "listEvents")
	f.Fuzz(func(t *testing.T, s, question string) {
		c, err := httpapi.ParseCursor(s, question)
		if err != nil {
			return
		}
		if again := httpapi.EncodeCursor(c, question); again != s {
			t.Fatalf("%q and %q are the same cursor", s, again)
		}
	})
}
