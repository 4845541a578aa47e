package httpapi

import (
	"bytes"
	"maps"
	"net/http"
	"slices"
	"strings"

	"byrelog.example/internal/repro"
	"byrelog.example/internal/sheet"
)

// csvReply is a table on its way out: its columns, and what writes its rows.
type csvReply struct {
	table *sheet.Table
	more  bool // rows follow that this page does not have
	rows  func(*sheet.TableWriter) error
}

// form is the profile of CSV that the request asks for.
func (r *request) form() (sheet.Form, error) {
	f, err := sheet.ParseForm(r.text("profile"), r.text("delimiter"))
	if err != nil {
		return f, badParam("delimiter", "contradicts", "%v", err) // each word alone is held by the contract
	}
	return f, nil
}

// render writes the table, which is small enough to be held whole.
func (t *csvReply) render(r *request) ([]byte, error) {
	form, err := r.form()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	w, err := sheet.NewTableWriter(&b, t.table, form)
	if err != nil {
		return nil, err
	}
	if err := t.rows(w); err != nil {
		return nil, err
	}
	if err := w.Close(t.more); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// head names the file and the place where its columns are described.
func (t *csvReply) head(r *request, h http.Header) {
	folder, name := "/v1", t.table.Name
	if r.herd != nil {
		folder += "/herds/" + r.herd.Name
		name = r.herd.Name + "-" + name
	}
	h.Set("Content-Disposition", attachment(strings.ReplaceAll(name, "/", "-")+".csv").Get("Content-Disposition"))
	table, _, _ := strings.Cut(t.table.Name, "/") // all lists are one there
	h.Add("Link", "<"+folder+"/datapackage.json?table="+table+`>; rel="describedby"; type="application/json"`)
}

// The tables that are given as CSV beside the export, each with its columns in
// their order.
var (
	animalTable = &sheet.Table{
		Name: "animals", Title: "Animals", About: "The animals of the herd on a day.",
		Columns: []sheet.TableColumn{
			{Name: "animal", Type: sheet.Text, Doc: "the herd's own number or name"},
			{Name: "status", Type: sheet.Word, Doc: "code of her status on the day"},
			{Name: "status_text", Type: sheet.Word, Doc: "the status in words"},
			{Name: "sex", Type: sheet.Word, Doc: "female or male"},
			{Name: "breed", Type: sheet.Text, Doc: "breed as recorded"},
			{Name: "born_on", Type: sheet.Date, Doc: "day of birth"},
			{Name: "pen", Type: sheet.Text, Doc: "pen or group where she stands"},
			{Name: "lactation", Type: sheet.Integer, Doc: "number of her lactation; 0 for a heifer"},
			{Name: "calved_on", Type: sheet.Date, Doc: "last calving"},
			{Name: "days_in_milk", Type: sheet.Integer, Doc: "days since the last calving, in days"},
			{Name: "bred_on", Type: sheet.Date, Doc: "last breeding"},
			{Name: "due_on", Type: sheet.Date, Doc: "expected calving"},
			{Name: "entered_on", Type: sheet.Date, Doc: "arrival or birth"},
			{Name: "left_on", Type: sheet.Date, Doc: "departure"},
			{Name: "first_seen_without_arrival", Type: sheet.Flag, Doc: "her first record is no arrival"},
			{Name: "official_id", Type: sheet.Text, Doc: "her official identity, as text"},
			{Name: "official_id_scheme", Type: sheet.Text, Doc: "the scheme that it belongs to"},
		},
	}
	listTable = &sheet.Table{
		Name: "lists", Title: "Work list", About: "One work list of a day: who is on it and why.",
		Columns: []sheet.TableColumn{
			{Name: "list", Type: sheet.Word, Doc: "which list"},
			{Name: "on", Type: sheet.Date, Doc: "the day"},
			{Name: "animal", Type: sheet.Text, Doc: "the herd's own number or name"},
			{Name: "pen", Type: sheet.Text, Doc: "pen or group where she stands"},
			{Name: "status", Type: sheet.Word, Doc: "code of her status on the day"},
			{Name: "code", Type: sheet.Word, Doc: "why she is on the list, as a code"},
			{Name: "text", Type: sheet.Text, Doc: "why she is on the list, in words"},
			{Name: "since", Type: sheet.Date, Doc: "since when"},
			{Name: "until", Type: sheet.Date, Doc: "until when"},
			{Name: "verdict", Type: sheet.Word, Doc: "may she be bred: yes, no or examine_first, on the walk list if she were read in heat"},
			{Name: "mark", Type: sheet.Text, Doc: "colour of the herd's own mark"},
			{Name: "methods", Type: sheet.Word, Doc: "methods of diagnosis and the day from which each counts"},
			{Name: "lactation", Type: sheet.Integer, Doc: "number of her lactation; 0 for a heifer"},
			{Name: "days_in_milk", Type: sheet.Integer, Doc: "days since the last calving, in days"},
			{Name: "service_number", Type: sheet.Integer, Doc: "number of the last service in this lactation"},
			{Name: "last_service_on", Type: sheet.Date, Doc: "last service"},
			{Name: "days_since_service", Type: sheet.Integer, Doc: "days since the last service, in days"},
			{Name: "conceived_on", Type: sheet.Date, Doc: "conception"},
			{Name: "due_on", Type: sheet.Date, Doc: "expected calving"},
			{Name: "dry_off_on", Type: sheet.Date, Doc: "day to dry off"},
			{Name: "reasons", Type: sheet.Text, Doc: "reasons of the verdict"},
			{Name: "examine", Type: sheet.Text, Doc: "what to check first"},
			{Name: "caution", Type: sheet.Text, Doc: "cautions that go with it"},
			{Name: "seqs", Type: sheet.Word, Doc: "events behind it, by seq, separated by spaces"},
		},
	}
	findingTable = &sheet.Table{
		Name: "checks", Title: "Checks", About: "What in the records does not fit, and what to check.",
		Columns: []sheet.TableColumn{
			{Name: "code", Type: sheet.Word, Doc: "what does not fit, as a code"},
			{Name: "rule", Type: sheet.Word, Doc: "the rule that found it"},
			{Name: "severity", Type: sheet.Word, Doc: "how serious it is"},
			{Name: "animal", Type: sheet.Text, Doc: "the herd's own number or name; empty for the herd"},
			{Name: "on", Type: sheet.Date, Doc: "day of the event in question"},
			{Name: "text", Type: sheet.Text, Doc: "what does not fit, in words"},
			{Name: "bound", Type: sheet.Word, Doc: "the bound that it passes"},
			{Name: "sources", Type: sheet.Word, Doc: "sources of the bound"},
			{Name: "please_check", Type: sheet.Text, Doc: "what to look up or ask"},
			{Name: "seqs", Type: sheet.Word, Doc: "events in question, by seq, separated by spaces"},
			{Name: "first_event", Type: sheet.Word, Doc: "of a pair: id of the first event"},
			{Name: "second_event", Type: sheet.Word, Doc: "of a pair: id of the second event"},
			{Name: "differ", Type: sheet.Word, Doc: "of a pair: fields in which they differ, separated by spaces"},
		},
	}
	indexTable = &sheet.Table{
		Name: "indices", Title: "Indices", About: "One row for each index and, below it, one for each row of its breakdown.",
		Columns: []sheet.TableColumn{
			{Name: "index", Type: sheet.Word, Doc: "key of the index; GET /v1/definitions says how it is counted"},
			{Name: "row", Type: sheet.Text, Doc: "row of the breakdown; empty for the index as a whole"},
			{Name: "from", Type: sheet.Date, Doc: "first day of the row's window"},
			{Name: "to", Type: sheet.Date, Doc: "last day of the row's window"},
			{Name: "unit", Type: sheet.Word, Doc: "unit of the value"},
			{Name: "value", Type: sheet.Number, Doc: "the figure; empty where null_reason says why"},
			{Name: "null_reason", Type: sheet.Word, Doc: "why there is no value"},
			{Name: "numerator", Type: sheet.Integer, Doc: "counted in the numerator"},
			{Name: "denominator", Type: sheet.Integer, Doc: "counted in the denominator"},
			{Name: "interval_low", Type: sheet.Number, Doc: "lower end of the 95 % interval"},
			{Name: "interval_high", Type: sheet.Number, Doc: "upper end of the 95 % interval"},
			{Name: "net_of_losses", Type: sheet.Number, Doc: "the value without the pregnancies that were lost later; empty where none can be"},
			{Name: "small", Type: sheet.Flag, Doc: "too few cases to compare"},
			{Name: "provisional", Type: sheet.Flag, Doc: "outcomes are still open"},
			{Name: "statistic", Type: sheet.Word, Doc: "what kind of figure the value is"},
			{Name: "numerator_is", Type: sheet.Text, Doc: "what the numerator counts"},
			{Name: "denominator_is", Type: sheet.Text, Doc: "what the denominator counts"},
			{Name: "range_low", Type: sheet.Number, Doc: "lower end of a range of prices"},
			{Name: "range_high", Type: sheet.Number, Doc: "upper end of a range of prices"},
			{Name: "currency", Type: sheet.Word, Doc: "of money, a day"},
			{Name: "settled_on", Type: sheet.Date, Doc: "the day that the records must reach for the figure not to be provisional"},
		},
	}
	evidenceTable = &sheet.Table{
		Name: "evidence", Title: "Evidence of an index", About: "The animals, windows or services that an index counted, and those it left out.",
		Columns: []sheet.TableColumn{
			{Name: "animal", Type: sheet.Text, Doc: "the herd's own number or name"},
			{Name: "lactation", Type: sheet.Integer, Doc: "number of her lactation; 0 for a heifer"},
			{Name: "from", Type: sheet.Date, Doc: "first day"},
			{Name: "to", Type: sheet.Date, Doc: "last day"},
			{Name: "on", Type: sheet.Date, Doc: "day of the event"},
			{Name: "days", Type: sheet.Integer, Doc: "length, in days"},
			{Name: "counted", Type: sheet.Word, Doc: "numerator, denominator or excluded"},
			{Name: "reason", Type: sheet.Word, Doc: "why it is excluded, as a code"},
			{Name: "text", Type: sheet.Text, Doc: "why it is excluded, in words"},
			{Name: "group", Type: sheet.Text, Doc: "row of the breakdown"},
			{Name: "seqs", Type: sheet.Word, Doc: "events behind it, by seq, separated by spaces"},
		},
	}
	summaryTable = &sheet.Table{
		Name: "summary", Title: "Summary", About: "The indices of several herds, and behind them the pool with an empty herd.",
		Columns: slices.Concat([]sheet.TableColumn{{Name: "herd", Type: sheet.Text, Doc: "short name of the herd; empty for the pool"}}, indexTable.Columns),
	}
	technicianTable = &sheet.Table{
		Name: "technicians", Title: "Technicians", About: "Conception by technician over the pool, with funnel limits.",
		Columns: []sheet.TableColumn{
			{Name: "person", Type: sheet.Text, Doc: "who it is by the map of codes; empty for a code that is no person's"},
			{Name: "herds", Type: sheet.Text, Doc: "short name of the herd of each code, separated by spaces"},
			{Name: "codes", Type: sheet.Text, Doc: "the herds' own codes of the technician, in the order of herds; empty where none is recorded"},
			{Name: "value", Type: sheet.Number, Doc: "conceived of services with a known outcome"},
			{Name: "numerator", Type: sheet.Integer, Doc: "conceived"},
			{Name: "denominator", Type: sheet.Integer, Doc: "services with a known outcome"},
			{Name: "interval_low", Type: sheet.Number, Doc: "lower end of the 95 % interval"},
			{Name: "interval_high", Type: sheet.Number, Doc: "upper end of the 95 % interval"},
			{Name: "small", Type: sheet.Flag, Doc: "too few services to compare"},
			{Name: "unknown", Type: sheet.Integer, Doc: "services whose outcome nobody recorded"},
			{Name: "immature", Type: sheet.Integer, Doc: "services whose outcome cannot be known yet"},
			{Name: "lost_later", Type: sheet.Integer, Doc: "conceived and lost later"},
			{Name: "low_95", Type: sheet.Number, Doc: "lower 95 % limit around the pool's value"},
			{Name: "high_95", Type: sheet.Number, Doc: "upper 95 % limit around the pool's value"},
			{Name: "low_998", Type: sheet.Number, Doc: "lower 99.8 % limit around the pool's value"},
			{Name: "high_998", Type: sheet.Number, Doc: "upper 99.8 % limit around the pool's value"},
			{Name: "expected", Type: sheet.Number, Doc: "how many would have conceived if the services had done as the pool's of their lactations and numbers do in these herds"},
			{Name: "ratio", Type: sheet.Number, Doc: "conceived to expected"},
			{Name: "expected_low_95", Type: sheet.Number, Doc: "lower 95 % limit around the share expected"},
			{Name: "expected_high_95", Type: sheet.Number, Doc: "upper 95 % limit around the share expected"},
			{Name: "expected_low_998", Type: sheet.Number, Doc: "lower 99.8 % limit around the share expected"},
			{Name: "expected_high_998", Type: sheet.Number, Doc: "upper 99.8 % limit around the share expected"},
			{Name: "alone", Type: sheet.Integer, Doc: "services in herds where nobody else bred"},
			{Name: "position", Type: sheet.Word, Doc: "within the limits around the share expected, or outside which"},
		},
	}
)

// visitTableOf is the table of one list over several herds.
func visitTableOf(list string) *sheet.Table {
	t := &sheet.Table{
		Name: "lists/" + list, Title: listTable.Title, About: "One work list of several herds: who is on it and why.",
		Columns: slices.Concat([]sheet.TableColumn{{Name: "herd", Type: sheet.Text, Doc: "short name of the herd"}}, listTable.Columns),
	}
	for _, d := range repro.Lists() {
		if d.Name == list {
			t.Title = d.Title
		}
	}
	return t
}

// eventTable is a page of the log.
var eventTable = sheet.EventTable()

// listTableOf is the table of one list.
func listTableOf(l *repro.List) *sheet.Table {
	t := *listTable
	t.Name, t.Title, t.About = "lists/"+l.Name, l.Title, l.Text
	return &t
}

// described are the tables of one herd by the words that a data package is asked
// for with; nil is the export.
func described() map[string][]*sheet.Table {
	m := map[string][]*sheet.Table{
		"export": nil, "events": {eventTable}, "animals": {animalTable}, "checks": {findingTable}, "indices": {indexTable},
	}
	for _, d := range repro.Lists() {
		m["lists"] = append(m["lists"], listTableOf(&repro.List{ListDefinition: &d}))
	}
	for _, d := range repro.Keys() {
		t := *evidenceTable
		t.Name, t.Title = "indices/"+d.Key+"/evidence", "Evidence of "+d.Title
		m["evidence"] = append(m["evidence"], &t)
	}
	return m
}

// getDataPackage describes what a herd is given out as. The contract holds the
// words of table.
func (s *Server) getDataPackage(r *request) (*reply, error) {
	doc, err := s.book.DataPackage(r.ctx, r.herd, "export.csv", described()[r.text("table")])
	if err != nil {
		return nil, err
	}
	return &reply{raw: doc, media: mediaJSON}, nil
}

// getTables describes the tables over several herds.
func (*Server) getTables(r *request) (*reply, error) {
	tables := map[string][]*sheet.Table{"summary": {summaryTable}, "technicians": {technicianTable}}
	for _, d := range repro.Lists() {
		tables["lists"] = append(tables["lists"], visitTableOf(d.Name))
	}
	list := tables[r.text("table")]
	if list == nil {
		for _, name := range slices.Sorted(maps.Keys(tables)) {
			list = append(list, tables[name]...)
		}
	}
	doc, err := sheet.DataPackage(sheet.Export{Both: true, Tables: list})
	if err != nil {
		return nil, err
	}
	return &reply{raw: doc, media: mediaJSON}, nil
}
