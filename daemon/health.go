package main

import (
	"log/slog"
	"slices"
	"strings"
	"sync"

	"dewclaw/events"
)

// health keeps what each part of a daemon cannot do now. A part is named as
// people know it: "source chute", "feed vet". It logs a change of state once,
// in both directions, and each further reason once until the part works again, and
// answers /healthz and /readyz. Safe for use by several goroutines at once; its
// methods do not block.
type health struct {
	log *slog.Logger

	mu     sync.Mutex
	parts  map[string]string          // what is wrong, by part
	told   map[string]map[string]bool // reasons that were logged since the part last worked
	broken []string                   // what will not mend by itself
}

// mostReasons is how many reasons of a part are logged until it works again: some
// differ each time.
const mostReasons = 8

func newHealth(log *slog.Logger) *health {
	return &health{log: log, parts: map[string]string{}, told: map[string]map[string]bool{}}
}

// say tells how a part is: err nil means that it does its work.
func (h *health) say(part string, err error) {
	h.mu.Lock()
	was, bad := h.parts[part]
	news := false
	if err != nil {
		h.parts[part] = err.Error()
		news = h.news(part, err.Error())
	} else {
		delete(h.parts, part)
		delete(h.told, part)
	}
	h.mu.Unlock()
	switch {
	case news:
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

// news reports whether a reason is one that was not logged since the part last
// worked, and notes it. Numbers are no news: ports, attempts and counts differ each
// time. h.mu is held.
func (h *health) news(part, why string) bool {
	plain := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return -1
		}
		return r
	}, why)
	told := h.told[part]
	if told[plain] || len(told) == mostReasons {
		return false
	}
	if told == nil {
		told = map[string]bool{}
		h.told[part] = told
	}
	told[plain] = true
	return true
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
