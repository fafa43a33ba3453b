package main

import (
	"os"
	"path/filepath"
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

// exampleFile writes a file of an example in the README, which begins with its name as a
// comment, with texts replaced by others.
func exampleFile(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args)%2 != 1 {
		ts.Fatalf("usage: example FILE [OLD NEW] …")
	}
	b, err := os.ReadFile(filepath.Join("..", "README.md"))
	ts.Check(err)
	_, text, ok := strings.Cut(string(b), "\n# "+args[0]+"\n")
	if !ok {
		ts.Fatalf("the README has no example %s", args[0])
	}
	text, _, _ = strings.Cut(text, "\n```")
	for i := 1; i < len(args); i += 2 {
		if !strings.Contains(text, args[i]) {
			ts.Fatalf("example %s has no %q", args[0], args[i])
		}
		text = strings.ReplaceAll(text, args[i], args[i+1])
	}
	writeFile(ts, args[0], []byte(text+"\n"))
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
