package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/santhosh-tekuri/jsonschema/v5"
)

// adeValid checks files of a feed of format ade: N resources in all, each valid
// by the JSON Schema of its type in the folder DEWCLAW_ADE (adewg/ICAR). Without
// the variable their number alone is checked, and that is said.
func adeValid(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: ade-valid N files")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	names, _ := filepath.Glob(ts.MkAbs(args[1]))
	dir := os.Getenv("DEWCLAW_ADE")
	if dir == "" {
		ts.Logf("DEWCLAW_ADE is not set: resources are not checked by ADE's schemas")
	}
	c := jsonschema.NewCompiler()
	c.Draft, c.AssertFormat = jsonschema.Draft7, true
	got := 0
	for _, name := range names {
		if strings.HasSuffix(name, ".manifest.json") {
			continue
		}
		b, err := os.ReadFile(name)
		ts.Check(err)
		var file struct {
			Member []map[string]any `json:"member"`
		}
		ts.Check(json.Unmarshal(b, &file))
		for _, r := range file.Member {
			got++
			if dir == "" {
				continue
			}
			s, err := c.Compile("file://" + filepath.ToSlash(filepath.Join(dir, "resources", r["resourceType"].(string)+".json")))
			ts.Check(err)
			if err := s.Validate(r); err != nil {
				ts.Fatalf("%s: %#v\n%s", name, err, b)
			}
		}
	}
	if got != want {
		ts.Fatalf("%d resources in %v, wanted %d", got, names, want)
	}
}

// adeToken sets a variable to the token at the end of an answer of the change
// feed.
func adeToken(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: ade-token NAME file")
	}
	var list []struct{ ID, Token string }
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(args[1])), &list))
	if n := len(list); n < 2 || list[n-1].ID != "@continuation" || list[n-1].Token == "" {
		ts.Fatalf("%s has no continuation", args[1])
	}
	ts.Setenv(args[0], list[len(list)-1].Token)
}
