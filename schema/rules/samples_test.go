package rules

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dewclaw/events"
)

// TestApply_AgreesWithTheSamples takes the whole expected events of the shared
// samples, which were written by hand, forgets what is derived and noted in them,
// and holds that the rules say the same again.
func TestApply_AgreesWithTheSamples(t *testing.T) {
	names, err := filepath.Glob("../../testdata/samples/*.golden.ndjson")
	if err != nil || len(names) != 7 {
		t.Fatalf("found %d files of expected events, %v", len(names), err)
	}
	type want struct {
		id      string
		derived events.Derived
		notes   []string
	}
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		records := map[events.Entity][]events.Payload{}
		wanted := map[events.Payload]want{}
		var order []events.Entity
		for s := bufio.NewScanner(bytes.NewReader(b)); s.Scan(); {
			var line struct {
				ID     string          `json:"id"`
				Entity events.Entity   `json:"entity"`
				Type   string          `json:"type"`
				Data   json.RawMessage `json:"data"`
			}
			if err := json.Unmarshal(s.Bytes(), &line); err != nil {
				t.Fatal(err)
			}
			var p events.Payload
			for _, k := range events.Kinds() {
				if k.Type() == line.Type {
					if p, err = events.DecodePayload(k, line.Data); err != nil {
						t.Fatalf("%s: %v", line.ID, err)
					}
				}
			}
			record := p.Base().Examination
			if record == "" {
				record = line.Entity
			}
			if records[record] == nil {
				order = append(order, record)
			}
			records[record] = append(records[record], p)
			wanted[p] = want{line.ID, p.Base().Derived, notes(p)}
		}
		for _, r := range order {
			Apply(records[r], Defaults())
			for _, p := range records[r] {
				got := want{wanted[p].id, p.Base().Derived, notes(p)}
				got.derived.Rules = wanted[p].derived.Rules
				if d := cmp.Diff(wanted[p], got, cmp.AllowUnexported(want{})); d != "" {
					t.Errorf("%s %s (-want +got):\n%s", filepath.Base(name), got.id, d)
				}
			}
		}
	}
}
