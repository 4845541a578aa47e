package openapi_test

import (
	"context"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"byrelog.example/openapi"
)

func TestContract(t *testing.T) {
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	if err := doc.Validate(context.Background(), openapi3.EnableExamplesValidation()); err != nil {
		t.Fatal(err)
	}
}
