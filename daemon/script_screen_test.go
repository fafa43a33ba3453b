package main

import (
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// hostile is what devices and people may write that a screen obeys.
const hostile = "\x1b[31mred\x1b]0;title\a \u202eturned\u2066 \u009b2J"

// escapeFile writes a good row and two rotten ones with such characters in them.
func escapeFile(ts *testscript.TestScript, neg bool, args []string) {
	ts.Setenv("ESC", "\x1b")
	row := func(tag, foot, note string) string {
		return tag + ",2024-01-01,06:0" + strconv.Itoa(len(foot)) + ":00," + foot + ",outer,4,SU,1," + note + "\n"
	}
	writeFile(ts, args[0], []byte(rowColumns+"\n"+row("DE0900000100", "LH", hostile)+row("DE0900000101", "X"+hostile, "")+row(hostile, "RH", "")))
}

// clean checks that every character of standard output is printed as itself.
func clean(ts *testscript.TestScript, neg bool, args []string) {
	for line := range strings.Lines(ts.ReadFile(args[0])) {
		for _, r := range strings.TrimSuffix(line, "\n") {
			if !strconv.IsPrint(r) {
				ts.Fatalf("%U in %q", r, line)
			}
		}
	}
}
