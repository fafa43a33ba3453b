package main

import (
	"fmt"
	"runtime"
	"runtime/debug"
)

// version tells which program this is, as far as the go command wrote it into
// the binary: the version of the module, the commit it was built from and whether
// files were changed since, and the Go it was built with.
func version() string {
	b, ok := debug.ReadBuildInfo()
	if !ok {
		return "of unknown version, " + runtime.Version()
	}
	set := map[string]string{}
	for _, s := range b.Settings {
		set[s.Key] = s.Value
	}
	v := b.Main.Version
	if v == "" || v == "(devel)" {
		v = "of no version"
	}
	if r := set["vcs.revision"]; r != "" {
		v += fmt.Sprintf(", commit %.12s of %s", r, set["vcs.time"])
	}
	if set["vcs.modified"] == "true" {
		v += ", changed since"
	}
	return v + ", " + b.GoVersion
}
