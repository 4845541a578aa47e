package sheet

import (
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Choose stands in a draft of [Suggest] for what only a person can decide. A
// mapping that holds it anywhere as a value is refused, and each place is
// named with what it can be, which stands behind it as a comment.
const Choose = "CHOOSE"

// undecided lists the places of a mapping that are still to choose. What is no
// YAML is left to the decoder to tell.
func undecided(doc []byte) []string {
	var root yaml.Node
	if !strings.Contains(string(doc), Choose) || yaml.Unmarshal(doc, &root) != nil {
		return nil
	}
	var faults []string
	visitNodes("", &root, func(at string, n *yaml.Node) {
		if n.Value == Choose {
			fault := at + " is still to choose"
			if help := strings.TrimSpace(strings.TrimLeft(n.LineComment, "# ")); help != "" {
				fault += ": " + help
			}
			faults = append(faults, fault)
		}
	})
	return faults
}

// visitNodes visits the scalars of a document that are values, each with the
// names of the members that it stands under.
func visitNodes(at string, n *yaml.Node, visit func(at string, n *yaml.Node)) {
	switch n.Kind {
	case yaml.DocumentNode:
		for _, c := range n.Content {
			visitNodes(at, c, visit)
		}
	case yaml.SequenceNode:
		for i, c := range n.Content {
			visitNodes(fmt.Sprintf("%s %d", at, i+1), c, visit)
		}
	case yaml.MappingNode:
		for i := 0; i+1 < len(n.Content); i += 2 {
			name := n.Content[i].Value
			if strings.HasSuffix(at, " words") {
				name = quote(name)
			}
			visitNodes(strings.TrimSpace(at+" "+name), n.Content[i+1], visit)
		}
	case yaml.ScalarNode:
		visit(at, n)
	case yaml.AliasNode: // what it stands for is visited where it stands
	}
}
