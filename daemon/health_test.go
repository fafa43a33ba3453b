package main

import (
	"bytes"
	"errors"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/streamlog"
)

// TestHealth_LogsAChangeOnce has a part fail for one reason, then for another, and again
// for the first with another number in it: two lines.
func TestHealth_LogsAChangeOnce(t *testing.T) {
	var b bytes.Buffer
	h := newHealth(slog.New(slog.NewTextHandler(&b, nil)))
	h.say("source a", nil)
	h.say("source a", errors.New("gone, attempt 1"))
	h.say("source a", errors.New("still gone"))
	h.say("source a", errors.New("gone, attempt 2"))
	h.say("source a", errors.New("still gone"))
	h.say("feed b", errors.New("refused"))
	if got, want := h.ready(), []string{"feed b: refused", "source a: still gone"}; !slices.Equal(got, want) {
		t.Errorf("ready: got %q, wanted %q", got, want)
	}
	h.say("source a", nil)
	h.say("feed b", nil)
	if got := h.ready(); len(got) != 0 {
		t.Errorf("ready: got %q", got)
	}
	if n := strings.Count(b.String(), "\n"); n != 5 {
		t.Errorf("%d lines, wanted 5:\n%s", n, b.String())
	}
	b.Reset()
	h.say("source a", errors.New("still gone"))
	if n := strings.Count(b.String(), "still gone"); n != 1 {
		t.Errorf("a reason of before, after it worked: %d lines, wanted 1", n)
	}
	h.say("source a", nil)
	h.fail("log", errors.New("damaged"))
	if got := h.healthy(); len(got) != 1 || len(h.ready()) != 1 {
		t.Errorf("healthy: got %q", got)
	}
}

// A query for the newest state ends when the read model cannot come to it, as on a
// full disk.
func TestFollowed_EndsWhenTheReadModelCannotFollow(t *testing.T) {
	dir := t.TempDir()
	log, err := streamlog.Open(t.Context(), streamlog.Options{Dir: filepath.Join(dir, "log"), Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	h, err := herd.Open(t.Context(), herd.Options{Path: filepath.Join(dir, "herd.db"), Log: log})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	e := &engine{health: newHealth(slog.New(slog.DiscardHandler)), herd: h}
	ended := make(chan error, 1)
	go func() { ended <- e.followed(t.Context(), 5) }()
	e.health.say(partReadModel, errors.New("disk full"))
	select {
	case err := <-ended:
		if !errors.Is(err, events.ErrUnavailable) || !strings.Contains(err.Error(), "disk full") {
			t.Errorf("got %v, want unavailable and why", err)
		}
	case <-time.After(patience):
		t.Fatal("it waits for ever")
	}
}
