package main

import (
	"bytes"
	"os"
	"strconv"

	"go.yaml.in/yaml/v3"
)

// ordered writes the contract with an x-order at every property, so that the
// generated structs, and with them the answers, keep the contract's order of
// members; the generator sorts them by name otherwise.
func ordered(contract, file string) error {
	raw, err := os.ReadFile(contract) //nolint:gosec // named by the go:generate line
	if err != nil {
		return err
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(raw, &doc); err != nil {
		return err
	}
	number(&doc)
	var out bytes.Buffer
	enc := yaml.NewEncoder(&out)
	enc.SetIndent(2)
	if err := enc.Encode(&doc); err != nil {
		return err
	}
	return os.WriteFile(file, out.Bytes(), 0o600) //nolint:gosec // named by the go:generate line
}

func number(n *yaml.Node) {
	for _, sub := range n.Content {
		number(sub)
	}
	if n.Kind != yaml.MappingNode {
		return
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value != "properties" || n.Content[i+1].Kind != yaml.MappingNode {
			continue
		}
		for p := 1; p < len(n.Content[i+1].Content); p += 2 {
			property := n.Content[i+1].Content[p]
			property.Content = append(property.Content,
				&yaml.Node{Kind: yaml.ScalarNode, Value: "x-order"},
				&yaml.Node{Kind: yaml.ScalarNode, Tag: "!!int", Value: strconv.Itoa(p)})
		}
	}
}
