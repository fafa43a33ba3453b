package herd_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/streamlog"
)

// A realLog is a log on JetStream that can be written by a writer.
type realLog struct {
	*streamlog.Log
	t testing.TB
}

func (l realLog) append(e *events.Entry) {
	if _, err := l.Append(l.t.Context(), e); err != nil {
		l.t.Fatal(err)
	}
}

func openLog(t testing.TB, dir string) realLog {
	t.Helper()
	now := func() time.Time { return time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC) }
	log, err := streamlog.Open(t.Context(), streamlog.Options{Dir: dir, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	return realLog{log, t}
}

var _ herd.Log = (*streamlog.Log)(nil)

// The herd over the real log tells what the herd over a log in memory tells:
// followed while the log grows, and after both were closed and opened again.
func TestHerd_OverTheRealLog(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "herd.db")
	want := whole(t, filepath.Join(dir, "memory.db"), smallLog(t, "samples"))

	log := openLog(t, filepath.Join(dir, "log"))
	h, err := herd.Open(t.Context(), herd.Options{Path: path, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	done := make(chan error, 1)
	go func() { done <- h.Follow(ctx) }()
	w := newWriter(log)
	for _, name := range sampleNames {
		readGolden(t, w, name, 9)
	}
	last, _ := log.Last()
	if err := h.WaitFor(ctx, last); err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	if got := dump(t, view(t, h)); got != want {
		t.Error(difference(got, want))
	}
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	if err := log.Close(); err != nil {
		t.Fatal(err)
	}

	log = openLog(t, filepath.Join(dir, "log"))
	defer log.Close()
	var p progress
	h, err = herd.Open(t.Context(), p.options(path, log))
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	if at := h.At(); at != last {
		t.Errorf("opened again at %d, want %d", at, last)
	}
	if got := dump(t, view(t, h)); got != want || p.built {
		t.Errorf("built anew: %v; %s", p.built, difference(got, want))
	}
}
