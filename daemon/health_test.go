package main

import (
	"bytes"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
)

func TestHealth_LogsAChangeOnce(t *testing.T) {
	var b bytes.Buffer
	h := newHealth(slog.New(slog.NewTextHandler(&b, nil)))
	h.say("source a", nil)
	h.say("source a", errors.New("gone"))
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
	if n := strings.Count(b.String(), "\n"); n != 4 {
		t.Errorf("%d lines, wanted 4:\n%s", n, b.String())
	}
	h.fail("log", errors.New("damaged"))
	if got := h.healthy(); len(got) != 1 || len(h.ready()) != 1 {
		t.Errorf("healthy: got %q", got)
	}
}
