package delivery

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// A Halted is a feed that is paused because its log was restored.
type Halted struct {
	Feed  string
	From  events.Position // where it stood
	Ahead bool            // that was behind the end of the log it is now beside
}

// RestoredOptions say beside what log feeds go on.
type RestoredOptions struct {
	End   events.Position // of the log
	Now   time.Time
	Feeds []config.Feed // of the config: one without a value may have been at work after the backup
	Moved bool          // nothing was at work after the backup
}

// Restored makes the stored values of feeds fit a log that was restored. values are
// those of the bucket by key and are not changed.
//
// Positions behind the end will be given out again to other entries, and with them
// revisions, so ids of events. So every feed goes on under a new generation: no file
// gets the name of one that was sent in the time that is gone. And every feed is
// paused by name: its recipient may have events that this log no longer has, under
// ids that will be given out again, and only a person can settle that. One that had
// gone further is set to the end, the others keep their place. If nothing was at
// work after the backup, only those that had gone further are paused. Nothing is
// sent by itself, nothing is skipped. Errors are of kind corrupt.
func Restored(values map[string][]byte, o RestoredOptions) (map[string][]byte, []Halted, error) {
	out := map[string][]byte{}
	var halted []Halted
	behind := events.Place{Position: o.End + 1}
	for key, b := range values {
		name, part, _ := strings.Cut(key, ".")
		var v any
		var err error
		switch {
		case part == "state":
			s := new(state)
			if err = json.Unmarshal(b, s); err == nil {
				if h := s.restored(name, behind, &o); s.Paused != nil && s.Paused.By == byPerson {
					halted = append(halted, h)
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
			w := new(owner)
			err = json.Unmarshal(b, w)
			w.Items = slices.DeleteFunc(w.Items, func(i item) bool { return !i.Place.Before(behind) })
			if err == nil && len(w.Items) == 0 {
				continue
			}
			v = w
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
	for i := range o.Feeds {
		c := &o.Feeds[i]
		if o.Moved || values[c.ID+".state"] != nil {
			continue
		}
		s := &state{V: stateVersion, Generation: 1, Cursor: events.Place{Position: 1}}
		if c.FromNow {
			s.Cursor = behind
		}
		halted = append(halted, s.restored(c.ID, behind, &o))
		var err error
		if out[c.ID+".state"], err = json.Marshal(s); err != nil {
			return nil, nil, err
		}
	}
	slices.SortFunc(halted, func(a, b Halted) int { return strings.Compare(a.Feed, b.Feed) })
	return out, halted, nil
}

// restored makes a state fit a log whose next entry will stand at behind.
func (s *state) restored(feed string, behind events.Place, o *RestoredOptions) Halted {
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
	h := Halted{feed, was.Position, behind.Before(was)}
	if !h.Ahead && o.Moved {
		return h
	}
	why := "what was at work after the backup may have sent more, under ids that this log gives out again to other content"
	if h.Ahead {
		if behind.Before(s.Cursor) {
			s.Cursor = behind
		}
		s.Cut, s.Refused, s.Refusals = cut{}, nil, 0
		why = fmt.Sprintf("this feed had sent up to position %d: the recipient may have events that are no longer in the log", was.Position)
	}
	before := ""
	if s.Paused != nil && s.Paused.By != byGrant {
		before = "; it was paused before: " + s.Paused.Why
	}
	s.Paused = &pause{By: byPerson, Since: o.Now, Why: fmt.Sprintf(
		"the log was restored to position %d; %s; to go on from here: dewclaw feed resume %s; to send everything once more first: dewclaw feed rewind %s --to 1%s",
		behind.Position-1, why, feed, feed, before)}
	return h
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
