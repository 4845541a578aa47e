package sheet

import (
	"errors"
	"io"
	"strings"
)

// headed is the head of a sheet: its header and the rows before it.
type headed struct {
	preface [][]string // what stands before the last row of the header
	header  []string   // that row, as it stands
	names   []string   // the columns, with the names of groups in front
	line    int        // of the header's last row
	stray   string
}

// readHead reads up to the last row of the header. io.EOF means that the file
// ends before it.
func (m *Mapping) readHead(next func() (record, error)) (headed, error) {
	var h headed
	last := m.headerRow + m.headerRows - 1
	for i := 1; ; i++ {
		rec, err := next()
		if err != nil {
			return h, err
		}
		cells := append([]string(nil), rec.cells...)
		if rec.stray != "" && i >= m.headerRow {
			h.stray, h.line = rec.stray, rec.first
		}
		if i < last {
			h.preface = append(h.preface, cells)
			continue
		}
		h.header = trimRight(cells)
		if h.stray == "" {
			h.line = rec.first
		}
		h.names = joinHeader(h.preface[m.headerRow-1:], h.header)
		return h, nil
	}
}

// joinHeader names the columns of a header of several rows. The upper ones name
// groups of columns, as merged cells do: the name stands over the first column
// and holds for those behind it up to the next name.
func joinHeader(above [][]string, header []string) []string {
	if len(above) == 0 {
		return header
	}
	names := make([]string, len(header))
	for i, own := range header {
		if isRejectColumn(strings.ReplaceAll(foldHeader(own), " ", "_")) {
			names[i] = own
			continue
		}
		var parts []string
		for _, row := range above {
			for j := min(i, len(row)-1); j >= 0; j-- {
				if !blank(row[j]) {
					parts = append(parts, trimCell(row[j]))
					break
				}
			}
		}
		if !blank(own) {
			parts = append(parts, trimCell(own))
		}
		names[i] = strings.Join(parts, " ")
	}
	return names
}

// skipRows passes over the rows right below the header that are no records,
// such as units.
func (r *Reader) skipRows() error {
	for range r.m.SkipRows {
		rec, err := r.rows.nextFilled()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		r.layout.Below = append(r.layout.Below, append([]string(nil), rec.cells...))
	}
	return nil
}
