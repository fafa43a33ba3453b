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
	if err != nil || len(names) != 8 {
		t.Fatalf("found %d files of expected events, %v", len(names), err)
	}
	// Advisories the page that tells what must come out does not name; it allows
	// others, and these are right:
	more := map[string][]string{
		"@V-2203.1":     {OtherHindFoot},     // lame, and of the left hind foot nothing is known
		"@V-2206.1":     {OtherHindFoot},     // the same
		"@07-731-les.1": {UlcerWithoutBlock}, // a sole ulcer in a file that knows no blocks
		"@731-RH-SU.2":  {UlcerWithoutBlock}, // only what changed stands in this file; the block of the record does not
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
			wanted[p] = want{line.ID, p.Base().Derived, append(notes(p), more[line.ID]...)}
			delete(more, line.ID)
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
	if len(more) > 0 {
		t.Errorf("no such events in the files: %v", more)
	}
}
