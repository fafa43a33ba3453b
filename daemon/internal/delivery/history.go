package delivery

import (
	"bytes"
	"encoding/json"
	"slices"

	"dewclaw/events"
)

// maxStretches bounds the history of a feed. When it is full the two oldest
// stretches become one, under the rule of the later.
const maxStretches = 64

// A stretch is a run of the log that was judged by one rule, from a place up to
// the next stretch.
type stretch struct {
	From events.Place `json:"from"`
	Rule *rule        `json:"rule,omitempty"`
	Skip bool         `json:"skip,omitempty"` // recorded without a grant in force and not sent
}

// A history says by which rule each place of the log was judged.
type history struct {
	Stretches []stretch    `json:"stretches"`
	Prior     []stretch    `json:"prior,omitempty"`  // of the generation before, for places before PriorTo
	PriorTo   events.Place `json:"priorTo,omitzero"` // where that generation stood when the feed was rewound
}

// last returns the newest stretch, or nil.
func (h *history) last() *stretch {
	if len(h.Stretches) == 0 {
		return nil
	}
	return &h.Stretches[len(h.Stretches)-1]
}

// at returns the stretch p lies in, or nil before the first.
func (h *history) at(p events.Place) *stretch { return stretchAt(h.Stretches, p) }

func stretchAt(list []stretch, p events.Place) *stretch {
	i, found := slices.BinarySearchFunc(list, p, func(s stretch, p events.Place) int {
		switch {
		case s.From.Before(p):
			return -1
		case p.Before(s.From):
			return 1
		}
		return 0
	})
	if !found {
		i--
	}
	if i < 0 {
		return nil
	}
	return &list[i]
}

// begin lets a stretch begin at s.From and forgets what was said of places from
// there on. It reports whether anything changed.
func (h *history) begin(s stretch) bool {
	n := len(h.Stretches)
	for n > 0 && !h.Stretches[n-1].From.Before(s.From) {
		n--
	}
	if n > 0 && h.Stretches[n-1].same(&s) {
		if n == len(h.Stretches) {
			return false
		}
		h.Stretches = h.Stretches[:n]
		return true
	}
	if n+1 == len(h.Stretches) && h.Stretches[n].From == s.From && h.Stretches[n].same(&s) {
		return false
	}
	h.Stretches = append(h.Stretches[:n], s)
	if len(h.Stretches) > maxStretches {
		h.Stretches[1].From = h.Stretches[0].From
		h.Stretches = slices.Delete(h.Stretches, 0, 1)
	}
	return true
}

func (s *stretch) same(o *stretch) bool { return s.Skip == o.Skip && s.Rule.same(o.Rule) }

// same compares by content.
func (r *rule) same(o *rule) bool {
	if r == nil || o == nil {
		return r == o
	}
	a, err := json.Marshal(r)
	b, err2 := json.Marshal(o)
	return err == nil && err2 == nil && bytes.Equal(a, b)
}

// rewind makes p the place from which everything is judged anew; cursor is
// where the feed stood.
func (h *history) rewind(p, cursor events.Place, r *rule) {
	var prior []stretch
	add := func(list []stretch, from, to events.Place) {
		for i := range list {
			s := list[i]
			end := to
			if i+1 < len(list) && list[i+1].From.Before(end) {
				end = list[i+1].From
			}
			if s.From.Before(from) {
				s.From = from
			}
			if s.From.Before(end) {
				prior = append(prior, s)
			}
		}
	}
	add(h.Stretches, p, cursor)
	end := cursor
	if cursor.Before(h.PriorTo) {
		from := cursor
		if from.Before(p) {
			from = p
		}
		add(h.Prior, from, h.PriorTo)
		end = h.PriorTo
	}
	if len(prior) > maxStretches {
		prior = prior[len(prior)-maxStretches:]
	}
	h.Prior, h.PriorTo = prior, end
	if !p.Before(end) {
		h.Prior, h.PriorTo = nil, events.Place{}
	}
	h.begin(stretch{From: p, Rule: r})
}

// prior returns the rule under which p went out in the generation before, or nil.
func (h *history) prior(p events.Place) *rule {
	if !p.Before(h.PriorTo) {
		return nil
	}
	if s := stretchAt(h.Prior, p); s != nil && !s.Skip {
		return s.Rule
	}
	return nil
}
