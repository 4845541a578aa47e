// Package httpapi is the HTTP interface: the only package that knows echo, and
// the only place where a problem document is made.
//
// The contract is openapi.yaml. Routes are made from it: an operation without
// a handler, or a handler without an operation, stops the server from being
// made. A request goes through, in this order: request id, recovery, access
// log, security headers; then, once its operation is known, deadline,
// authentication, authorisation (scope from the contract, herd from the path),
// content negotiation, parameters, body bounds, handler, rendering. Handlers
// return a value or an error; both are rendered in one place.
package httpapi
