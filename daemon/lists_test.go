package main

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events/worklist"
)

const listsConfig = killConfig + `  - {farm: hilltop, recipient: vet, purpose: lists, kinds: [examination, lesion, treatment, taken-off, check, locomotion, claw, order, animal], fields: identities, from: 2025-01-01, until: 2026-03-30}
lists:
  mornings: {farm: hilltop, recipient: vet, for: everyone, at: "02:30", format: json, folder: lists}
`

// TestDailyLists opens the same folder at several moments: a list is made once a
// day, at its time as the farm has it, or when the machine is awake again, and
// not without a grant in force. On 2026-03-29 the hour of the list does not
// exist in Europe/Berlin (tz database).
func TestDailyLists(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "dewclaw.yaml"), listsConfig)
	write(t, filepath.Join(dir, "chute.yaml"), killMapping)
	write(t, filepath.Join(dir, "in", "a.csv"), goodRows(3))
	write(t, filepath.Join(dir, "out", ".keep"), "")
	write(t, filepath.Join(dir, "lists", ".keep"), "")
	half := filepath.Join(dir, "lists", "mornings-2026-03-28.json")
	tests := []struct {
		at   string // UTC
		made string // day; "" for none
		why  string // what stands in the way
	}{
		{"2026-03-27T01:29:59Z", "", ""}, // 02:29:59 in Berlin
		{"2026-03-27T01:30:00Z", "2026-03-27", ""},
		{"2026-03-27T01:30:30Z", "", ""},
		{"2026-03-27T22:59:00Z", "", ""}, // the same day there
		{"2026-03-27T23:01:00Z", "", ""}, // the next, before its hour
		{"2026-03-28T09:00:00Z", "2026-03-28", ""},
		{"2026-03-29T00:29:00Z", "", ""},           // 01:29
		{"2026-03-29T01:31:00Z", "2026-03-29", ""}, // 03:31: there was no 02:30
		{"2026-03-30T21:00:00Z", "2026-03-30", ""},
		{"2026-03-31T09:00:00Z", "", "grant: wanted one of farm hilltop that lets recipient vet have treatment, taken-off, check, locomotion, claw, order, animal on 2026-03-31, got none in force"},
	}
	for i, tt := range tests {
		moment, err := time.Parse(time.RFC3339, tt.at)
		if err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		var out bytes.Buffer
		a := &app{
			ctx: t.Context(), self: "dewclaw", config: filepath.Join(dir, "dewclaw.yaml"), getenv: func(string) string { return "" },
			stdin: strings.NewReader(""), stdout: &out, stderr: &out, now: func() time.Time { return moment.Add(time.Since(start)) },
		}
		if i == 1 {
			a.now = func() time.Time { return moment } // to the second
		}
		p, err := a.load()
		if err != nil {
			t.Fatal(err)
		}
		e, err := a.open(p, openOptions{work: true, whole: true, level: slog.LevelError})
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			if err := e.readAll(t.Context(), func(intake.Receipt) {}); err != nil {
				t.Error(err)
			}
		}
		if tt.made == "2026-03-28" { // a crash came between the file and its manifest
			write(t, half, "{}\n")
		}
		var made []madeList
		err = e.makeLists(t.Context(), func(m madeList) { made = append(made, m) })
		switch {
		case tt.why != "" && (err == nil || !strings.Contains(err.Error(), tt.why)):
			t.Errorf("%s: %v, wanted %q", tt.at, err, tt.why)
		case tt.why == "" && err != nil:
			t.Errorf("%s: %v", tt.at, err)
		}
		if tt.made == "" != (len(made) == 0) || len(made) > 0 && made[0].File != "mornings-"+tt.made+".json" {
			t.Errorf("%s: made %v, wanted one of %q", tt.at, made, tt.made)
		}
		if err := e.close(context.Background()); err != nil {
			t.Error(err)
		}
	}
	var l worklist.List
	b, err := os.ReadFile(filepath.Join(dir, "lists", "mornings-2026-03-27.json"))
	if err == nil {
		err = json.Unmarshal(b, &l)
	}
	if err != nil || l.Day != "2026-03-27" || l.Farm != "hilltop" || len(l.Cannot) == 0 {
		t.Errorf("%v: %s", err, b)
	}
	m, err := os.ReadFile(half + folder.ManifestSuffix)
	if err != nil {
		t.Fatal(err)
	}
	if x, err := folder.ReadManifest(m); err != nil || x.Bytes != 3 || x.Recipient != "vet" {
		t.Errorf("of what a crash left: %v, %s", err, m)
	}
}
