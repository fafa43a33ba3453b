package ade

import (
	"testing"

	"dewclaw/adapters"
	"dewclaw/adapters/json"
	"dewclaw/adapters/mapping"
)

var decoders = map[string]adapters.NewDecoder{"ade": NewDecoder(json.NewDecoder)}

// The examples beside the built-in mapping are right, and show every resource
// and code it has.
func TestRoster_ItsExamplesAreRight(t *testing.T) {
	x, err := mapping.RunExamples(Files, "roster", decoders)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range x.Results {
		if r.Diff != "" {
			t.Errorf("%s: (- wanted, + got)\n%s", r.Case, r.Diff)
		}
	}
	if len(x.Results) == 0 || len(x.Unused) > 0 || len(x.Unmet) > 0 {
		t.Errorf("%d examples, never used: %v, never shown: %v", len(x.Results), x.Unused, x.Unmet)
	}
}
