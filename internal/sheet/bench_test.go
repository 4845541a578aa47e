package sheet_test

import (
	"bytes"
	"errors"
	"io"
	"strconv"
	"testing"
	"time"

	"github.com/google/uuid"

	"byrelog.example/internal/event"
	"byrelog.example/internal/sheet"
)

// herdLog is a log of plain events in the mix of a dairy herd.
func herdLog(n int) []*event.Recorded {
	log := make([]*event.Recorded, 0, n)
	at := time.Date(2026, 1, 1, 6, 0, 0, 0, time.UTC)
	var head event.Digest
	for i := range n {
		kind := []event.Kind{event.KindHeat, event.KindBreeding, event.KindHeat, event.KindPregnancyDiagnosis, event.KindCalving, event.KindMove}[i%6]
		e := event.New(kind, herd, strconv.Itoa(1000+i%600), today-event.Date(900-i%900))
		e.ID = uuid.NewSHA1(uuid.NameSpaceURL, strconv.AppendInt(nil, int64(i), 10))
		e.By, e.Half = "T"+strconv.Itoa(i%5), "am"
		switch d := e.Data.(type) {
		case *event.Heat:
			d.Verdict, d.Chalk, d.Signs = event.InHeat, event.Rubbed, []string{"standing", "mucus"}
		case *event.Breeding:
			d.Method, d.Sire, d.Basis = event.AI, "B"+strconv.Itoa(i%20), event.ByHeat
		case *event.PregnancyDiagnosis:
			d.Method, d.Result = event.Ultrasound, event.Pregnant
		case *event.Calving:
			d.Ease, d.Calves = event.Int(1), []event.Calf{{Outcome: event.Alive, Sex: event.Female}}
		case *event.Move:
			d.Pen = "fresh"
		}
		at = at.Add(time.Second)
		r := &event.Recorded{Event: *e, Seq: int64(i + 1), RecordedAt: at, Bytes: e.Canonical()}
		r.Leaf = event.Leaf(r.Bytes)
		r.Hash = event.Link(herd, r.Seq, at, head, r.Leaf)
		head = r.Hash
		log = append(log, r)
	}
	return log
}

const benchRows = 20_000

func perRow(b *testing.B) {
	b.Helper()
	b.ReportMetric(float64(b.N)*benchRows/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkWrite(b *testing.B) {
	log := herdLog(benchRows)
	b.SetBytes(int64(len(export(b, log))))
	b.ReportAllocs()
	for b.Loop() {
		w, err := sheet.NewWriter(io.Discard, herd)
		if err != nil {
			b.Fatal(err)
		}
		for _, r := range log {
			if err := w.Write(r); err != nil {
				b.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
	}
	perRow(b)
}

func benchRead(b *testing.B, doc []byte, m *sheet.Mapping) {
	b.Helper()
	b.SetBytes(int64(len(doc)))
	b.ReportAllocs()
	for b.Loop() {
		r, err := sheet.NewReader(bytes.NewReader(doc), m, herd, today)
		if err != nil {
			b.Fatal(err)
		}
		for {
			line, e := r.Next()
			if err = e; err != nil {
				break
			}
			for _, p := range line.Problems {
				b.Fatal(p)
			}
		}
		if !errors.Is(err, io.EOF) || r.Stats().Events != benchRows {
			b.Fatal(err, r.Stats())
		}
	}
	perRow(b)
}

func BenchmarkReadNative(b *testing.B) {
	benchRead(b, export(b, herdLog(benchRows)), sheet.Native())
}

func BenchmarkReadWithoutIDs(b *testing.B) {
	var doc bytes.Buffer
	doc.WriteString("animal,kind,on,by,verdict,chalk,signs,method,result,pen,sire\n")
	cells := []string{}
	for _, r := range herdLog(benchRows) {
		if r.Kind == event.KindCalving {
			r.Kind, r.Data = event.KindDryOff, &event.DryOff{}
		}
		cells = r.Cells(cells)
		for i, name := range []string{"animal", "kind", "on", "by", "verdict", "chalk", "signs", "method", "result", "pen", "sire"} {
			if i > 0 {
				doc.WriteByte(',')
			}
			c, _ := event.ColumnIndex(name)
			doc.WriteString(cells[c])
		}
		doc.WriteByte('\n')
	}
	benchRead(b, doc.Bytes(), sheet.Native())
}

func BenchmarkReadForeign(b *testing.B) {
	m, err := sheet.ParseMapping([]byte(`{version: 1, source: s, delimiter: ";", dates: d/m/y, fields: {animal: cow, on: day, by: who},
		events: [{kind: breeding, fields: {method: {column: how, words: {IA: ai, Saillie: natural}}, sire: bull}}]}`))
	if err != nil {
		b.Fatal(err)
	}
	var doc bytes.Buffer
	doc.WriteString("cow;day;how;bull;who;other\n")
	for i := range benchRows {
		doc.WriteString(strconv.Itoa(1000+i) + ";" + strconv.Itoa(1+i%28) + "/" + strconv.Itoa(1+i%10) + "/2026;IA;B7;T1;x\n")
	}
	benchRead(b, doc.Bytes(), m)
}

func BenchmarkVerify(b *testing.B) {
	doc := export(b, herdLog(benchRows))
	b.SetBytes(int64(len(doc)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := sheet.VerifyExport(bytes.NewReader(doc)); err != nil {
			b.Fatal(err)
		}
	}
	perRow(b)
}
