package main

import (
	"bytes"
	"context"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/daemon/internal/intake"
)

// TestSilence_IsToldAfterTheDeclaredTime opens the same folder at three moments:
// what came last stands in the log, so that a restart does not forget it.
func TestSilence_IsToldAfterTheDeclaredTime(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "dewclaw.yaml"), strings.Replace(killConfig, "rest: 100ms", "rest: 100ms, silent: 36h", 1))
	write(t, filepath.Join(dir, "chute.yaml"), killMapping)
	write(t, filepath.Join(dir, "in", "a.csv"), goodRows(3))
	write(t, filepath.Join(dir, "out", ".keep"), "")
	began := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	tests := []struct {
		name  string
		after time.Duration
		read  bool
		quiet string // what is told
	}{
		{"never anything, at the first start", -48 * time.Hour, false, ""},
		{"nor at one soon after", -13 * time.Hour, false, ""},
		{"nor for too long, whatever was started between", -11 * time.Hour, false, "nothing ever; it is watched since 2026-02-27T08:00:0"},
		{"a file comes", time.Hour, true, ""},
		{"just in time", 36*time.Hour + 50*time.Minute, false, ""},
		{"too late", 37*time.Hour + 10*time.Minute, false, "nothing since 2026-03-01T09:00:0"},
	}
	for _, tt := range tests {
		start := time.Now() // the clock goes on from the moment of the case: files must come to rest
		now := func() time.Time { return began.Add(tt.after).Add(time.Since(start)) }
		var out bytes.Buffer
		a := &app{
			ctx: t.Context(), self: "dewclaw", config: filepath.Join(dir, "dewclaw.yaml"), getenv: func(string) string { return "" },
			stdin: strings.NewReader(""), stdout: &out, stderr: &out, now: now,
		}
		p, err := a.load()
		if err != nil {
			t.Fatal(err)
		}
		e, err := a.open(p, openOptions{work: true, level: slog.LevelWarn})
		if err != nil {
			t.Fatal(err)
		}
		if tt.read {
			if err := e.readAll(t.Context(), func(intake.Receipt) {}); err != nil {
				t.Error(err)
			}
		}
		s, err := e.silences(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		why := s.quiet()["chute"]
		if (why != nil) != (tt.quiet != "") || why != nil && !strings.Contains(why.Error(), tt.quiet) {
			t.Errorf("%s: got %v, wanted %q", tt.name, why, tt.quiet)
		}
		if err := e.close(context.Background()); err != nil {
			t.Error(err)
		}
	}
}
