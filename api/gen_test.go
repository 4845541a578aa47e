package api_test

import (
	"crypto/sha256"
	_ "embed"
	"fmt"
	"strings"
	"testing"

	"byrelog.example/openapi"
)

//go:embed contract.sum
var contractSum string

// The client must be generated again whenever the contract changes.
func TestGeneratedIsCurrent(t *testing.T) {
	if got := fmt.Sprintf("%x", sha256.Sum256(openapi.YAML)); got != strings.TrimSpace(contractSum) {
		t.Error("api.gen.go is behind openapi.yaml: run go generate ./api")
	}
}
