package httpapi_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"byrelog.example/api"
	"byrelog.example/internal/httpapi/httpapitest"
)

// bad is one request that cannot be right, and where the fault is told.
type bad struct {
	name   string
	method string
	path   string
	body   string
	media  string
	header http.Header
	status int
	code   string
	at     string // pointer, parameter or line of the first fault; "" for none
}

const herdPath = "/v1/herds/alder-row"

var badRequests = []bad{
	// Addresses and methods.
	{name: "no such address", path: "/v2/herds", status: 404, code: "not-found"},
	{name: "no such method", method: http.MethodDelete, path: herdPath, status: 405, code: "method-not-allowed"},
	{name: "bad escape in the query", path: herdPath + "?x=%zz", status: 400, code: "malformed"},
	{name: "unknown parameter", path: herdPath + "/events?limt=3", status: 400, code: "bad-parameter", at: "limt"},
	{name: "doubled parameter", path: herdPath + "/events?limit=3&limit=4", status: 400, code: "bad-parameter", at: "limit"},
	{name: "body where none belongs", method: http.MethodDelete, path: "/v1/tokens/0199f3a2-5c10-7b6e-9d43-0c5d7e0b2a11", body: "{}", status: 400, code: "malformed"},
	{name: "media type not given", path: herdPath + "/animals", header: http.Header{"Accept": {"image/png"}}, status: 406, code: "not-acceptable"},

	// Herds and policies.
	{name: "herd: empty object", method: http.MethodPost, path: "/v1/herds", body: `{}`, status: 422, code: "invalid-body", at: "#/herd"},
	{name: "herd: bad name", method: http.MethodPost, path: "/v1/herds", body: `{"herd":"Alder Row"}`, status: 422, code: "invalid-body", at: "#/herd"},
	{name: "herd: unknown member", method: http.MethodPost, path: "/v1/herds", body: `{"herd":"x-1","owner":"y"}`, status: 422, code: "invalid-body", at: "#/owner"},
	{name: "herd: no such zone", method: http.MethodPost, path: "/v1/herds", body: `{"herd":"x-1","zone":"Mars/Base"}`, status: 422, code: "invalid-herd", at: "#/zone"},
	{name: "herd: exists", method: http.MethodPost, path: "/v1/herds", body: `{"herd":"alder-row"}`, status: 409, code: "herd-exists"},
	{name: "herd: doubled member", method: http.MethodPost, path: "/v1/herds", body: `{"herd":"x-1","herd":"x-2"}`, status: 400, code: "malformed", at: "#/herd"},
	{name: "herd: trailing data", method: http.MethodPost, path: "/v1/herds", body: `{"herd":"x-1"} {}`, status: 400, code: "malformed"},
	{name: "herd: not JSON", method: http.MethodPost, path: "/v1/herds", body: `herd: x-1`, status: 400, code: "malformed"},
	{name: "herd: no body", method: http.MethodPost, path: "/v1/herds", media: "application/json", status: 400, code: "malformed"},
	{name: "herd: other media type", method: http.MethodPost, path: "/v1/herds", body: "x", media: "text/plain", status: 415, code: "unsupported-media-type"},
	{name: "herd: other charset", method: http.MethodPost, path: "/v1/herds", body: `{"herd":"x-1"}`, media: "application/json; charset=latin1", status: 415, code: "unsupported-media-type"},
	{name: "herd: wrong type", method: http.MethodPost, path: "/v1/herds", body: `{"herd":7}`, status: 422, code: "invalid-body", at: "#/herd"},
	{name: "patch: nothing", method: http.MethodPatch, path: herdPath, body: `{}`, status: 422, code: "invalid-body"},
	{name: "patch: the name", method: http.MethodPatch, path: herdPath, body: `{"herd":"other"}`, status: 422, code: "invalid-body", at: "#/herd"},
	{name: "policy: no date", method: http.MethodPut, path: herdPath + "/policies/soon", body: `{}`, status: 400, code: "bad-parameter", at: "from"},
	{name: "policy: no such day", method: http.MethodPut, path: herdPath + "/policies/2026-02-30", body: `{}`, status: 400, code: "bad-parameter", at: "from"},
	{name: "policy: out of bounds", method: http.MethodPut, path: herdPath + "/policies/2026-02-01", body: `{"wait_first_days":1000}`, status: 422, code: "invalid-body", at: "#/wait_first_days"},
	{name: "policy: a fraction of a day", method: http.MethodPut, path: herdPath + "/policies/2026-02-01", body: `{"wait_first_days":60.5}`, status: 422, code: "invalid-body", at: "#/wait_first_days"},
	{name: "policy: unknown member", method: http.MethodPut, path: herdPath + "/policies/2026-02-01", body: `{"vwp":60}`, status: 422, code: "invalid-body", at: "#/vwp"},
	{name: "policy: range upside down", method: http.MethodPut, path: herdPath + "/policies/2026-02-01", body: `{"open_cost":{"currency":"USD","low":3,"high":2}}`, status: 422, code: "invalid-policy", at: "#/open_cost/high"},

	// Reading events.
	{name: "events: limit 0", path: herdPath + "/events?limit=0", status: 400, code: "bad-parameter", at: "limit"},
	{name: "events: limit too high", path: herdPath + "/events?limit=1001", status: 400, code: "bad-parameter", at: "limit"},
	{name: "events: limit a word", path: herdPath + "/events?limit=many", status: 400, code: "bad-parameter", at: "limit"},
	{name: "events: empty limit", path: herdPath + "/events?limit=", status: 400, code: "bad-parameter", at: "limit"},
	{name: "events: negative after", path: herdPath + "/events?after=-1", status: 400, code: "bad-parameter", at: "after"},
	{name: "events: after beyond int64", path: herdPath + "/events?after=99999999999999999999", status: 400, code: "bad-parameter", at: "after"},
	{name: "events: after past the head", path: herdPath + "/events?after=1000000", status: 409, code: "log-epoch-changed"},
	{name: "events: no such kind", path: herdPath + "/events?kind=milking", status: 400, code: "bad-parameter", at: "kind"},
	{name: "events: no such day", path: herdPath + "/events?from=2026-02-30", status: 400, code: "bad-parameter", at: "from"},
	{name: "events: day before the log's first", path: herdPath + "/events?to=1812-06-24", status: 400, code: "bad-parameter", at: "to"},
	{name: "events: wait too long", path: herdPath + "/events?wait=31", status: 400, code: "bad-parameter", at: "wait"},
	{name: "events: wait for the past", path: herdPath + "/events?wait=1&as_of=3", status: 400, code: "bad-parameter", at: "wait"},
	{name: "events: all is a word", path: herdPath + "/events?all=yes", status: 400, code: "bad-parameter", at: "all"},
	{name: "events: no cursor", path: herdPath + "/events?cursor=start", status: 400, code: "bad-cursor"},
	{name: "events: as of nothing", path: herdPath + "/events?as_of=0", status: 400, code: "bad-parameter", at: "as_of"},
	{name: "events: as of a word", path: herdPath + "/events?as_of=yesterday", status: 400, code: "bad-parameter", at: "as_of"},
	{name: "events: as of no such hour", path: herdPath + "/events?as_of=2026-06-30T25:00:00Z", status: 400, code: "bad-parameter", at: "as_of"},
	{name: "events: as of past the head", path: herdPath + "/events?as_of=1000000", status: 400, code: "invalid-as-of", at: "as_of"},
	{name: "event: no uuid", path: herdPath + "/events/17", status: 400, code: "bad-parameter", at: "id"},
	{name: "event: none", path: herdPath + "/events/0199f3a2-5c10-7b6e-9d43-000000000000", status: 404, code: "event-not-found"},

	// Appending.
	{name: "append: no body", method: http.MethodPost, path: herdPath + "/events", media: "application/json", status: 422, code: "invalid-event"},
	{name: "append: empty list", method: http.MethodPost, path: herdPath + "/events", body: `[]`, status: 422, code: "no-events"},
	{name: "append: empty lines", method: http.MethodPost, path: herdPath + "/events", body: "\n\n", media: "application/x-ndjson", status: 422, code: "no-events"},
	{name: "append: CSV", method: http.MethodPost, path: herdPath + "/events", body: "a,b", media: "text/csv", status: 415, code: "unsupported-media-type"},
	{name: "append: a text", method: http.MethodPost, path: herdPath + "/events", body: `"heat"`, status: 422, code: "invalid-event", at: "#"},
	{name: "append: a list that breaks off", method: http.MethodPost, path: herdPath + "/events", body: `[{"kind":"heat"}`, status: 400, code: "malformed"},
	{name: "append: no kind", method: http.MethodPost, path: herdPath + "/events", body: `{"animal":"1","on":"2026-01-01"}`, status: 422, code: "invalid-event", at: "#/kind"},
	{name: "append: unknown member", method: http.MethodPost, path: herdPath + "/events", body: `{"animal":"1","kind":"dry_off","on":"2026-01-01","colour":"red"}`, status: 422, code: "invalid-event", at: "#/colour"},
	{name: "append: the server's member", method: http.MethodPost, path: herdPath + "/events", body: `{"seq":1,"animal":"1","kind":"dry_off","on":"2026-01-01"}`, status: 422, code: "invalid-event", at: "#/seq"},
	{name: "append: doubled member", method: http.MethodPost, path: herdPath + "/events", body: `{"animal":"1","animal":"2","kind":"dry_off","on":"2026-01-01"}`, status: 422, code: "invalid-event", at: "#"},
	{name: "append: the future", method: http.MethodPost, path: herdPath + "/events", body: `{"animal":"1","kind":"dry_off","on":"2026-11-26"}`, status: 422, code: "invalid-event", at: "#/on"},
	{name: "append: second of a list", method: http.MethodPost, path: herdPath + "/events", body: `[{"animal":"1","kind":"dry_off","on":"2026-01-01"},{"animal":"1","kind":"heat","on":"2026-01-01","data":{"verdict":"maybe"}}]`, status: 422, code: "invalid-event", at: "#/1/data/verdict"},
	{name: "append: list of one", method: http.MethodPost, path: herdPath + "/events", body: `[{"animal":"1","kind":"dry_off","on":"2026-12-01"}]`, status: 422, code: "invalid-event", at: "#/0/on"},
	{name: "append: third line", method: http.MethodPost, path: herdPath + "/events", body: "{\"animal\":\"1\",\"kind\":\"dry_off\",\"on\":\"2026-01-01\"}\n\n{\"animal\":\"1\",\"kind\":\"dry_off\",\"on\":\"2026-12-01\"}\n", media: "application/x-ndjson", status: 422, code: "invalid-event", at: "line 3"},
	{name: "append: she left", method: http.MethodPost, path: herdPath + "/events", body: `{"animal":"0600","kind":"heat","on":"2026-03-01","data":{"verdict":"suspect"}}`, status: 422, code: "invalid-event", at: "#"},
	{name: "append: expected head", method: http.MethodPost, path: herdPath + "/events?expected_head_seq=3", body: `{"animal":"0412","kind":"dry_off","on":"2026-11-20"}`, status: 409, code: "head-moved"},
	{name: "append: bad key", method: http.MethodPost, path: herdPath + "/events", header: http.Header{"Idempotency-Key": {"two words"}}, body: `{"animal":"0412","kind":"dry_off","on":"2026-11-20"}`, status: 400, code: "bad-parameter", at: "Idempotency-Key"},
	{name: "append: unknown coding", method: http.MethodPost, path: herdPath + "/events", header: http.Header{"Content-Encoding": {"br"}}, body: `{}`, status: 415, code: "unsupported-media-type"},
	{name: "append: not gzip", method: http.MethodPost, path: herdPath + "/events", header: http.Header{"Content-Encoding": {"gzip"}}, body: `{}`, status: 400, code: "malformed"},
	{name: "append: replaces what stands", method: http.MethodPost, path: herdPath + "/events", body: `{"animal":"0412","kind":"dry_off","on":"2026-11-20","replaces":"$EVENT"}`, status: 422, code: "invalid-event", at: "#/replaces"},
	{name: "note: no uuid", method: http.MethodDelete, path: herdPath + "/events/17/note", status: 400, code: "bad-parameter", at: "id"},
	{name: "note: none", method: http.MethodDelete, path: herdPath + "/events/0199f3a2-5c10-7b6e-9d43-000000000000/note", status: 404, code: "note-not-found"},
	{name: "void: no reason", method: http.MethodPost, path: herdPath + "/events/$EVENT/void", body: `{}`, status: 422, code: "invalid-body", at: "#/reason"},
	{name: "void: a list", method: http.MethodPost, path: herdPath + "/events/$EVENT/void", body: `[]`, status: 422, code: "invalid-body"},
	{name: "void: unknown member", method: http.MethodPost, path: herdPath + "/events/$EVENT/void", body: `{"reason":"x","why":"y"}`, status: 422, code: "invalid-body", at: "#/why"},
	{name: "void: the future", method: http.MethodPost, path: herdPath + "/events/$EVENT/void", body: `{"reason":"x","on":"2026-12-24"}`, status: 422, code: "invalid-event", at: "#/on"},
	{name: "void: nothing there", method: http.MethodPost, path: herdPath + "/events/0199f3a2-5c10-7b6e-9d43-000000000000/void", body: `{"reason":"x"}`, status: 422, code: "invalid-event", at: "id"},
	{name: "void: bad replacement", method: http.MethodPost, path: herdPath + "/events/$EVENT/void", body: `{"reason":"x","replacement":{"kind":"heat","on":"2026-01-01","data":{}}}`, status: 422, code: "invalid-event", at: "#/replacement/animal"},
	{name: "void: replacement in the future", method: http.MethodPost, path: herdPath + "/events/$EVENT/void", body: `{"reason":"x","replacement":{"animal":"1","kind":"dry_off","on":"2026-12-24"}}`, status: 422, code: "invalid-event", at: "#/replacement/on"},

	// Rounds.
	{name: "round: JSON", method: http.MethodPost, path: herdPath + "/rounds", body: `{}`, status: 415, code: "unsupported-media-type"},
	{name: "round: empty", method: http.MethodPost, path: herdPath + "/rounds", body: "\n", media: "text/plain", status: 422, code: "invalid-round", at: "line 1"},
	{name: "round: no heading", method: http.MethodPost, path: herdPath + "/rounds", body: "0412 suspect\n", media: "text/plain", status: 422, code: "invalid-round", at: "line 1"},
	{name: "round: unknown word", method: http.MethodPost, path: herdPath + "/rounds", body: "round 2026-11-20\n0412 suspcet\n", media: "text/plain", status: 422, code: "invalid-round", at: "line 2"},
	{name: "round: the future", method: http.MethodPost, path: herdPath + "/rounds", body: "round 2026-11-26\n\n0412 suspect\n", media: "text/plain", status: 422, code: "invalid-round", at: "line 3"},
	{name: "round: she left", method: http.MethodPost, path: herdPath + "/rounds", body: "round 2026-03-01\n0412 suspect\n0600 suspect\n", media: "text/plain", status: 422, code: "invalid-round", at: "line 3"},
	{name: "round: too large", method: http.MethodPost, path: herdPath + "/rounds", body: "round 2026-03-01\n" + strings.Repeat("#\n", 128<<10), media: "text/plain", status: 413, code: "too-large"},
	{name: "round: too many lines", method: http.MethodPost, path: herdPath + "/rounds", body: "round 2026-03-01\n" + strings.Repeat("#\n", 3000), media: "text/plain", status: 422, code: "invalid-round", at: "line 3001"},
	{name: "round: no text", method: http.MethodPost, path: herdPath + "/rounds", body: "\xff\xfe", media: "text/plain", status: 422, code: "invalid-round", at: "line 1"},
	{name: "round: unknown parameter", method: http.MethodPost, path: herdPath + "/rounds?all=true", body: "round 2026-11-20\n", media: "text/plain", status: 400, code: "bad-parameter", at: "all"},
	{name: "last request: no such herd", path: "/v1/herds/no-such/last-request", status: 404, code: "herd-not-found"},

	// Files.
	{name: "import: JSON", method: http.MethodPost, path: herdPath + "/imports", body: `{}`, status: 415, code: "unsupported-media-type"},
	{name: "import: no such mapping", method: http.MethodPost, path: herdPath + "/imports?mapping=none", body: "a\r\n", media: "text/csv", status: 404, code: "mapping-not-found"},
	{name: "import: bad mapping name", method: http.MethodPost, path: herdPath + "/imports?mapping=A%20B", body: "a\r\n", media: "text/csv", status: 400, code: "bad-parameter", at: "mapping"},
	{name: "import: empty file", method: http.MethodPost, path: herdPath + "/imports", body: "", media: "text/csv", status: 422, code: "invalid-file"},
	{name: "import: unknown columns", method: http.MethodPost, path: herdPath + "/imports", body: "cow,day\r\n1,2\r\n", media: "text/csv", status: 422, code: "invalid-file", at: "line 1"},
	{name: "import: open quote", method: http.MethodPost, path: herdPath + "/imports", body: "event_id,animal,kind,on\r\n,\"0412,dry_off,2026-01-01\r\n", media: "text/csv", status: 422, code: "invalid-file"},
	{name: "import: a workbook", method: http.MethodPost, path: herdPath + "/imports", body: "PK\x03\x04xxxxxxxxxxxxxxxx", media: "text/csv", status: 415, code: "invalid-file"},
	{name: "import: max_voids", method: http.MethodPost, path: herdPath + "/imports?max_voids=-1", body: "a\r\n", media: "text/csv", status: 400, code: "bad-parameter", at: "max_voids"},
	{name: "import: digest", method: http.MethodPost, path: herdPath + "/imports?digest=abc", body: "a\r\n", media: "text/csv", status: 400, code: "bad-parameter", at: "digest"},
	{name: "import: other bytes than asked for", method: http.MethodPost, path: herdPath + "/imports?digest=" + strings.Repeat("0", 64), body: officeRows, media: "text/csv", status: 409, code: "file-differs"},
	{name: "import over herds: without a mapping", method: http.MethodPost, path: "/v1/imports", body: "a\r\n", media: "text/csv", status: 400, code: "bad-parameter", at: "mapping"},
	{name: "import over herds: native", method: http.MethodPost, path: "/v1/imports?mapping=native", body: "a\r\n", media: "text/csv", status: 422, code: "no-herd-column"},
	{name: "import over herds: no such mapping", method: http.MethodPost, path: "/v1/imports?mapping=none", body: "a\r\n", media: "text/csv", status: 404, code: "mapping-not-found"},
	{name: "import over herds: none of this id", path: "/v1/imports/0199f3a2-5c10-7b6e-9d43-000000000000", status: 404, code: "import-not-found"},
	{name: "import over herds: id", path: "/v1/imports/seven", status: 400, code: "bad-parameter", at: "id"},
	{name: "rejects over herds: none of this id", path: "/v1/imports/0199f3a2-5c10-7b6e-9d43-000000000000/rejects.csv", status: 404, code: "import-not-found"},
	{name: "import: none of this id", path: herdPath + "/imports/0199f3a2-5c10-7b6e-9d43-000000000000", status: 404, code: "import-not-found"},
	{name: "rejects: none of this id", path: herdPath + "/imports/0199f3a2-5c10-7b6e-9d43-000000000000/rejects.csv", status: 404, code: "import-not-found"},
	{name: "export: profile", path: herdPath + "/export.csv?profile=machine", status: 400, code: "bad-parameter", at: "profile"},
	{name: "export: delimiter", path: herdPath + "/export.csv?profile=spreadsheet&delimiter=%7C", status: 400, code: "bad-parameter", at: "delimiter"},
	{name: "export: delimiter of the interchange profile", path: herdPath + "/export.csv?delimiter=tab", status: 400, code: "bad-parameter", at: "delimiter"},
	{name: "animals: delimiter of the interchange profile", path: herdPath + "/animals.csv?delimiter=semicolon", status: 400, code: "bad-parameter", at: "delimiter"},
	{name: "data package: table", path: herdPath + "/datapackage.json?table=cows", status: 400, code: "bad-parameter", at: "table"},
	{name: "data package of many herds: table", path: "/v1/datapackage.json?table=animals", status: 400, code: "bad-parameter", at: "table"},
	{name: "imports: cursor", path: herdPath + "/imports?cursor=x", status: 400, code: "bad-cursor"},
	{name: "import: a workbook that is none", method: http.MethodPost, path: herdPath + "/imports", body: "a,b\r\n", media: api.MediaWorkbook, status: 415, code: "invalid-file"},
	{name: "import: a workbook of the older form", method: http.MethodPost, path: herdPath + "/imports", body: "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", media: api.MediaWorkbook, status: 415, code: "invalid-file"},
	{name: "import: a workbook that was cut off", method: http.MethodPost, path: herdPath + "/imports", body: "PK\x03\x04xxxxxxxxxxxxxxxx", media: api.MediaWorkbook, status: 422, code: "invalid-file"},
	{name: "suggest: JSON", method: http.MethodPost, path: "/v1/mappings/suggest", body: `{}`, status: 415, code: "unsupported-media-type"},
	{name: "suggest: nothing", method: http.MethodPost, path: "/v1/mappings/suggest", body: " ", media: "text/csv", status: 422, code: "invalid-file"},
	{name: "suggest: a workbook as CSV", method: http.MethodPost, path: "/v1/mappings/suggest", body: "PK\x03\x04xxxxxxxxxxxxxxxx", media: "text/csv", status: 415, code: "invalid-file"},
	{name: "suggest: blank source", method: http.MethodPost, path: "/v1/mappings/suggest?source=", body: "a,b\r\n", media: "text/csv", status: 400, code: "bad-parameter", at: "source"},
	{name: "suggest: a source with spaces around", method: http.MethodPost, path: "/v1/mappings/suggest?source=%20x", body: "a,b\r\n", media: "text/csv", status: 422, code: "invalid-file"},
	{name: "mapping: the name of the draft", method: http.MethodPut, path: "/v1/mappings/suggest", body: "version: 1", media: "application/yaml", status: 422, code: "invalid-mapping", at: "name"},
	{name: "mapping: none", path: "/v1/mappings/none", status: 404, code: "mapping-not-found"},
	{name: "mapping: not one", method: http.MethodPut, path: "/v1/mappings/mine", body: "just text", media: "application/yaml", status: 422, code: "invalid-mapping"},
	{name: "mapping: built in", method: http.MethodPut, path: "/v1/mappings/native", body: "x: 1", media: "application/yaml", status: 422, code: "invalid-mapping", at: "name"},

	// The exchange standard. Faults of single resources are told in the report:
	// TestExchangeBadResources.
	{name: "exchange: no body", method: http.MethodPost, path: herdPath + "/exchange", media: "application/json", status: 422, code: "invalid-exchange"},
	{name: "exchange: a text", method: http.MethodPost, path: herdPath + "/exchange", body: `"heat"`, status: 422, code: "invalid-exchange"},
	{name: "exchange: breaks off", method: http.MethodPost, path: herdPath + "/exchange", body: `[{"resourceType":"icarMilkingDryOffEventResource"}`, status: 422, code: "invalid-exchange"},
	{name: "exchange: trailing data", method: http.MethodPost, path: herdPath + "/exchange", body: `[] []`, status: 422, code: "invalid-exchange"},
	{name: "exchange: nested without end", method: http.MethodPost, path: herdPath + "/exchange", body: strings.Repeat("[", 5000), status: 422, code: "invalid-exchange"},
	{name: "exchange: too many", method: http.MethodPost, path: herdPath + "/exchange", body: "[" + strings.Repeat("0,", 10_005) + "0]", status: 413, code: "too-many-resources"},
	{name: "exchange: CSV", method: http.MethodPost, path: herdPath + "/exchange", body: "a,b", media: "text/csv", status: 415, code: "unsupported-media-type"},
	{name: "exchange: not gzip", method: http.MethodPost, path: herdPath + "/exchange", header: http.Header{"Content-Encoding": {"gzip"}}, body: "[]", status: 400, code: "malformed"},
	{name: "exchange: dry run perhaps", method: http.MethodPost, path: herdPath + "/exchange?dry_run=perhaps", body: "[]", status: 400, code: "bad-parameter", at: "dry_run"},
	{name: "exchange: location too long", method: http.MethodPost, path: herdPath + "/exchange?location=" + strings.Repeat("9", 65), body: "[]", status: 400, code: "bad-parameter", at: "location"},
	{name: "datasets: unknown parameter", path: herdPath + "/exchange/datasets?since=x", status: 400, code: "bad-parameter", at: "since"},
	{name: "dataset: none", path: herdPath + "/exchange/datasets/milk", status: 400, code: "bad-parameter", at: "dataset"},
	{name: "changes: no dataset", path: herdPath + "/exchange/datasets/milk/changes", status: 400, code: "bad-parameter", at: "dataset"},
	{name: "changes: no token", path: herdPath + "/exchange/datasets/reproduction/changes?since=yesterday", status: 400, code: "bad-parameter", at: "since"},
	{name: "changes: empty token", path: herdPath + "/exchange/datasets/reproduction/changes?since=", status: 400, code: "bad-parameter", at: "since"},

	// Cows and indices.
	{name: "animals: no such status form", path: herdPath + "/animals?status=In%20Calf", status: 400, code: "bad-parameter", at: "status"},
	{name: "animals: no such status", path: herdPath + "/animals?status=sleepy", status: 400, code: "bad-parameter", at: "status"},
	{name: "animals: no such day", path: herdPath + "/animals?on=2026-13-01", status: 400, code: "bad-parameter", at: "on"},
	{name: "animals: cursor", path: herdPath + "/animals?cursor=x", status: 400, code: "bad-cursor"},
	{name: "animal: none", path: herdPath + "/animals/9999", status: 404, code: "animal-not-found"},
	{name: "animal: name too long", path: herdPath + "/animals/" + strings.Repeat("9", 33), status: 400, code: "bad-parameter", at: "animal"},
	{name: "eligibility: none", path: herdPath + "/animals/9999/eligibility", status: 404, code: "animal-not-found"},
	{name: "eligibility: no such day", path: herdPath + "/animals/0412/eligibility?on=today", status: 400, code: "bad-parameter", at: "on"},
	{name: "list: none of this name", path: herdPath + "/lists/hoof", status: 400, code: "bad-parameter", at: "list"},
	{name: "form: of a list that has none", path: herdPath + "/lists/walk/form", status: 404, code: "no-form"},
	{name: "form: method of another list", path: herdPath + "/lists/examine/form?method=blood", status: 400, code: "bad-parameter", at: "method"},
	{name: "list: days of the walk", path: herdPath + "/lists/walk?days=3", status: 400, code: "bad-parameter", at: "days"},
	{name: "list: too many days", path: herdPath + "/lists/examine?days=22", status: 400, code: "bad-parameter", at: "days"},
	{name: "list: days a word", path: herdPath + "/lists/calve?days=week", status: 400, code: "bad-parameter", at: "days"},
	{name: "list: method of another list", path: herdPath + "/lists/walk?method=blood", status: 400, code: "bad-parameter", at: "method"},
	{name: "list: no such method", path: herdPath + "/lists/diagnose?method=guess", status: 400, code: "bad-parameter", at: "method"},
	{name: "list: short form of another list", path: herdPath + "/lists/breed?short=true", status: 400, code: "bad-parameter", at: "short"},
	{name: "list: negative days", path: herdPath + "/lists/calve?days=-1", status: 400, code: "bad-parameter", at: "days"},
	{name: "list: no such day", path: herdPath + "/lists/breed?on=2026-02-30", status: 400, code: "bad-parameter", at: "on"},
	{name: "list: cursor", path: herdPath + "/lists/breed?cursor=x", status: 400, code: "bad-cursor"},
	{name: "list: an image", path: herdPath + "/lists/breed", header: http.Header{"Accept": {"image/png"}}, status: 406, code: "not-acceptable"},
	{name: "checks: no such animal", path: herdPath + "/checks?animal=9999", status: 404, code: "animal-not-found"},
	{name: "checks: no such import", path: herdPath + "/checks?import=0199f3a2-5c10-7b6e-9d43-000000000000", status: 404, code: "import-not-found"},
	{name: "checks: no import's id", path: herdPath + "/checks?import=7", status: 400, code: "bad-parameter", at: "import"},
	{name: "checks: no such rule", path: herdPath + "/checks?rule=20", status: 400, code: "bad-parameter", at: "rule"},
	{name: "checks: no such severity", path: herdPath + "/checks?severity=fatal", status: 400, code: "bad-parameter", at: "severity"},
	{name: "visit: no such list", path: "/v1/lists/hoof", status: 400, code: "bad-parameter", at: "list"},
	{name: "visit: no such herd", path: "/v1/lists/diagnose?herds=alder-row,no-such-herd", status: 404, code: "herd-not-found"},
	{name: "visit: days that walk takes none of", path: "/v1/lists/walk?days=1", status: 400, code: "bad-parameter", at: "days"},
	{name: "technicians: no such herd", path: "/v1/technicians?herds=no-such-herd", status: 404, code: "herd-not-found"},
	{name: "technicians: by is not asked for", path: "/v1/technicians?by=sire", status: 400, code: "bad-parameter", at: "by"},
	{name: "people: no map", path: "/v1/technicians", method: http.MethodPost, media: "text/csv", body: "who\n", status: 422, code: "invalid-people"},
	{name: "technicians: merge", path: "/v1/technicians?merge_days=4", status: 400, code: "bad-parameter", at: "merge_days"},
	{name: "summary: no such group", path: "/v1/summary?by=barn", status: 400, code: "bad-parameter", at: "by"},
	{name: "index: grouped by what it does not know", path: herdPath + "/indices/cost_of_open_days?by=sire", status: 400, code: "bad-parameter", at: "by"},
	{name: "indices: from after to", path: herdPath + "/indices?from=2026-06-01&to=2026-05-01", status: 400, code: "bad-parameter", at: "from"},
	{name: "indices: no such key", path: herdPath + "/indices?keys=days_open,milk_yield", status: 400, code: "bad-parameter", at: "keys"},
	{name: "indices: no such group", path: herdPath + "/indices?by=barn", status: 400, code: "bad-parameter", at: "by"},
	{name: "indices: exposure", path: herdPath + "/indices?exposure_days=22", status: 400, code: "bad-parameter", at: "exposure_days"},
	{name: "indices: merge", path: herdPath + "/indices?merge_days=4", status: 400, code: "bad-parameter", at: "merge_days"},
	{name: "indices: maturity", path: herdPath + "/indices?maturity_days=366", status: 400, code: "bad-parameter", at: "maturity_days"},
	{name: "indices: strata", path: herdPath + "/indices?strata=bulls", status: 400, code: "bad-parameter", at: "strata"},
	{name: "indices: anchor", path: herdPath + "/indices?anchor=monday", status: 400, code: "bad-parameter", at: "anchor"},
	{name: "index: none", path: herdPath + "/indices/milk_yield", status: 404, code: "index-not-found"},
	{name: "index: not grouped so", path: herdPath + "/indices/days_open?by=barn", status: 400, code: "bad-parameter", at: "by"},
	{name: "evidence: none", path: herdPath + "/indices/milk_yield/evidence", status: 404, code: "index-not-found"},
	{name: "evidence: cursor", path: herdPath + "/indices/days_open/evidence?cursor=x", status: 400, code: "bad-cursor"},
	{name: "evidence: not grouped so", path: herdPath + "/indices/days_open/evidence?by=barn", status: 400, code: "bad-parameter", at: "by"},
	{name: "summary: bad herd name", path: "/v1/summary?herds=Alder", status: 400, code: "bad-parameter", at: "herds"},
	{name: "summary: no such herd", path: "/v1/summary?herds=no-such-herd", status: 404, code: "herd-not-found"},
	{name: "summary: no such key", path: "/v1/summary?keys=x", status: 400, code: "bad-parameter", at: "keys"},

	// Tokens.
	{name: "token: no name", method: http.MethodPost, path: "/v1/tokens", body: `{"grants":[]}`, status: 422, code: "invalid-body", at: "#/name"},
	{name: "token: no grants", method: http.MethodPost, path: "/v1/tokens", body: `{"name":"x","grants":[]}`, status: 422, code: "invalid-token-request", at: "#/grants"},
	{name: "token: no such scope", method: http.MethodPost, path: "/v1/tokens", body: `{"name":"x","grants":[{"herd":"alder-row","scopes":["read","write"]}]}`, status: 422, code: "invalid-body", at: "#/grants/0/scopes/1"},
	{name: "token: no such herd", method: http.MethodPost, path: "/v1/tokens", body: `{"name":"x","grants":[{"herd":"no-such-herd","scopes":["read"]}]}`, status: 404, code: "herd-not-found"},
	{name: "token: over already", method: http.MethodPost, path: "/v1/tokens", body: `{"name":"x","expires_at":"2020-01-01T00:00:00Z","grants":[{"herd":"alder-row","scopes":["read"]}]}`, status: 422, code: "invalid-token-request", at: "#/expires_at"},
	{name: "token: no time", method: http.MethodPost, path: "/v1/tokens", body: `{"name":"x","expires_at":"tomorrow","grants":[]}`, status: 422, code: "invalid-body", at: "#/expires_at"},
	{name: "token: none of this id", method: http.MethodDelete, path: "/v1/tokens/0199f3a2-5c10-7b6e-9d43-000000000000", status: 404, code: "not-found"},
	{name: "token: no uuid", method: http.MethodDelete, path: "/v1/tokens/7", status: 400, code: "bad-parameter", at: "id"},
}

// Bad input of every kind is refused with a problem that says where the fault
// is, repeats nothing that was sent beyond a field's own value, and changes
// nothing.
func TestBadInput(t *testing.T) {
	t.Parallel()
	s := seeded(t)
	var page api.EventPage
	get(s, herdPath+"/events?limit=2").Want(http.StatusOK).JSON(&page)
	event := page.Items[1].ID.String()
	state := func() string {
		return string(get(s, "/v1/heads").Body) + string(get(s, "/v1/herds").Body) + string(get(s, herdPath+"/policies").Body) +
			string(get(s, "/v1/mappings").Body) + string(get(s, "/v1/tokens").Body)
	}
	before := state()
	for _, c := range badRequests {
		t.Run(c.name, func(t *testing.T) {
			r := s.Do(httpapitest.Request{
				Method: c.method, Path: strings.ReplaceAll(c.path, "$EVENT", event), Token: s.Admin,
				Body: strings.ReplaceAll(c.body, "$EVENT", event), Type: c.media, Header: c.header,
			})
			if r.Status != c.status {
				t.Fatalf("status %d, want %d: %s", r.Status, c.status, r.Body)
			}
			p := r.Problem()
			if p.Code != c.code || p.Type != "urn:byrelog:problem:"+c.code || p.Status != c.status || p.Detail == "" || p.Title == "" {
				t.Errorf("got %s, want code %s", r.Body, c.code)
			}
			if got := places(p); c.at != "" && !slices.Contains(got, c.at) {
				t.Errorf("the fault is told at %q, want %q: %s", got, c.at, r.Body)
			}
			for _, leak := range []string{"SQL", "pgx", "kin-openapi", "jsonschema", "Schema:", "/work", ".go:", "goroutine"} {
				if strings.Contains(string(r.Body), leak) {
					t.Errorf("the problem shows %q: %s", leak, r.Body)
				}
			}
		})
	}
	if after := state(); after != before {
		t.Errorf("bad input changed something:\n%s\n%s", before, after)
	}
}

func places(p *api.Problem) []string {
	var list []string
	if p.Errors == nil {
		return nil
	}
	for _, it := range *p.Errors {
		switch {
		case it.Line != nil:
			list = append(list, "line "+itoa(*it.Line))
		case it.Pointer != nil:
			list = append(list, *it.Pointer)
		case it.Parameter != nil:
			list = append(list, *it.Parameter)
		}
	}
	return list
}

// Every operation that takes input has a case above.
func TestBadInputCoversEveryOperation(t *testing.T) {
	t.Parallel()
	doc := loadContract(t)
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			if len(op.Parameters) == 0 && len(item.Parameters) == 0 && op.RequestBody == nil {
				continue
			}
			if !slices.ContainsFunc(badRequests, func(c bad) bool { return fits(c, method, path) }) && !onlyHerd(method, path) {
				t.Errorf("%s %s has no case of bad input", method, path)
			}
		}
	}
}

// onlyHerd are operations whose one input is the herd: the access matrix has
// their bad herds.
func onlyHerd(method, path string) bool {
	rest, ok := strings.CutPrefix(path, "/v1/herds/{herd}")
	return ok && method == http.MethodGet && slices.Contains([]string{"", "/head", "/policies"}, rest)
}

func fits(c bad, method, template string) bool {
	m := c.method
	if m == "" {
		m = http.MethodGet
	}
	path, _, _ := strings.Cut(c.path, "?")
	have, want := strings.Split(path, "/"), strings.Split(template, "/")
	if m != method || len(have) != len(want) {
		return false
	}
	for i := range want {
		if !strings.HasPrefix(want[i], "{") && want[i] != have[i] {
			return false
		}
	}
	return true
}
