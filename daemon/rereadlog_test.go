package main

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// TestDaemon_MeetsABitThatTurnsWhileItRuns damages an old entry behind the back
// of a daemon that has nothing to do with it: the daemon reads its log again and
// stops, although nobody asked for the entry.
func TestDaemon_MeetsABitThatTurnsWhileItRuns(t *testing.T) {
	dir := t.TempDir()
	noFeed, _, _ := strings.Cut(killConfig, "recipients:") // which would read it, too
	write(t, filepath.Join(dir, "dewclaw.yaml"), noFeed)
	write(t, filepath.Join(dir, "chute.yaml"), killMapping)
	write(t, filepath.Join(dir, "in", "a.csv"), goodRows(2000))
	write(t, filepath.Join(dir, "out", ".keep"), "")
	a := &app{
		ctx: t.Context(), self: "dewclaw", config: filepath.Join(dir, "dewclaw.yaml"), getenv: func(string) string { return "" },
		stdin: strings.NewReader(""), stdout: t.Output(), stderr: t.Output(), now: time.Now,
	}
	p, err := a.load()
	if err != nil {
		t.Fatal(err)
	}
	e, err := a.open(p, openOptions{work: true, level: slog.LevelWarn})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = e.close(context.WithoutCancel(t.Context())) }()
	if err := e.readAll(t.Context(), func(intake.Receipt) {}); err != nil {
		t.Fatal(err)
	}
	blocks, err := filepath.Glob(filepath.Join(e.data(logFolder), "jetstream", "$G", "streams", "dewclaw-*", "msgs", "1.blk"))
	if err != nil || len(blocks) != 1 {
		t.Fatalf("blocks: got %v, %v, want one", blocks, err)
	}
	f, err := os.OpenFile(blocks[0], os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	one := make([]byte, 1)
	const at = 20_000 // within the first entry
	if _, err := f.ReadAt(one, at); err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte{one[0] ^ 4}, at); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithTimeout(t.Context(), patience)
	defer stop()
	if err := newDaemon(&app{}, e).run(ctx); !errors.Is(err, events.ErrCorrupt) || !strings.Contains(err.Error(), "position 1,") {
		t.Errorf("got %v, want damage at position 1", err)
	}
	if why := e.health.healthy(); len(why) == 0 || !strings.Contains(why[0], "position 1,") {
		t.Errorf("health: got %v, want the damage", why)
	}
}
