package delivery

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/events"
)

// A Moved is a feed that had gone further than the log it is now beside.
type Moved struct {
	Feed string
	From events.Position // where it stood
	To   events.Position // where it stands now: behind the end of the log
}

// Restored makes the stored values of feeds fit a log that was restored and ends
// at end. values are those of the bucket by key and are not changed.
//
// Positions behind end will be given out again to other entries. So every feed
// goes on under a new generation: no file gets the name of one that was sent in
// the time that is gone. A feed that stands within the log keeps its place. One
// that had gone further is set to the end and paused by name: its recipient may
// have events that this log no longer has, and only a person can settle that.
// Nothing is sent by itself, nothing is skipped. Errors are of kind corrupt.
func Restored(values map[string][]byte, end events.Position, now time.Time) (map[string][]byte, []Moved, error) {
	out := map[string][]byte{}
	var moved []Moved
	behind := events.Place{Position: end + 1}
	for key, b := range values {
		name, part, _ := strings.Cut(key, ".")
		var v any
		var err error
		switch {
		case part == "state":
			s := new(state)
			if err = json.Unmarshal(b, s); err == nil {
				if m, ok := s.restored(name, behind, now); ok {
					moved = append(moved, m)
				}
			}
			v = s
		case part == "history":
			h := new(history)
			if err = json.Unmarshal(b, h); err == nil {
				h.end(behind)
			}
			v = h
		case strings.HasPrefix(part, "animal."):
			o := new(owner)
			err = json.Unmarshal(b, o)
			o.Items = slices.DeleteFunc(o.Items, func(i item) bool { return !i.Place.Before(behind) })
			if err == nil && len(o.Items) == 0 {
				continue
			}
			v = o
		default:
			out[key] = b
			continue
		}
		if err == nil {
			out[key], err = json.Marshal(v)
		}
		if err != nil {
			return nil, nil, fmt.Errorf("restore state of feed %s: key %s: %w: %w", name, key, err, events.ErrCorrupt)
		}
	}
	slices.SortFunc(moved, func(a, b Moved) int { return strings.Compare(a.Feed, b.Feed) })
	return out, moved, nil
}

// restored makes a state fit a log whose next entry will stand at behind.
func (s *state) restored(feed string, behind events.Place, now time.Time) (Moved, bool) {
	s.Generation++
	s.Redo, s.Lists = 0, 0
	if behind.Before(s.Doubt) {
		s.Doubt = behind
	}
	was := s.Cursor
	if p := s.Plan; p != nil && (behind.Before(p.To) || p.Seen >= uint64(behind.Position)) {
		s.Plan = nil
		if was.Before(p.To) {
			was = p.To // what was planned may have arrived
		}
	}
	if !behind.Before(was) {
		return Moved{}, false
	}
	if behind.Before(s.Cursor) {
		s.Cursor = behind
	}
	s.Cut, s.Refused, s.Refusals = cut{}, nil, 0
	s.Paused = &pause{By: byPerson, Since: now, Why: fmt.Sprintf(
		"the log was restored to position %d, but this feed had sent up to position %d: the recipient may have events that are no longer in the log; "+
			"to go on from here: dewclaw feed resume %s; to send everything once more first: dewclaw feed rewind %s --to 1",
		behind.Position-1, was.Position, feed, feed)}
	return Moved{feed, was.Position, s.Cursor.Position}, true
}

// end forgets what was said of places from p on.
func (h *history) end(p events.Place) {
	h.Stretches = slices.DeleteFunc(h.Stretches, func(s stretch) bool { return !s.From.Before(p) })
	h.Prior = slices.DeleteFunc(h.Prior, func(s stretch) bool { return !s.From.Before(p) })
	if p.Before(h.PriorTo) {
		h.PriorTo = p
	}
	if len(h.Prior) == 0 {
		h.PriorTo = events.Place{}
	}
}
