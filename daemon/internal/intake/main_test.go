package intake_test

import (
	"flag"
	"os"
	"testing"
)

// long runs the properties for as long as they find something; without it they
// take some seconds.
var long = flag.Bool("long", false, "run the long form of the properties")

func TestMain(m *testing.M) {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "rapid.checks" })
	if !given {
		checks := "12"
		if *long {
			checks = "1000"
		}
		if err := flag.Set("rapid.checks", checks); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
