package api

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"net/http"
	"strconv"
	"strings"
)

var byteOrderMark = []byte("\xef\xbb\xbf")

// delimiterOf tells the delimiter of a CSV of byrelog by its header: what
// follows the first name.
func delimiterOf(header []byte) rune {
	for _, c := range bytes.TrimPrefix(header, byteOrderMark) {
		if c == ',' || c == ';' || c == '\t' {
			return rune(c)
		}
	}
	return ','
}

// tableSum counts the rows of a table and hashes their cells, as the contract
// says for the column end.
type tableSum struct {
	rows int
	hash hash.Hash
}

func newTableSum(header []string) *tableSum {
	s := &tableSum{hash: sha256.New()}
	s.add(header)
	s.rows = 0
	return s
}

func (s *tableSum) add(cells []string) {
	s.rows++
	var b []byte
	for _, c := range cells[:len(cells)-1] {
		b = append(strconv.AppendInt(b, int64(len(c)), 10), ':')
		b = append(b, c...)
	}
	s.hash.Write(append(b, '\n'))
}

func (s *tableSum) end(more bool) string {
	return fmt.Sprintf("end rows=%d more=%t sha256=%s", s.rows, more, hex.EncodeToString(s.hash.Sum(nil)))
}

// tablePage is one page of a table, held against its end.
type tablePage struct {
	head   []byte // mark and header, with the line's end
	body   []byte // the rows, as they stand
	header []string
	rows   [][]string
	comma  rune
}

// readTable takes a page apart; [ErrTruncated] if its end is missing or does
// not fit.
func readTable(doc []byte) (*tablePage, error) {
	lineEnd := []byte("\r\n")
	n := bytes.Index(doc, lineEnd) + len(lineEnd) // no column's name has a line end in it
	whole, found := bytes.CutSuffix(doc, lineEnd)
	last := bytes.LastIndexByte(whole, '\n') + 1 // nor has the last record
	if !found || last < n {
		return nil, ErrTruncated
	}
	p := &tablePage{head: doc[:n], body: doc[n:last], comma: delimiterOf(doc[:n])}
	var err error
	if p.header, err = p.reader(bytes.TrimPrefix(p.head, byteOrderMark)).Read(); err != nil {
		return nil, ErrTruncated
	}
	if p.rows, err = p.reader(p.body).ReadAll(); err != nil {
		return nil, ErrTruncated
	}
	end, err := p.reader(whole[last:]).Read()
	if err != nil {
		return nil, ErrTruncated
	}
	sum := newTableSum(p.header)
	for _, row := range p.rows {
		sum.add(row)
	}
	if stated := end[len(end)-1]; stated != sum.end(false) && stated != sum.end(true) {
		return nil, ErrTruncated
	}
	return p, nil
}

func (p *tablePage) reader(text []byte) *csv.Reader {
	r := csv.NewReader(bytes.NewReader(text))
	r.Comma, r.FieldsPerRecord = p.comma, len(p.header)
	return r
}

// csvPages follows the Link headers of CSV pages and makes one table of them:
// one header, all rows, one end.
func csvPages(op string, w io.Writer, fetch func(cursor *string) (*http.Response, error)) error {
	var cursor *string
	var sum *tableSum
	for {
		page, next, err := csvPage(op, cursor, fetch)
		if err != nil {
			return err
		}
		out := page.body
		if sum == nil {
			sum = newTableSum(page.header)
			out = append(bytes.Clone(page.head), out...)
		}
		for _, row := range page.rows {
			sum.add(row)
		}
		if next == nil {
			out = append(bytes.Clone(out), strings.Repeat(string(page.comma), len(page.header)-1)+sum.end(false)+"\r\n"...)
		}
		if _, err := w.Write(out); err != nil {
			return err
		}
		if next == nil {
			return nil
		}
		cursor = next
	}
}

func csvPage(op string, cursor *string, fetch func(cursor *string) (*http.Response, error)) (*tablePage, *string, error) {
	rsp, err := fetch(cursor)
	if err != nil {
		return nil, nil, err
	}
	body, err := io.ReadAll(rsp.Body)
	_ = rsp.Body.Close() // read to its end
	switch {
	case errors.Is(err, io.ErrUnexpectedEOF):
		return nil, nil, ErrTruncated
	case err != nil:
		return nil, nil, fmt.Errorf("%s: %w", op, err)
	case !gives(rsp, "text/csv"):
		return nil, nil, errAnswer(op, rsp)
	}
	page, err := readTable(body)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", op, err)
	}
	return page, nextCursor(rsp.Header), nil
}
