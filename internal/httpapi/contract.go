package httpapi

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/getkin/kin-openapi/openapi3"

	"byrelog.example/internal/book"
	"byrelog.example/openapi"
)

// Scopes that the contract's x-scope can name beside the book's own.
const (
	scopeNone  = "none"  // without a token
	scopeAny   = "any"   // any valid token; the handler answers what it may see
	scopeAdmin = "admin" // an administrator's token
)

// operation is one operation of the contract with what serves it.
type operation struct {
	id       string
	method   string
	path     string          // as in the contract
	scope    string          // scopeNone …, or a book.Scope
	inHerd   bool            // the path names a herd
	query    map[string]bool // the parameters that it knows
	params   []param         // all of them
	takes    []string        // media types of its body; none: no body
	gives    []string        // media types of its success, the preferred one first
	body     *openapi3.SchemaRef
	deadline time.Duration
	limit    limit
	handle   handler
}

// handler answers one operation. It gets a request that has been authorised
// and whose parameters fit the contract.
type handler func(*Server, *request) (*reply, error)

// limit bounds a body on the wire and inflated.
type limit struct{ wire, inflated int64 }

var (
	limitJSON   = limit{wire: 1 << 20, inflated: 10 << 20}
	limitSample = limit{wire: 20 << 20, inflated: 40 << 20} // of which the beginning is looked at
	limitRound  = limit{wire: 256 << 10, inflated: 256 << 10}
	limitCSV    = limit{wire: 1 << 30, inflated: 1 << 30} // Config.ImportBytes, else this: such bodies stream
	// What an import of resources keeps of them until it is appended is bounded by
	// their number; this bounds the reading.
	limitExchange = limit{wire: 20 << 20, inflated: 64 << 20}
)

const (
	deadlineUsual  = 8 * time.Second
	deadlineFold   = 25 * time.Second // a herd's log may have to be folded first
	deadlineWait   = maxWait + deadlineUsual
	deadlineImport = 30 * time.Minute
	deadlineExport = 10 * time.Minute
	maxWait        = 30 * time.Second
)

// service says how an operation is served where the contract does not.
type service struct {
	handle   handler
	deadline time.Duration // deadlineUsual if zero
	limit    limit         // limitJSON if zero
}

// services is the whole table: one entry for each operation of the contract.
var services = map[string]service{
	"getHealth":       {handle: (*Server).getHealth},
	"getReadiness":    {handle: (*Server).getReadiness},
	"getMetrics":      {handle: (*Server).getMetrics},
	"getContract":     {handle: (*Server).getContract},
	"getDocs":         {handle: (*Server).getDocs},
	"listHerds":       {handle: (*Server).listHerds},
	"createHerd":      {handle: (*Server).createHerd},
	"getHerd":         {handle: (*Server).getHerd},
	"updateHerd":      {handle: (*Server).updateHerd},
	"listPolicies":    {handle: (*Server).listPolicies},
	"putPolicy":       {handle: (*Server).putPolicy},
	"listEvents":      {handle: (*Server).listEvents, deadline: deadlineWait},
	"appendEvents":    {handle: (*Server).appendEvents, deadline: deadlineFold},
	"getEvent":        {handle: (*Server).getEvent, deadline: deadlineFold},
	"voidEvent":       {handle: (*Server).voidEvent, deadline: deadlineFold},
	"recordRound":     {handle: (*Server).recordRound, deadline: deadlineFold, limit: limitRound},
	"getLastRequest":  {handle: (*Server).getLastRequest, deadline: deadlineFold},
	"eraseNote":       {handle: (*Server).eraseNote},
	"getHead":         {handle: (*Server).getHead},
	"listHeads":       {handle: (*Server).listHeads},
	"listImports":     {handle: (*Server).listImports},
	"importFile":      {handle: (*Server).importFile, deadline: deadlineImport, limit: limitCSV},
	"getImport":       {handle: (*Server).getImport, deadline: deadlineFold},
	"getRejects":      {handle: (*Server).getRejects, deadline: deadlineExport},
	"importHerds":     {handle: (*Server).importHerds, deadline: deadlineImport, limit: limitCSV},
	"getHerdsImport":  {handle: (*Server).getHerdsImport, deadline: deadlineFold},
	"getHerdsRejects": {handle: (*Server).getHerdsRejects, deadline: deadlineExport},
	"listMappings":    {handle: (*Server).listMappings},
	"getMapping":      {handle: (*Server).getMapping},
	"putMapping":      {handle: (*Server).putMapping},
	"suggestMapping":  {handle: (*Server).suggestMapping, limit: limitSample},
	"exportHerd":      {handle: (*Server).exportHerd, deadline: deadlineExport},
	"getDataPackage":  {handle: (*Server).getDataPackage},
	"getTables":       {handle: (*Server).getTables},
	"importExchange":  {handle: (*Server).importExchange, deadline: deadlineImport, limit: limitExchange},
	"listDatasets":    {handle: (*Server).listDatasets},
	"getDataset":      {handle: (*Server).getDataset, deadline: deadlineExport},
	"getChanges":      {handle: (*Server).getChanges, deadline: deadlineExport},
	"listAnimals":     {handle: (*Server).listAnimals, deadline: deadlineFold},
	"getAnimal":       {handle: (*Server).getAnimal, deadline: deadlineFold},
	"getEligibility":  {handle: (*Server).getEligibility, deadline: deadlineFold},
	"getList":         {handle: (*Server).getList, deadline: deadlineFold},
	"getListForm":     {handle: (*Server).getListForm, deadline: deadlineFold},
	"listChecks":      {handle: (*Server).listChecks, deadline: deadlineFold},
	"listIndices":     {handle: (*Server).listIndices, deadline: deadlineFold},
	"getIndex":        {handle: (*Server).getIndex, deadline: deadlineFold},
	"listEvidence":    {handle: (*Server).listEvidence, deadline: deadlineFold},
	"listDefinitions": {handle: (*Server).listDefinitions},
	"getSummary":      {handle: (*Server).getSummary, deadline: deadlineFold},
	"listVisit":       {handle: (*Server).listVisit, deadline: deadlineFold},
	"listTechnicians": {handle: (*Server).listTechnicians, deadline: deadlineFold},
	"comparePeople":   {handle: (*Server).comparePeople, deadline: deadlineFold},
	"listTokens":      {handle: (*Server).listTokens},
	"createToken":     {handle: (*Server).createToken},
	"revokeToken":     {handle: (*Server).revokeToken},
}

// contract is openapi.yaml as the server works with it.
type contract struct {
	doc        *openapi3.T
	operations []*operation // by path and method
}

// limitImports sets what the operations that take files take.
func (c *contract) limitImports(bytes int64) {
	for _, op := range c.operations {
		if op.limit == limitCSV {
			op.limit = limit{wire: bytes, inflated: bytes}
		}
	}
}

func loadContract() (*contract, error) {
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		return nil, fmt.Errorf("load contract: %w", err)
	}
	if err := doc.Validate(context.Background(), openapi3.DisableExamplesValidation()); err != nil { // a test does
		return nil, fmt.Errorf("check contract: %w", err)
	}
	c := &contract{doc: doc}
	left := maps.Clone(services)
	for _, path := range doc.Paths.InMatchingOrder() {
		item := doc.Paths.Find(path)
		for _, method := range slices.Sorted(maps.Keys(item.Operations())) {
			op, err := newOperation(path, method, item)
			if err != nil {
				return nil, fmt.Errorf("%s %s: %w", method, path, err)
			}
			delete(left, op.id)
			c.operations = append(c.operations, op)
		}
	}
	for id := range left {
		return nil, fmt.Errorf("there is a handler for %s and no operation in the contract", id)
	}
	return c, nil
}

func newOperation(path, method string, item *openapi3.PathItem) (*operation, error) {
	o := item.GetOperation(method)
	s, ok := services[o.OperationID]
	if !ok {
		return nil, fmt.Errorf("operation %q has no handler", o.OperationID)
	}
	scope, _ := o.Extensions["x-scope"].(string)
	op := &operation{
		id: o.OperationID, method: method, path: path, scope: scope,
		inHerd: strings.Contains(path, "{herd}"),
		query:  map[string]bool{}, deadline: s.deadline, limit: s.limit, handle: s.handle,
	}
	switch book.Scope(scope) {
	case scopeNone, scopeAny, scopeAdmin:
		if op.inHerd {
			return nil, fmt.Errorf("x-scope %q does not fit a path with a herd", scope)
		}
	case "read", "record", "manage":
		if !op.inHerd {
			return nil, fmt.Errorf("x-scope %q needs a herd in the path", scope)
		}
	default:
		return nil, fmt.Errorf("x-scope %q is none", scope) // default deny
	}
	if (scope == scopeNone) != (o.Security != nil && len(*o.Security) == 0) {
		return nil, fmt.Errorf("x-scope %q and security disagree", scope)
	}
	if op.deadline == 0 {
		op.deadline = deadlineUsual
	}
	if op.limit == (limit{}) {
		op.limit = limitJSON
	}
	for _, list := range []openapi3.Parameters{item.Parameters, o.Parameters} {
		for _, p := range list {
			if p.Value.In == openapi3.ParameterInQuery {
				op.query[p.Value.Name] = true
			}
		}
	}
	var err error
	if op.params, err = paramsOf(item.Parameters, o.Parameters); err != nil {
		return nil, err
	}
	if o.RequestBody != nil {
		op.takes = slices.Sorted(maps.Keys(o.RequestBody.Value.Content))
		if m := o.RequestBody.Value.Content[mediaJSON]; m != nil {
			op.body = m.Schema
		}
	}
	for status, r := range o.Responses.Map() {
		if !strings.HasPrefix(status, "2") {
			continue
		}
		for media := range r.Value.Content {
			if !slices.Contains(op.gives, media) {
				op.gives = append(op.gives, media)
			}
		}
	}
	slices.SortFunc(op.gives, func(a, b string) int { return preference(a) - preference(b) })
	return op, nil
}

// preference puts the media type first that an answer has when the client does
// not care.
func preference(media string) int {
	switch media {
	case mediaJSON:
		return 0
	case mediaCSV:
		return 2
	case mediaNDJSON:
		return 3
	case mediaStream:
		return 4
	}
	return 1
}

// echoPath writes the contract's path as the router wants it.
func (op *operation) echoPath() string {
	return strings.NewReplacer("{", ":", "}", "").Replace(op.path)
}

// safe tells whether the operation changes nothing.
func (op *operation) safe() bool { return op.method == http.MethodGet }
