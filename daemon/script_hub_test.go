package main

import (
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// makeBarnKey makes the key of a barn and sets a variable to its public part.
func makeBarnKey(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: make-barn-key FILE VARIABLE")
	}
	ts.Check(ts.Exec("dewclaw", "barn-key", args[0]))
	public, _, _ := strings.Cut(ts.ReadFile("stdout"), "\n")
	ts.Setenv(args[1], public)
}

// heldAtHub sets a variable to the id of the first held record.
func heldAtHub(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: held-at-hub VARIABLE")
	}
	list := jsonLines(ts, "held", "list", "--json")
	if len(list) == 0 {
		ts.Fatalf("nothing is held")
	}
	ts.Setenv(args[0], list[0]["id"].(string))
}
