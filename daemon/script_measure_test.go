package main

import (
	"encoding/json"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// figureOfKey sets a variable to the id of a figure of the last output.
func figureOfKey(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: figure KEY VARIABLE")
	}
	for line := range strings.Lines(ts.ReadFile("stdout")) {
		var i measureItem
		ts.Check(json.Unmarshal([]byte(line), &i))
		if i.Figure != nil && i.Figure.Key == args[0] {
			ts.Setenv(args[1], i.Figure.ID)
			return
		}
	}
	ts.Fatalf("no figure %s", args[0])
}
