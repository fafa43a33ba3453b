package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dewclaw/daemon/internal/backup"
	"dewclaw/events"
)

// TestUpgrade opens what every version of the formats has left in testdata/logs:
// a data folder with a config, a backup of it, and the export of its log. None
// of it is ever edited; a version that is missing fails. The log must be whole,
// its books must balance by the originals, and log, backup and export must give
// the same events to the byte. The feed must go on where it stood.
func TestUpgrade(t *testing.T) {
	kept := filepath.Join("..", "testdata", "logs")
	for v := 1; v <= max(events.EntryVersion, backup.Version); v++ {
		t.Run(fmt.Sprint("v", v), func(t *testing.T) {
			dir := t.TempDir()
			if err := os.CopyFS(dir, os.DirFS(filepath.Join(kept, fmt.Sprint("v", v)))); err != nil {
				t.Fatalf("every version must be kept: %v", err)
			}
			for _, name := range []string{"in", "out"} {
				if err := os.MkdirAll(filepath.Join(dir, name), 0o755); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(filepath.Join(dir, "events.ndjson"))
			if err != nil {
				t.Fatal(err)
			}
			config := filepath.Join(dir, "dewclaw.yaml")
			dewclaw := func(args ...string) string { return fine(t, append([]string{"--config", config}, args...)...) }
			same := func(what string) {
				t.Helper()
				if got := dewclaw("export"); got != string(want) {
					t.Errorf("%s: the export is not what it was", what)
				}
			}
			same("the data folder")
			if got := dewclaw("verify"); !strings.Contains(got, "The books balance") {
				t.Errorf("verify: %s", got)
			}
			if got := dewclaw("once"); !strings.Contains(got, "0 events in 0 batches") {
				t.Errorf("once: %s", got)
			}
			if got := dewclaw("verify", "--backup", filepath.Join(dir, "backup")); !strings.Contains(got, "The books balance") {
				t.Errorf("verify the backup: %s", got)
			}
			if err := os.RemoveAll(filepath.Join(dir, "data")); err != nil {
				t.Fatal(err)
			}
			dewclaw("restore", filepath.Join(dir, "backup"))
			same("the restored backup")
			if err := os.RemoveAll(filepath.Join(dir, "data")); err != nil {
				t.Fatal(err)
			}
			dewclaw("import", filepath.Join(dir, "events.ndjson"))
			same("the imported export")
		})
	}
}

// fine runs a command that must be fine, in this process, and returns what it prints.
func fine(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	none := func(string) string { return "" }
	if code := run(context.WithoutCancel(t.Context()), append([]string{"dewclaw"}, args...), none, strings.NewReader(""), &out, &errs); code != exitFine {
		t.Fatalf("dewclaw %v: exit %d\n%s%s", args, code, &out, &errs)
	}
	return out.String()
}
