package main

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events/streamlog"
)

// TestBarn_NeedsAGrantOfEachFarmOfItsLog takes in records of two farms and opens the
// log for a hub under several configs: a farm that the config has no more still needs a
// grant, as the hub reads the log whole; one of which nothing was taken in needs none.
func TestBarn_NeedsAGrantOfEachFarmOfItsLog(t *testing.T) {
	dir := t.TempDir()
	seed, _, err := streamlog.NewBarnKey()
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "north.nk"), string(seed))
	if err := os.Chmod(filepath.Join(dir, "north.nk"), 0o600); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "chute.yaml"), killMapping)
	config := func(hub bool, farms ...string) string {
		var b strings.Builder
		b.WriteString("version: 1\nrecipients: {practice: {name: The practice}}\nfarms:\n")
		for _, f := range farms {
			b.WriteString("  " + f + ": {zone: Europe/Berlin}\n")
		}
		b.WriteString("sources:\n")
		for _, f := range farms {
			b.WriteString("  of-" + f + ": {farm: " + f + ", folder: in-" + f + ", files: [\"*.csv\"], mapping: chute.yaml}\n")
			if err := os.MkdirAll(filepath.Join(dir, "in-"+f), 0o755); err != nil {
				t.Fatal(err)
			}
		}
		if !hub {
			return b.String()
		}
		b.WriteString("hub: {url: \"nats-leaf://127.0.0.1:1\", barn: north, nkey: north.nk, recipient: practice}\ngrants:\n")
		for _, f := range farms {
			b.WriteString("  - {farm: " + f + ", recipient: practice, purpose: care, kinds: [visit, examination, lesion, treatment, taken-off, check, locomotion, claw-measure, claw, order, group, animal, decision], fields: identities, from: 2025-01-01}\n")
		}
		return b.String()
	}
	rows := goodRows(3)
	tests := []struct {
		name  string
		hub   bool
		farms []string
		rows  string // farm of which rows are read
		lack  string // what keeps the hub out; "" if it may read
	}{
		{"nothing is taken in yet", true, []string{"alpha"}, "", ""},
		{"two farms, and no hub", false, []string{"alpha", "alto"}, "alpha alto", ""},
		{"one of them is gone", true, []string{"alpha"}, "", "no grant of farm alto lets recipient practice have"},
		{"it is back", true, []string{"alpha", "alto", "third"}, "", ""},
		{"one that told nothing is gone", true, []string{"alpha", "alto"}, "", ""},
		{"a third has rows", true, []string{"alpha", "alto", "third"}, "third", ""},
		{"it is gone", true, []string{"alpha", "alto"}, "", "no grant of farm third lets"},
		{"still", true, []string{"alpha", "alto"}, "", "no grant of farm third lets"},
	}
	for _, tt := range tests {
		write(t, filepath.Join(dir, "dewclaw.yaml"), config(tt.hub, tt.farms...))
		var out bytes.Buffer
		a := &app{
			ctx: t.Context(), self: "dewclaw", config: filepath.Join(dir, "dewclaw.yaml"), getenv: func(string) string { return "" },
			stdin: strings.NewReader(""), stdout: &out, stderr: &out, now: time.Now,
		}
		p, err := a.load()
		if err != nil {
			t.Fatalf("%s: %v", tt.name, err)
		}
		e, err := a.open(p, openOptions{work: true, whole: true, link: true, level: slog.LevelError})
		if err != nil {
			t.Fatalf("%s: %v", tt.name, err)
		}
		for _, f := range strings.Fields(tt.rows) {
			write(t, filepath.Join(dir, "in-"+f, "a.csv"), rows)
			old := time.Now().Add(-time.Hour)
			if err := os.Chtimes(filepath.Join(dir, "in-"+f, "a.csv"), old, old); err != nil {
				t.Fatal(err)
			}
		}
		if err := e.readAll(t.Context(), func(intake.Receipt) {}); err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		lack := e.hubLack()
		if linked := tt.hub && tt.lack == ""; e.linked != linked {
			t.Errorf("%s: the hub may read the log: got %v, want %v (%s)", tt.name, e.linked, linked, lack)
		}
		if tt.hub && (lack == "") != (tt.lack == "") || !strings.Contains(lack, tt.lack) {
			t.Errorf("%s: got %q, want %q", tt.name, lack, tt.lack)
		}
		if err := e.close(context.Background()); err != nil {
			t.Error(err)
		}
	}
}
