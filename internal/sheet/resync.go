package sheet

import (
	"strings"
)

// What becomes of a row that was edited since it was imported.
const (
	OnChangeReport = "report" // it is told; nothing is changed
	OnChangeAmend  = "amend"  // its event is voided and restated
	OnChangeAppend = "append" // another value is another event
)

// What becomes of a row that was imported and is not in the sheet any more.
const (
	OnVanishReport = "report" // it is told; nothing is changed
	OnVanishVoid   = "void"   // every file is the whole sheet: its events are voided
	OnVanishIgnore = "ignore" // files hold a part of the sheet
)

const defaultVoidLimit = 10 // percent

func (c *mappingCheck) resync() {
	m := c.m
	known := func(where, s string) {
		switch s {
		case "", OnChangeReport, OnChangeAppend:
		case OnChangeAmend:
			if len(m.Key) == 0 {
				c.add("%s: amend needs a key: without one an edited row cannot be told from a new one", where)
			}
		default:
			c.add("%s is report, amend or append", where)
		}
	}
	known("on_change", m.OnChange)
	for i := range m.Events {
		known("events "+m.Events[i].Name+" on_change", m.Events[i].OnChange)
	}
	if m.OnChange == "" {
		m.OnChange = OnChangeReport
	}
	switch m.OnVanish {
	case "":
		m.OnVanish = OnVanishReport
	case OnVanishReport, OnVanishVoid, OnVanishIgnore:
	default:
		c.add("on_vanish is report, void or ignore")
	}
	if m.VoidLimit != nil && (*m.VoidLimit < 0 || *m.VoidLimit > 100) {
		c.add("void_limit_percent must lie between 0 and 100")
	}
	if h := m.Herd; h != nil {
		if h.Const != "" || h.Split != "" || h.Dates != "" || h.Only != nil || h.Optional {
			c.add("herd: it takes a column, words, others and default only")
		}
		c.place("herd", h.Column, h.Position)
		switch h.Others {
		case "", refuse, keepWord:
		default:
			c.add("herd: others is refuse or keep")
		}
		c.prepare("herd", h)
	}
}

// Resyncs tells whether a second file under the mapping is held against what
// the first one brought: whether edited or vanished rows are looked for.
func (m *Mapping) Resyncs() bool {
	return !m.native && (len(m.Key) > 0 || m.OnVanish != OnVanishIgnore)
}

// Voids tells whether an import under the mapping can void events.
func (m *Mapping) Voids() bool {
	amends := m.OnChange == OnChangeAmend
	for i := range m.Events {
		amends = amends || m.Events[i].OnChange == OnChangeAmend
	}
	return !m.native && (amends || m.OnVanish == OnVanishVoid)
}

// Keyed tells whether the rows have a key of their own.
func (m *Mapping) Keyed() bool { return len(m.Key) > 0 }

// VoidLimitPercent is the share of the mapping's events that one file may void
// without being asked.
func (m *Mapping) VoidLimitPercent() int {
	if m.VoidLimit == nil {
		return defaultVoidLimit
	}
	return *m.VoidLimit
}

// Refs lists the refs that a row with the key can give: one for each rule.
func (m *Mapping) Refs(key string) []string {
	list := make([]string, len(m.Events))
	for i := range m.Events {
		list[i] = refOf(key, m.Events[i].Name)
	}
	return list
}

func refOf(key, rule string) string {
	if key == "" || rule == "" {
		return key
	}
	return key + "#" + rule
}

// RuleOf takes a ref apart: the row's key, and what becomes of the event if it
// is edited. ok is false for a ref that no rule of the mapping makes.
func (m *Mapping) RuleOf(ref string) (key, onChange string, ok bool) {
	at := strings.LastIndexByte(ref, '#')
	for i := range m.Events {
		r := &m.Events[i]
		onChange = r.OnChange
		if onChange == "" {
			onChange = m.OnChange
		}
		switch {
		case r.Name == "":
			key, ok = ref, true // unless a named rule fits, which goes before
		case at >= 0 && ref[at+1:] == r.Name:
			return ref[:at], onChange, true
		}
	}
	if ok {
		onChange = m.unnamed()
	}
	return key, onChange, ok
}

// unnamed is what becomes of an edited row under the rules without a name.
func (m *Mapping) unnamed() string {
	for i := range m.Events {
		if r := &m.Events[i]; r.Name == "" && r.OnChange != "" {
			return r.OnChange
		}
	}
	return m.OnChange
}

// Mapping is what the sheet is read by.
func (r *Reader) Mapping() *Mapping { return r.m }

// IsPart tells whether the sheet is a reject file, mended or not: a part of
// the sheet that it was made from.
func (r *Reader) IsPart() bool {
	for _, h := range r.names {
		if isRejectColumn(strings.ReplaceAll(foldHeader(h), " ", "_")) {
			return true
		}
	}
	return false
}
