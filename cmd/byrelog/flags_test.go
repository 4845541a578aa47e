package main

import (
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"byrelog.example/openapi"
)

// readBy names the command of each operation that reads with parameters.
var readBy = map[string]string{
	"listEvents": "events list", "listAnimals": "animal list", "getAnimal": "animal show", "getEligibility": "animal eligible", "getList": "list", "getListForm": "list",
	"listVisit": "visit", "listChecks": "checks", "listIndices": "indices", "getIndex": "indices", "listEvidence": "indices", "getSummary": "summary",
	"listTechnicians": "technicians", "exportHerd": "export",
}

// noFlag are parameters without a flag of their name, and why.
var noFlag = map[string]string{
	"*.limit": "a command goes through all pages", "*.cursor": "a command goes through all pages",
	"listEvents.wait": "--follow waits", "listEvents.profile": "events list prints NDJSON; export prints CSV", "listEvents.delimiter": "see profile",
}

// noParameter are flags that are no parameter, and why.
var noParameter = map[string]string{
	"*.json": "the same answer for programs", "*.csv": "the same answer as a table", "*.page": "the same answer on paper", "events list.follow": "goes on reading", "indices.rows": "shows more of the answer",
	"indices.evidence": "another operation", "indices.define": "needs no herd", "list.form": "another operation", "technicians.people": "the body of another operation", "export.out": "where to", "export.datapackage": "another operation beside",
}

// renamed are parameters that name several things, by the flag that is given several times.
var renamed = map[string]string{"keys": "key", "herds": "herd"}

// The command takes what HTTP takes: each parameter of an operation that reads is a
// flag of its command, and each flag a parameter, but for those named above.
func TestFlagsAreTheParameters(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	shared := pflag.NewFlagSet("", pflag.ContinueOnError) // of every command that asks a server
	c := &cobra.Command{}
	(&clientFlags{}).add(c)
	shared.AddFlagSet(c.Flags())
	known, used := map[string]map[string]bool{}, map[string]bool{}
	for _, path := range doc.Paths.InMatchingOrder() {
		item := doc.Paths.Value(path)
		op := item.Get
		if op == nil {
			continue
		}
		command, ok := readBy[op.OperationID]
		for _, ref := range slices.Concat(item.Parameters, op.Parameters) {
			p := ref.Value
			if p.In != "query" {
				continue
			}
			if !ok {
				if !slices.Contains([]string{"listImports", "getDataPackage", "getTables", "getChanges"}, op.OperationID) {
					t.Errorf("%s takes %s, but no command reads it", op.OperationID, p.Name)
				}
				continue
			}
			name := strings.ReplaceAll(p.Name, "_", "-")
			if short, ok := renamed[p.Name]; ok {
				name = short
			}
			if known[command] == nil {
				known[command] = map[string]bool{}
			}
			known[command][name] = true
			if why := first(noFlag, op.OperationID+"."+p.Name, "*."+p.Name); why != "" {
				used[why] = true
				continue
			}
			sub, _, err := (&program{}).root().Find(strings.Fields(command))
			if err != nil || sub.Flags().Lookup(name) == nil {
				t.Errorf("byrelog %s has no flag --%s for the parameter %s of %s", command, name, p.Name, op.OperationID)
			}
		}
	}
	for command, names := range known {
		sub, _, err := (&program{}).root().Find(strings.Fields(command))
		if err != nil {
			t.Fatal(err)
		}
		sub.LocalNonPersistentFlags().VisitAll(func(f *pflag.Flag) {
			switch why := first(noParameter, command+"."+f.Name, "*."+f.Name); {
			case why != "":
				used[why] = true
			case !names[f.Name] && shared.Lookup(f.Name) == nil:
				t.Errorf("byrelog %s --%s is no parameter of what it reads", command, f.Name)
			}
		})
	}
	for _, list := range []map[string]string{noFlag, noParameter} {
		for name, why := range list {
			if !used[why] {
				t.Errorf("%s (%s) excepts nothing", name, why)
			}
		}
	}
}

func first(m map[string]string, keys ...string) string {
	for _, k := range keys {
		if v := m[k]; v != "" {
			return v
		}
	}
	return ""
}
