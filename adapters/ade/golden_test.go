package ade

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"dewclaw/events"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// Each case is a file: options.json, what is written with; events.ndjson, our
// events; ade.json, the resources they are, without the member dewclaw. They are
// valid by ADE's schemas as well, where those are there.
func TestGolden(t *testing.T) {
	files, err := filepath.Glob("testdata/golden/*.txtar")
	if err != nil || len(files) < 4 {
		t.Fatalf("saw %d cases, %v", len(files), err)
	}
	for _, name := range files {
		t.Run(filepath.Base(name), func(t *testing.T) {
			a, err := txtar.ParseFile(name)
			if err != nil {
				t.Fatal(err)
			}
			got, whole := goldenCase(t, a)
			if os.Getenv("DEWCLAW_ADE") != "" {
				j := newJudge(t, true)
				for _, r := range whole {
					if err := j.resource(r); err != nil {
						t.Errorf("%s\n%#v", r, err)
					}
				}
			}
			for i, f := range a.Files {
				if f.Name != "ade.json" {
					continue
				}
				if *update {
					a.Files[i].Data = got
					if err := os.WriteFile(name, txtar.Format(a), 0o644); err != nil {
						t.Fatal(err)
					}
				} else if d := cmp.Diff(string(f.Data), string(got)); d != "" {
					t.Errorf("(-want +got)\n%s", d)
				}
			}
		})
	}
}

// goldenCase writes the events of a case: for people, and whole.
func goldenCase(t *testing.T, a *txtar.Archive) (shown []byte, whole [][]byte) {
	t.Helper()
	var lines []byte
	w := writer(t, nil)
	for _, f := range a.Files {
		switch f.Name {
		case "events.ndjson":
			lines = f.Data
		case "options.json":
			w = writer(t, func(o *Options) {
				if err := json.Unmarshal(f.Data, o); err != nil {
					t.Fatal(err)
				}
			})
		}
	}
	for line := range bytes.Lines(lines) {
		var l struct {
			Kind   events.Kind
			Change events.Change
			Farm   string
			Data   json.RawMessage
		}
		if err := json.Unmarshal(line, &l); err != nil {
			t.Fatal(err)
		}
		p, err := events.DecodePayload(l.Kind, l.Data)
		if err != nil {
			t.Fatal(err)
		}
		if !w.Carries(l.Kind, p) {
			shown = append(shown, "not carried\n"...)
			continue
		}
		e := event(t, p)
		if e.Change = l.Change; e.Change == "" {
			e.Change = events.Recorded
		}
		if l.Farm != "" {
			e.Farm = l.Farm
		}
		b, err := w.Append(nil, e, p)
		if err != nil {
			shown = append(append(shown, err.Error()...), '\n')
			continue
		}
		whole = append(whole, b)
		v := decode(t, b)
		delete(v, "dewclaw")
		text, err := json.MarshalIndent(v, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		shown = append(append(shown, text...), '\n')
	}
	return shown, whole
}
