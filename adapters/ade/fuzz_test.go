package ade

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/schema/rules"
)

// Whatever a document holds, each of its rows is a resource in one form or says
// what is wrong, and reading and mapping it twice gives the same events.
func FuzzDecoder(f *testing.F) {
	a, err := txtar.ParseFile("roster.txtar")
	if err != nil {
		f.Fatal(err)
	}
	for _, x := range a.Files {
		if filepath.Base(x.Name) == "in.json" {
			f.Add(x.Data)
		}
	}
	f.Add([]byte(`{"resourceType":"Animal","identifier":{"id":"1","scheme":"eu.bovine"},"meta":{"sourceId":""}}`))
	if dir := os.Getenv("DEWCLAW_ADE"); dir != "" {
		files, _ := filepath.Glob(filepath.Join(dir, "examples", "*.json"))
		for _, name := range files {
			b, err := os.ReadFile(name)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(b)
		}
	}
	src, err := Files.ReadFile("roster.yaml")
	if err != nil {
		f.Fatal(err)
	}
	in, err := mapping.ParseInward("roster.yaml", src)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		rows, err := readRows(string(b), "")
		if err != nil {
			if len(rows) > 0 {
				t.Fatalf("%d rows beside %v", len(rows), err)
			}
			return
		}
		for _, r := range rows {
			if r.Fault != nil {
				continue
			}
			o, ok := r.Value.(map[string]any)
			if id, _ := o["id"].(string); !ok || id != contextID && id != continuationID && ResourceType(o["resourceType"].(string)) != o["resourceType"] {
				t.Fatalf("a row that is no resource: %v", r.Value)
			}
			if at, _ := o["eventDateTime"].(string); Moment(at) != at {
				t.Fatalf("%q is read as %q", at, Moment(at))
			}
		}
		once, twice := mapped(t, in, rows), mapped(t, in, read(t, string(b), ""))
		if !bytes.Equal(once, twice) {
			t.Fatalf("read twice:\n%s\n%s", once, twice)
		}
	})
}

// mapped returns the data of all events the mapping makes, each valid.
func mapped(t *testing.T, in *mapping.Inward, rows []adapters.Row) (all []byte) {
	job := mapping.Job{Source: "s", Farm: "f", Zone: "America/Chicago", Received: time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC), Rules: rules.Defaults()}
	run, err := in.Start(job, adapters.Head{})
	if err != nil {
		t.Fatal(err)
	}
	m := run.Mapper()
	for _, r := range m.Flush(m.Map(rows, nil)) {
		for _, d := range r.Drafts {
			if _, err := events.DecodePayload(d.Kind, d.Data); err != nil {
				t.Fatalf("%s: %v", d.Data, err)
			}
			all = append(all, d.Data...)
		}
	}
	return all
}
