package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestFaults holds the table "Faults and their tests" of DEVELOPERS.md: every
// fault names a test or a script, and each of them is there.
func TestFaults(t *testing.T) {
	b, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, found := strings.Cut(string(b), "## Faults and their tests\n")
	if !found {
		t.Fatal("DEVELOPERS.md: wanted a section Faults and their tests, got none")
	}
	section, _, _ = strings.Cut(section, "\n## ")
	named := 0
	for line := range strings.Lines(section) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) != 2 || strings.HasPrefix(cells[0], "---") || strings.TrimSpace(cells[1]) == "shown by" {
			continue
		}
		fault, list := strings.TrimSpace(cells[0]), strings.TrimSpace(cells[1])
		if strings.HasPrefix(fault, "**") {
			continue
		}
		if list == "" {
			t.Errorf("%s: wanted a test, got none", fault)
		}
		for name := range strings.SplitSeq(list, ";") {
			named++
			if !testThere(strings.TrimSpace(name)) {
				t.Errorf("%s: %s is not there", fault, strings.TrimSpace(name))
			}
		}
	}
	if named < 80 {
		t.Errorf("saw %d tests, wanted 80 or more: the table was not read", named)
	}
}

// testThere reports whether a test, as "ROOM TestName", or a script is there.
func testThere(name string) bool {
	where, what, ok := strings.Cut(name, " ")
	if !ok {
		return false
	}
	if where == "script" {
		_, err := os.Stat(filepath.Join("../testdata/script", what+".txtar"))
		return err == nil
	}
	files, _ := filepath.Glob(filepath.Join("..", where, "*_test.go"))
	function := regexp.MustCompile(`(?m)^func ` + regexp.QuoteMeta(what) + `\(`)
	for _, f := range files {
		if b, err := os.ReadFile(f); err == nil && function.Match(b) {
			return true
		}
	}
	return false
}
