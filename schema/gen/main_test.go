package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestSchemas_AreFilled fails when a code list changed and the schemas did not.
func TestSchemas_AreFilled(t *testing.T) {
	names, err := filepath.Glob("../v1/*.schema.json")
	if err != nil || len(names) < 10 {
		t.Fatalf("found %d schemas, %v", len(names), err)
	}
	for _, name := range names {
		old, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		filled, err := fill(old)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if !bytes.Equal(old, filled) {
			t.Errorf("%s is not what the code lists make of it; run: go generate ./schema", name)
		}
	}
}

func TestFill_ChangesNothingTheSecondTime(t *testing.T) {
	src := `{"x-list": "feet", "about": "<a & b>", "x-each": "measures", "n": 1.50}`
	once, err := fill([]byte(src))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`"enum": ["LF", "RF", "LH", "RH"]`, `"<a & b>"`, `"n": 1.50`, `"const": "toe-length"`} {
		if !strings.Contains(string(once), want) {
			t.Errorf("filled schema lacks %s:\n%s", want, once)
		}
	}
	if twice, err := fill(once); err != nil || !bytes.Equal(once, twice) {
		t.Errorf("second fill differs (%v):\n%s", err, twice)
	}
}

func TestFill_RefusesAnUnknownList(t *testing.T) {
	for _, src := range []string{`{"x-list":"hats"}`, `{"x-list":"feet:left"}`, `{"x-each":"feet"}`, `{} {}`, `{"a":1,"a":2}`} {
		if got, err := fill([]byte(src)); err == nil {
			t.Errorf("fill(%s) = %s, wanted an error", src, got)
		}
	}
}
