// Package openapi holds the contract of the HTTP interface: openapi.yaml is
// written first, and requests, answers, the client and the docs page follow it.
package openapi

import (
	_ "embed" // the contract is a file
)

//go:generate go run ./gen

// YAML is the contract as it is served.
//
//go:embed openapi.yaml
var YAML []byte
