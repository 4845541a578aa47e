package sheet

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"byrelog.example/internal/event"
)

// A Proof is a cell that shows something.
type Proof struct {
	Line  int    `json:"line"`
	Value string `json:"value"`
}

// DateGuess is what the cells of a column say of the order of its dates.
type DateGuess struct {
	Order   string   `json:"order,omitempty"`   // "" where it cannot be told
	Reason  string   `json:"reason"`            //
	Proof   []Proof  `json:"proof,omitempty"`   // cells that only this order can read
	Options []string `json:"options,omitempty"` // where a person must choose

	months  []string // languages
	serials string   // what a mapping's serials must be; Choose
	twos    bool     // years of two digits
	times   bool     // times of day in the cells
}

// mostProofs is how many cells a guess repeats.
const mostProofs = 3

// dateCount gathers what the cells of one column say.
type dateCount struct {
	today   event.Date
	filled  int
	dates   int            // cells that some order reads
	fits    map[string]int // order -> cells; for names of months order and language
	only    map[string][]Proof
	typed   int // cells that a workbook knows as dates
	serial  int
	past    int // serials that lie in the past from 1904 too
	zeroed  int // dates written with their leading zeros, as iso wants
	twos    bool
	times   bool
	strange []Proof // cells that nothing reads
}

var numericOrders = []string{"d/m/y", "m/d/y", "y/m/d", "d.m.y", "m.d.y", "y.m.d", "d-m-y", "m-d-y", "y-m-d"}

// known notes a cell that the workbook knows as a date.
func (c *dateCount) known(cell string) {
	c.filled++
	c.typed++
	c.times = c.times || strings.Contains(cell, ":")
}

func (c *dateCount) add(line int, cell string) {
	c.filled++
	if c.filled > 200 && 4*(c.dates+c.serial+c.typed) < c.filled {
		return // no column of dates
	}
	s := digits(cell)
	if m := timedDate.FindStringSubmatch(s); m != nil {
		s = m[1]
		c.times = c.times || clock(m[2]) != "00:00"
	}
	if serialText.MatchString(s) {
		c.serial++
		n, _ := strconv.Atoi(s[:5])
		if serial1904+event.Date(n) <= c.today { //nolint:gosec // five digits
			c.past++
		}
		return
	}
	reads := c.orders(s)
	if len(reads) == 0 {
		c.strange = appendProof(c.strange, line, cell)
		return
	}
	c.dates++
	for _, o := range reads {
		c.fits[o]++
		if other := swapped(strings.SplitN(o, "+", 2)[0]); other != "" && !slices.Contains(reads, other) {
			c.only[o] = appendProof(c.only[o], line, cell)
		}
	}
}

// orders lists the orders that read a cell, named ones as order+language.
func (c *dateCount) orders(s string) (reads []string) {
	for _, o := range numericOrders {
		if d, fault := parseDate(s, o, c.today, true); fault == nil {
			reads = append(reads, o)
			if o == "y-m-d" && d.String() == s {
				c.zeroed++
			}
			first := strings.IndexAny(s, "/.-")
			c.twos = c.twos || first < 3 && len(s)-strings.LastIndexAny(s, "/.-") == 3 && o[0] != 'y'
		}
	}
	if reads != nil || len(s) > 40 || !strings.ContainsAny(s, "0123456789") || !strings.ContainsFunc(s, func(r rune) bool { return r > 'A' }) {
		return reads
	}
	for _, o := range []string{dayMonthYear, monthDayYear, yearMonthDay} {
		for _, l := range Languages() {
			if _, fault := namedDate(s, o, []string{l}, c.today, true); fault == nil {
				reads = append(reads, o+"+"+l)
				_, short := namedDate(s, o, []string{l}, c.today, false)
				c.twos = c.twos || short != nil
			}
		}
	}
	return reads
}

func appendProof(list []Proof, line int, cell string) []Proof {
	if len(list) < mostProofs {
		list = append(list, Proof{line, shown(trimCell(cell))})
	}
	return list
}

// counted writes a number of things.
func counted(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return strconv.Itoa(n) + " " + thing + "s"
}

func tell(list []Proof) string {
	var out []string
	for _, p := range list {
		out = append(out, fmt.Sprintf("line %d: %s", p.Line, p.Value))
	}
	return strings.Join(out, ", ")
}

// guess tells the order of the column, or nil where it is no column of dates.
func (c *dateCount) guess() *DateGuess {
	if c.filled == 0 || 5*(c.dates+c.serial+c.typed) < 4*c.filled {
		return nil
	}
	g := &DateGuess{twos: c.twos, times: c.times}
	few := c.serial > 0 && c.serial < c.dates+c.typed
	if c.serial > 0 && !few {
		c.guessSerials(g)
	}
	if c.dates == 0 {
		g.Order = iso
		if c.typed > 0 {
			g.Reason = strings.TrimSuffix("the workbook knows its cells as dates; "+g.Reason, "; ")
		}
		return g
	}
	if c.typed > 0 {
		g.Reason += counted(c.typed, "cell") + " the workbook knows as dates; of those written as text "
	}
	order, most := "", 0
	for _, o := range sortedKeys(c.fits) {
		// English before other languages that read the same cells.
		if n := c.fits[o]; n > most || n == most && strings.HasSuffix(o, "+en") {
			order, most = o, n
		}
	}
	order, language, isNamed := strings.Cut(order, "+")
	switch {
	case isNamed:
		g.Order, g.months = order, []string{language}
		g.Reason += "the months are names, read in " + language
	case order[0] == 'y':
		says := "the year stands first"
		g.Order = order
		if c.zeroed == most {
			g.Order, says = iso, "written YYYY-MM-DD"
		}
		g.Reason += says
	default:
		c.guessOrder(g, order)
	}
	if rest := c.dates - most; rest > 0 {
		g.Reason += fmt.Sprintf("; %s written in another way will be refused", counted(rest, "date"))
	}
	if few {
		g.Reason += fmt.Sprintf("; %s of days among them will be refused", counted(c.serial, "number"))
	}
	if len(c.strange) > 0 {
		g.Reason += "; no dates: " + tell(c.strange)
	}
	return g
}

// guessOrder decides between day and month first, by the cells that only one
// of the two reads, never by how many there are of each.
func (c *dateCount) guessOrder(g *DateGuess, order string) {
	other := swapped(order)
	a, b := c.only[order], c.only[other]
	switch {
	case len(a) > 0 && len(b) > 0:
		g.Options = []string{order, other}
		g.Reason += fmt.Sprintf("the column contradicts itself: only %s reads %s; only %s reads %s: choose, and the other rows will be refused", order, tell(a), other, tell(b))
	case len(a) > 0:
		g.Order, g.Proof = order, a
		g.Reason += "only " + order + " reads " + tell(a)
	case len(b) > 0:
		g.Order, g.Proof = other, b
		g.Reason += "only " + other + " reads " + tell(b)
	default:
		g.Options = []string{order, other}
		slices.Sort(g.Options)
		g.Reason += "cannot be told: choose; no date of the column has a day above 12"
	}
}

func (c *dateCount) guessSerials(g *DateGuess) {
	g.serials = serials1900
	g.Reason = fmt.Sprintf("%s of days; counted from 1904 they would lie in the future, so they count from 1900", counted(c.serial, "number"))
	if c.past > 0 {
		g.serials = Choose
		g.Reason = fmt.Sprintf("%s of days, counted from 1900 or from 1904: cannot be told", counted(c.serial, "number"))
	}
	if c.dates > 0 {
		g.Reason += "; "
	}
}
