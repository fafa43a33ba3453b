package main

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"sync"
	"time"

	"dewclaw/events"
)

// A silence watches sources that should not be quiet for longer than their
// config or mapping declares. Safe for use by several goroutines at once.
type silence struct {
	e *engine

	mu    sync.Mutex
	last  map[string]time.Time // when something last came, by source
	never map[string]bool      // nothing ever came: last is since when it is watched
	most  map[string]time.Duration
}

// silences finds the sources that declare it, and when something last came from
// each; that stands in the log. It is nil if none declares it.
func (e *engine) silences(ctx context.Context) (*silence, error) {
	s := &silence{e: e, last: map[string]time.Time{}, never: map[string]bool{}, most: map[string]time.Duration{}}
	for _, c := range e.project.config.Sources {
		most := c.Silent
		if m := e.project.in[c.ID]; most == 0 && m != nil {
			most = m.Silent()
		}
		if most > 0 {
			s.most[c.ID] = most
		}
	}
	if len(s.most) == 0 {
		return nil, nil
	}
	return s, s.lookBack(ctx)
}

// lookBack reads the log from its end until it has met every such source; a
// source that never sent anything is silent since it was first watched.
func (s *silence) lookBack(ctx context.Context) error {
	for at, _ := s.e.log.Last(); at > 0 && len(s.last) < len(s.most); at-- {
		entry, err := s.e.log.Get(ctx, at)
		if err != nil {
			return err
		}
		if _, met := s.last[entry.SourceKey()]; met || s.most[entry.SourceKey()] == 0 {
			continue
		}
		t, err := time.Parse(time.RFC3339, entry.Time)
		if err != nil {
			return fmt.Errorf("log position %d: time: %w: %w", at, err, events.ErrCorrupt)
		}
		s.last[entry.SourceKey()] = t
	}
	return s.neverMet()
}

// watchedFile says since when sources are watched that never sent anything. It is
// lost without harm: they are watched from then on.
const watchedFile = "watched.json"

// neverMet fills in since when the sources are watched that the log does not have,
// which a restart must not forget.
func (s *silence) neverMet() error {
	var was map[string]time.Time
	if b, err := os.ReadFile(s.e.data(watchedFile)); err == nil {
		_ = json.Unmarshal(b, &was) // damaged: as if it were not there
	}
	is := map[string]time.Time{}
	for id := range s.most {
		if _, met := s.last[id]; met {
			continue
		}
		now := s.e.now().UTC()
		if since, ok := was[id]; ok && since.Before(now) {
			now = since
		}
		s.last[id], is[id] = now, now
		s.never[id] = true
	}
	if maps.EqualFunc(was, is, time.Time.Equal) {
		return nil
	}
	b, err := json.Marshal(is)
	if err == nil {
		err = replace(s.e.data(watchedFile), b, 0o600)
	}
	if err != nil {
		s.e.logger.Warn("since when sources are watched is forgotten at the next start", "why", err.Error())
	}
	return nil
}

// heard notes that something came from a source.
func (s *silence) heard(id string) {
	if s == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last[id] = s.e.now()
	delete(s.never, id)
}

// quiet returns the sources that have been quiet for too long, each as a fault.
func (s *silence) quiet() map[string]error {
	out := map[string]error{}
	if s == nil {
		return out
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.e.now()
	for id, most := range s.most {
		out[id] = nil
		if since := s.last[id]; now.Sub(since) > most {
			got := "nothing since " + events.FormatTime(since)
			if s.never[id] {
				got = "nothing ever; it is watched since " + events.FormatTime(since)
			}
			out[id] = &events.Fault{
				Kind: events.ErrUnavailable, Who: "source " + id, What: "silent", Wanted: fmt.Sprintf("something at least every %v", most),
				Got:   got,
				Hints: []string{"look whether the device still sends, and whether its files land in the folder of the source"},
			}
		}
	}
	return out
}

// watch tells the health of the daemon, until ctx ends.
func (s *silence) watch(ctx context.Context) {
	if s == nil {
		return
	}
	shortest := time.Minute
	for _, most := range s.most {
		shortest = min(shortest, max(most/10, 10*time.Millisecond))
	}
	for pause(ctx, shortest) == nil {
		for id, err := range s.quiet() {
			s.e.health.say("source "+id+" (silence)", err)
		}
	}
}
