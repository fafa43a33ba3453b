package main

import (
	"log/slog"
	"slices"
	"sync"

	"dewclaw/events"
)

// health keeps what each part of a daemon cannot do now. A part is named as
// people know it: "source chute", "feed vet". It logs a change of state once,
// in both directions, and answers /healthz and /readyz. Safe for use by several
// goroutines at once; its methods do not block.
type health struct {
	log *slog.Logger

	mu     sync.Mutex
	parts  map[string]string // what is wrong, by part
	broken []string          // what will not mend by itself
}

func newHealth(log *slog.Logger) *health {
	return &health{log: log, parts: map[string]string{}}
}

// say tells how a part is: err nil means that it does its work.
func (h *health) say(part string, err error) {
	h.mu.Lock()
	was, bad := h.parts[part]
	if err != nil {
		h.parts[part] = err.Error()
	} else {
		delete(h.parts, part)
	}
	h.mu.Unlock()
	switch {
	case err != nil && !bad:
		h.log.Warn("waits and tries again", "part", part, "why", err.Error(), "hints", events.Hints(err))
	case err == nil && bad:
		h.log.Info("works again", "part", part, "was", was)
	}
}

// wrong returns what is wrong with a part, "" if nothing is.
func (h *health) wrong(part string) string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.parts[part]
}

// fail tells what will not mend by itself.
func (h *health) fail(part string, err error) {
	h.mu.Lock()
	h.broken = append(h.broken, part+": "+err.Error())
	h.mu.Unlock()
	h.log.Error("stops", "part", part, "why", err.Error(), "hints", events.Hints(err))
}

// healthy returns what is broken, for /healthz.
func (h *health) healthy() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.broken)
}

// ready returns why the daemon does not do its whole work, for /readyz.
func (h *health) ready() []string {
	h.mu.Lock()
	defer h.mu.Unlock()
	why := slices.Clone(h.broken)
	for part, w := range h.parts {
		why = append(why, part+": "+w)
	}
	slices.Sort(why)
	return why
}
