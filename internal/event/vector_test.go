package event_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"pgregory.net/rapid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/event/eventtest"
)

var update = flag.Bool("update", false, "write the vectors anew; they are then checked by the second implementation")

const vectors = "../../testdata/vectors/"

type chainVectors struct {
	Herd   string        `json:"herd"`
	Events []chainVector `json:"events"`
}

type chainVector struct {
	Seq        int64           `json:"seq"`
	RecordedAt string          `json:"recorded_at"`
	In         json.RawMessage `json:"in"`
	Bytes      string          `json:"bytes"`
	Leaf       string          `json:"leaf"`
	Chain      string          `json:"chain"`
}

type bytesVector struct {
	In    string `json:"in"`
	Bytes string `json:"bytes"`
	Leaf  string `json:"leaf"`
}

func load(t *testing.T, name string, to any) {
	t.Helper()
	raw, err := os.ReadFile(vectors + name)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(raw, to); err != nil {
		t.Fatal(err)
	}
}

// store writes a list of values, one a line.
func store[T any](t *testing.T, name, head, tail string, list []T) {
	t.Helper()
	var b bytes.Buffer
	b.WriteString(head)
	for i, v := range list {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString("\n  ")
		enc := json.NewEncoder(&b)
		enc.SetEscapeHTML(false)
		if err := enc.Encode(v); err != nil {
			t.Fatal(err)
		}
		b.Truncate(b.Len() - 1)
	}
	b.WriteString("\n" + tail + "\n")
	// Characters that an editor may hide or turn around are written as escapes.
	var ascii bytes.Buffer
	for _, r := range b.String() {
		if r < 0x7f {
			ascii.WriteRune(r)
			continue
		}
		for _, u := range utf16.Encode([]rune{r}) {
			fmt.Fprintf(&ascii, `\u%04x`, u)
		}
	}
	if err := os.WriteFile(vectors+name, ascii.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}

// The published herd: bytes, leaves and links of a log with every kind, notes
// and a corrected mistake. The program's answer and that of the second
// implementation below must both be the published one.
func TestChainVectors(t *testing.T) {
	var v chainVectors
	load(t, "chain.json", &v)
	if *update {
		var chain event.Digest
		for i := range v.Events {
			x := &v.Events[i]
			var compact bytes.Buffer
			if err := json.Compact(&compact, x.In); err != nil {
				t.Fatal(err)
			}
			x.In = compact.Bytes()
			e := decode(t, x.In)
			x.Bytes = string(e.Canonical())
			leaf := event.Leaf(e.Canonical())
			chain = event.Link(v.Herd, x.Seq, parse(t, x.RecordedAt), chain, leaf)
			x.Leaf, x.Chain = leaf.String(), chain.String()
		}
		store(t, "chain.json", `{"herd":"alder-row","events":[`, "]}", v.Events)
	}
	kinds := map[event.Kind]bool{}
	var chain event.Digest
	second := make([]byte, sha256.Size)
	for i, x := range v.Events {
		at := parse(t, x.RecordedAt)
		e := decode(t, x.In)
		kinds[e.Kind] = true
		if err := e.Validate(eventtest.Today); err != nil {
			t.Errorf("seq %d: %v", x.Seq, err)
		}
		leaf := event.Leaf(e.Canonical())
		chain = event.Link(v.Herd, x.Seq, at, chain, leaf)
		if x.Seq != int64(i+1) || string(e.Canonical()) != x.Bytes || leaf.String() != x.Leaf || chain.String() != x.Chain {
			t.Errorf("seq %d: got %s %s %s, want %+v", x.Seq, e.Canonical(), leaf, chain, x)
		}

		b := secondBytes(t, x.In)
		l := secondLeaf(b)
		second = secondLink(v.Herd, x.Seq, at, second, l)
		if b != x.Bytes || hex.EncodeToString(l) != x.Leaf || hex.EncodeToString(second) != x.Chain {
			t.Errorf("seq %d: the second implementation says %s %x %x, published is %+v", x.Seq, b, l, second, x)
		}
	}
	for _, s := range event.Specs() {
		if !kinds[s.Kind] {
			t.Errorf("no vector of kind %s", s.Name)
		}
	}
}

// Two hundred events in odd spellings, T21 of the test plan.
func TestBytesVectors(t *testing.T) {
	if *update {
		list := make([]bytesVector, 200)
		for i := range list {
			list[i] = rapid.Custom(func(t *rapid.T) bytesVector {
				specs := event.Specs()
				e := eventtest.GenOf("mill-lane", specs[i%len(specs)].Kind).Draw(t, "event")
				m := generic(t, e.Canonical())
				delete(m, "note_hash")
				if e.Note != "" {
					m["note"], m["note_salt"] = e.Note, e.NoteSalt.String()
				}
				return bytesVector{scramble(t, m), string(e.Canonical()), event.Leaf(e.Canonical()).String()}
			}).Example(i)
		}
		store(t, "bytes.json", "[", "]", list)
	}
	var list []bytesVector
	load(t, "bytes.json", &list)
	if len(list) < 200 {
		t.Fatalf("%d vectors", len(list))
	}
	for i, x := range list {
		e := decode(t, []byte(x.In))
		if err := e.Validate(eventtest.Today); err != nil {
			t.Errorf("%d: %v", i, err)
		}
		if got := e.Canonical(); string(got) != x.Bytes || event.Leaf(got).String() != x.Leaf {
			t.Errorf("%d: got  %s\nwant %s", i, got, x.Bytes)
		}
		if b := secondBytes(t, []byte(x.In)); b != x.Bytes || hex.EncodeToString(secondLeaf(b)) != x.Leaf {
			t.Errorf("%d: the second implementation says %s\npublished is %s", i, b, x.Bytes)
		}
	}
}

// What is not an event of the profile, with what is said about it and where.
func TestRefusedVectors(t *testing.T) {
	var list []struct {
		Why     string `json:"why"`
		Raw     string `json:"raw"`
		RawHex  string `json:"raw_hex"`
		Code    string `json:"code"`
		Pointer string `json:"pointer"`
	}
	load(t, "refused.json", &list)
	for _, x := range list {
		raw := []byte(x.Raw)
		if x.RawHex != "" {
			raw, _ = hex.DecodeString(x.RawHex)
		}
		for name, read := range map[string]func([]byte) (*event.Event, error){"Decode": event.Decode, "DecodeCanonical": event.DecodeCanonical} {
			if name == "DecodeCanonical" && x.Pointer == "/note_hash" {
				continue // a member of the bytes
			}
			e, err := read(raw)
			var problems event.Problems
			if !errors.As(err, &problems) || e != nil {
				t.Errorf("%s takes %s: %s", name, x.Why, raw)
				continue
			}
			if !slices.ContainsFunc(problems, func(p event.Problem) bool { return p.Code == x.Code && p.Pointer == x.Pointer }) {
				t.Errorf("%s of %s: want %s at %q, got %+v", name, x.Why, x.Code, x.Pointer, problems)
			}
		}
	}
	// The deepest that is taken, and a depth that would overflow a careless reader.
	for depth, code := range map[int]string{8: event.CodeWrongType, 9: event.CodeSyntax, 1_000_000: event.CodeSyntax} {
		_, err := event.Decode([]byte(strings.Repeat("[", depth) + "7" + strings.Repeat("]", depth)))
		var problems event.Problems
		if !errors.As(err, &problems) || problems[0].Code != code {
			t.Errorf("%d levels: %v", depth, err)
		}
	}
}

// RFC 8785, section 3.2.2: the text of the example, and the bytes that section
// 3.2.4 prints for it (the numbers of the example lie outside our profile).
func TestRFC8785String(t *testing.T) {
	const in = `"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/"`
	want, _ := hex.DecodeString("22e282ac245c75303030665c6e4127425c225c5c5c5c5c222f22")
	e := decode(t, []byte(`{"kind":"dry_off","by":`+in+`}`))
	if got := event.AppendJSONString(nil, e.By); !bytes.Equal(got, want) {
		t.Errorf("got %s, want %s", got, want)
	}
	if b := e.Canonical(); !bytes.Contains(b, append([]byte(`{"by":`), want...)) {
		t.Errorf("not in %s", b)
	}
	if got := jcs(e.By); got != string(want) {
		t.Errorf("the second implementation says %s, want %s", got, want)
	}
}

// RFC 8785, section 3.2.3: the order of the example's members. Our member names
// are ASCII, so this holds the second implementation to the RFC.
func TestRFC8785Order(t *testing.T) {
	in := generic(t, []byte(`{
		"\u20ac": "Euro Sign",
		"\r": "Carriage Return",
		"\ufb33": "Hebrew Letter Dalet With Dagesh",
		"1": "One",
		"\ud83d\ude00": "Emoji: Grinning Face",
		"\u0080": "Control",
		"\u00f6": "Latin Small Letter O With Diaeresis"
	}`))
	got := jcs(in)
	at := -1
	for _, want := range []string{
		"Carriage Return", "One", "Control", "Latin Small Letter O With Diaeresis", "Euro Sign", "Emoji: Grinning Face", "Hebrew Letter Dalet With Dagesh",
	} {
		i := strings.Index(got, want)
		if i <= at {
			t.Errorf("%q stands in the wrong place of %s", want, got)
		}
		at = i
	}
}

// RFC 8785, section 3.2.2.2: which characters are escaped, and how.
func TestEscapes(t *testing.T) {
	short := map[rune]string{'\b': `\b`, '\t': `\t`, '\n': `\n`, '\f': `\f`, '\r': `\r`, '"': `\"`, '\\': `\\`}
	for r := rune(0); r < 0x3000; r++ {
		want := string(r)
		if s, ok := short[r]; ok {
			want = s
		} else if r < 0x20 {
			want = fmt.Sprintf(`\u%04x`, r)
		}
		if got := string(event.AppendJSONString(nil, "a"+string(r)+"b")); got != `"a`+want+`b"` {
			t.Errorf("%U: %s", r, got)
		}
	}
	if got := string(event.AppendJSONString(nil, "a\xff\xfeb")); got != "\"a\ufffd\ufffdb\"" {
		t.Errorf("bytes that are not UTF-8: %q", got)
	}
}

// A leaf is the leaf hash of RFC 6962, section 2.1; the hash of the empty input
// is a well-known constant of its test vectors.
func TestLeafIsRFC6962(t *testing.T) {
	if got := event.Leaf(nil).String(); got != "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d" {
		t.Error(got)
	}
	long := bytes.Repeat([]byte("x"), 5000)
	want := sha256.Sum256(append([]byte{0}, long...))
	if got := event.Leaf(long); got != event.Digest(want) {
		t.Error(got)
	}
	if long[0] != 'x' {
		t.Error("the caller's bytes were touched")
	}
}

func decode(t *testing.T, raw []byte) *event.Event {
	t.Helper()
	e, err := event.Decode(raw)
	if err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
	e.Seal(event.Salt{})
	return e
}

func parse(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// The second implementation: written from testdata/vectors/README.md with
// nothing of the package but the order of the words of a set.

func secondBytes(t *testing.T, in []byte) string {
	t.Helper()
	m := generic(t, in)
	if note, ok := m["note"].(string); ok {
		salt, err := hex.DecodeString(fmt.Sprint(m["note_salt"]))
		if err != nil || len(salt) != 16 {
			t.Fatalf("salt of %s", in)
		}
		sum := sha256.Sum256(append(salt, note...))
		m["note_hash"] = hex.EncodeToString(sum[:])
	}
	delete(m, "note")
	delete(m, "note_salt")
	for _, name := range []string{"id", "replaces"} {
		if s, ok := m[name].(string); ok {
			m[name] = strings.ToLower(s)
		}
	}
	if data, ok := m["data"].(map[string]any); ok {
		if s, ok := data["event"].(string); ok {
			data["event"] = strings.ToLower(s)
		}
		if words, ok := data["signs"].([]any); ok {
			order := "standing mounting mucus restless swollen_vulva blood bellowing less_milk"
			slices.SortFunc(words, func(a, b any) int {
				return strings.Index(order, fmt.Sprint(a)) - strings.Index(order, fmt.Sprint(b))
			})
		}
	}
	return jcs(prune(m))
}

// prune drops what says nothing: nulls, empty lists, and empty objects that are
// members.
func prune(m map[string]any) map[string]any {
	for name, v := range m {
		switch v := v.(type) {
		case nil:
			delete(m, name)
		case []any:
			if len(v) == 0 {
				delete(m, name)
			}
			for _, entry := range v {
				if o, ok := entry.(map[string]any); ok {
					prune(o)
				}
			}
		case map[string]any:
			if len(prune(v)) == 0 {
				delete(m, name)
			}
		}
	}
	return m
}

func secondLeaf(b string) []byte {
	h := sha256.New()
	h.Write([]byte{0})
	h.Write([]byte(b))
	return h.Sum(nil)
}

func secondLink(herd string, seq int64, at time.Time, prev, leaf []byte) []byte {
	h := sha256.New()
	h.Write([]byte("byrelog-chain-1"))
	h.Write([]byte{0, byte(len(herd))})
	h.Write([]byte(herd))
	for _, n := range []int64{seq, at.Unix()*1_000_000 + int64(at.Nanosecond()/1000)} {
		if err := binary.Write(h, binary.BigEndian, n); err != nil {
			panic(err)
		}
	}
	h.Write(prev)
	h.Write(leaf)
	return h.Sum(nil)
}
