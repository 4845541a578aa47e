// Package api is the client of byrelog's HTTP interface, and its wire types.
//
// Types and calls are generated from the contract, openapi/openapi.yaml; by
// hand are [New], the typed error [ProblemError], [Event], and the helpers that
// follow pages and streams. A client made by [New] returns every 4xx and 5xx
// answer as a *ProblemError, so that a call without an error has its answer.
package api

//go:generate go run ../openapi/gen ordered ../openapi/openapi.yaml ordered.yaml
//go:generate go run github.com/oapi-codegen/oapi-codegen/v2/cmd/oapi-codegen@v2.8.2 -config config.yaml ordered.yaml
//go:generate rm ordered.yaml
//go:generate go run ../openapi/gen sum ../openapi/openapi.yaml contract.sum
