package main

import (
	"bytes"
	"os"
	"testing"
)

// The schemas of the event kinds follow package event: a kind or field that is
// changed there and not here would be a contract that lies.
func TestContractIsCurrent(t *testing.T) {
	doc, err := os.ReadFile("../openapi.yaml")
	if err != nil {
		t.Fatal(err)
	}
	want, err := replace(doc)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(doc, want) {
		t.Error("openapi.yaml is behind internal/event: run go generate ./openapi")
	}
}

func TestNoMarks(t *testing.T) {
	if _, err := replace([]byte("openapi: 3.1.0\n")); err == nil {
		t.Error("a document without the marked block was accepted")
	}
}
