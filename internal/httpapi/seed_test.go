package httpapi_test

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"byrelog.example/api"
	"byrelog.example/internal/httpapi/httpapitest"
)

// The tests' own scenario: on 2026-11-25 the herd alder-row knows of four
// animals. 0412 calved in May, was bred in July and found pregnant; 0388 calved
// in August and is suspect today; 0517 calved in July, was bred twice and is
// open by diagnosis; 0600 left.
const scenario = `
{"animal":"0412","kind":"arrival","on":"2022-03-01","data":{"how":"born","born_on":"2022-03-01","sex":"female","breed":"holstein","pen":"south"}}
{"animal":"0412","kind":"calving","on":"2026-05-04","data":{"ease":1,"parity":2,"calves":[{"sex":"female","outcome":"alive","tag":"0701"}]}}
{"animal":"0412","kind":"heat","on":"2026-07-20","half":"am","by":"t2","data":{"verdict":"in_heat","chalk":"rubbed","found_by":"chalk"}}
{"animal":"0412","kind":"breeding","on":"2026-07-20","at":"16:30","by":"t2","data":{"method":"ai","sire":"S-118","semen":"conventional","basis":"heat"}}
{"animal":"0412","kind":"pregnancy_diagnosis","on":"2026-08-31","by":"v1","data":{"method":"ultrasound","result":"pregnant","days_pregnant":42}}
{"animal":"0388","kind":"arrival","on":"2023-01-10","data":{"how":"born","born_on":"2023-01-10","sex":"female","pen":"south"}}
{"animal":"0388","kind":"calving","on":"2026-08-30","data":{"parity":1}}
{"animal":"0388","kind":"heat","on":"2026-11-25","half":"am","data":{"verdict":"suspect","chalk":"disturbed"},"note":"gate side <pen 3> & \"north\""}
{"animal":"0517","kind":"arrival","on":"2023-04-02","data":{"how":"purchased","born_on":"2022-02-02","sex":"female","pen":"north"}}
{"animal":"0517","kind":"calving","on":"2026-07-01","data":{"parity":3}}
{"animal":"0517","kind":"breeding","on":"2026-09-07","by":"t3","data":{"method":"ai","sire":"S-118"}}
{"animal":"0517","kind":"breeding","on":"2026-09-28","by":"t3","data":{"method":"ai","sire":"S-204"}}
{"animal":"0517","kind":"pregnancy_diagnosis","on":"2026-11-10","data":{"method":"palpation","result":"open"}}
{"animal":"0600","kind":"arrival","on":"2021-01-01","data":{"how":"born","sex":"female"}}
{"animal":"0600","kind":"departure","on":"2026-02-01","data":{"how":"sold"}}
{"kind":"walk","on":"2026-11-25","half":"am","data":{"pen":"south","seen":84}}
`

// scenarioEvents is how many events the scenario has.
var scenarioEvents = strings.Count(strings.TrimSpace(scenario), "\n") + 1

// clock is the day on which the scenario is looked at.
func clock() time.Time { return time.Date(2026, 11, 25, 15, 0, 0, 0, time.UTC) }

// ticking is a clock that goes on by a millisecond whenever it is read, for
// what must not happen twice at one moment.
func ticking() func() time.Time {
	var n atomic.Int64
	return func() time.Time { return clock().Add(time.Duration(n.Add(1)) * time.Millisecond) }
}

// seeded is a server with the scenario in the herd alder-row.
func seeded(t *testing.T) *httpapitest.Server {
	t.Helper()
	return seededAt(t, clock)
}

func seededAt(t *testing.T, now func() time.Time) *httpapitest.Server {
	t.Helper()
	s := httpapitest.Start(t, httpapitest.Options{Now: now})
	seedHerd(t, s, "alder-row")
	return s
}

func seedHerd(t *testing.T, s *httpapitest.Server, herd string) api.AppendAnswer {
	t.Helper()
	s.Herd(herd)
	var answer api.AppendAnswer
	s.Do(httpapitest.Request{
		Method: http.MethodPost, Path: "/v1/herds/" + herd + "/events", Token: s.Admin, Body: scenario, Type: "application/x-ndjson",
	}).Want(http.StatusCreated).JSON(&answer)
	if len(answer.Results) != scenarioEvents || answer.Head.Seq != int64(scenarioEvents) {
		t.Fatalf("seeding appended %d events up to %d, want %d", len(answer.Results), answer.Head.Seq, scenarioEvents)
	}
	return answer
}

// get asks with the administrator's token.
func get(s *httpapitest.Server, path string, args ...any) *httpapitest.Response {
	return s.Do(httpapitest.Request{Path: fmt.Sprintf(path, args...), Token: s.Admin})
}

func marshal(v any) ([]byte, error) { return json.Marshal(v) }

func itoa(n int64) string { return strconv.FormatInt(n, 10) }
