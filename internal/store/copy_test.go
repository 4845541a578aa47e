package store_test

import (
	"bytes"
	"encoding/binary"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"byrelog.example/internal/store"
)

// slow encodes rows the plain way: the reference for the encoder.
func slow(herd uuid.UUID, rows []store.Row) []byte {
	var b bytes.Buffer
	put := func(vs ...any) {
		for _, v := range vs {
			_ = binary.Write(&b, binary.BigEndian, v)
		}
	}
	field := func(v []byte) { put(int32(len(v)), v) }
	b.WriteString("PGCOPY\n\xff\r\n\x00")
	put(int32(0), int32(0))
	millennium := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, r := range rows {
		put(int16(10))
		field(herd[:])
		put(int32(8), r.Seq)
		field(r.ID[:])
		if r.Animal == "" {
			put(int32(-1))
		} else {
			field([]byte(r.Animal))
		}
		field([]byte(r.Kind))
		on := time.Date(1970, 1, 1+int(r.On), 0, 0, 0, 0, time.UTC)
		put(int32(4), int32(on.Sub(millennium)/(24*time.Hour)))
		put(int32(8), r.RecordedAt.Sub(millennium).Microseconds())
		field(r.Leaf[:])
		field(r.Hash[:])
		field(r.Bytes)
	}
	put(int16(-1))
	return b.Bytes()
}

func TestEncoder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		id := uuid.UUID(rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "herd"))
		n := rapid.IntRange(0, 6).Draw(t, "rows")
		rows := make([]store.Row, n)
		for i := range rows {
			rows[i] = store.Row{
				Seq: rapid.Int64().Draw(t, "seq"), ID: uuid.UUID(rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "id")),
				Animal: rapid.StringN(0, 32, -1).Draw(t, "animal"), Kind: rapid.StringN(1, 40, -1).Draw(t, "kind"),
				On:         rapid.Int32Range(-90000, 90000).Draw(t, "on"),
				RecordedAt: time.UnixMicro(rapid.Int64Range(-1<<52, 1<<52).Draw(t, "at")).UTC(),
				Leaf:       [32]byte(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "leaf")),
				Hash:       [32]byte(rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "hash")),
				// Larger than the encoder's buffer now and then.
				Bytes: bytes.Repeat([]byte{'x'}, rapid.SampledFrom([]int{0, 1, 300, 65536, 70000}).Draw(t, "size")),
			}
		}
		want := slow(id, rows)
		for name, wrap := range map[string]func(io.Reader) io.Reader{
			"whole": func(r io.Reader) io.Reader { return r }, "half": iotest.HalfReader, "bytewise": iotest.OneByteReader,
		} {
			got, err := io.ReadAll(wrap(store.Encoder(id, rows)))
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Fatalf("%s: %d bytes, want %d", name, len(got), len(want))
			}
		}
	})
}

// Encoding allocates for the stream, not for the rows.
func TestEncoderAllocates(t *testing.T) {
	rows := follow(store.Head{RecordedAt: start}, 5000)
	id := uuid.New()
	buf := make([]byte, 64<<10)
	if n := testing.AllocsPerRun(5, func() {
		r := store.Encoder(id, rows)
		for {
			if _, err := r.Read(buf); err != nil {
				return
			}
		}
	}); n > 10 {
		t.Errorf("%v allocations for 5,000 rows", n)
	}
}

// The transaction helper is the only way to a connection: a method of the pool
// that hands one out stands in tx.go alone, where the herd is set.
func TestOnlyTheHelperTakesConnections(t *testing.T) {
	t.Parallel()
	files, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		fset := token.NewFileSet()
		tree, err := parser.ParseFile(fset, f.Name(), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(tree, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			switch sel.Sel.Name {
			case "Acquire", "AcquireFunc", "AcquireAllIdle", "BeginTx", "BeginTxFunc":
				// Timeouts.Acquire is a field of the settings.
				if x, ok := sel.X.(*ast.Ident); ok && x.Name == "t" {
					return true
				}
				found++
				if f.Name() != "tx.go" {
					t.Errorf("%s: %s outside the transaction helper", fset.Position(n.Pos()), sel.Sel.Name)
				}
			case "Begin": // of the owner's own connection, which no herd's data passes
				if f.Name() != "migrate.go" {
					t.Errorf("%s: Begin outside the transaction helper", fset.Position(n.Pos()))
				}
			}
			return true
		})
	}
	if found < 2 {
		t.Errorf("%d uses found: the test looks for the wrong names", found)
	}
}
