package herd_test

import (
	"flag"
	"os"
	"testing"
)

// TestMain keeps property tests short unless -long or -rapid.checks says
// otherwise: each case builds three files.
func TestMain(m *testing.M) {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "rapid.checks" })
	if !given && !*long {
		checks := "40"
		if testing.Short() {
			checks = "3"
		}
		if err := flag.Set("rapid.checks", checks); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
