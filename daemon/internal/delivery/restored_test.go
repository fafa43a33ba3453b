package delivery

import (
	"encoding/json"
	"testing"
	"time"

	"dewclaw/events"
)

// What becomes of feeds whose log was restored to position 10: the next entry
// will be 11.
func TestRestored_NeverLeavesAFeedAheadOfTheLog(t *testing.T) {
	at := func(p events.Position, i int) events.Place { return events.Place{Position: p, Index: i} }
	tests := []struct {
		name   string
		state  state
		cursor events.Place
		plan   bool // still planned
		moved  bool
	}{
		{"within the log", state{Cursor: at(4, 2)}, at(4, 2), false, false},
		{"at its end", state{Cursor: at(11, 0)}, at(11, 0), false, false},
		{"inside an entry that is gone", state{Cursor: at(11, 3)}, at(11, 0), false, true},
		{"far ahead", state{Cursor: at(400, 0)}, at(11, 0), false, true},
		{"a plan within", state{Cursor: at(4, 0), Plan: &plan{To: at(11, 0), Seen: 10}}, at(4, 0), true, false},
		{"a plan that may have arrived", state{Cursor: at(9, 0), Plan: &plan{To: at(14, 0), Seen: 20}}, at(9, 0), false, true},
		{"a plan that has seen more", state{Cursor: at(4, 0), Plan: &plan{To: at(8, 0), Seen: 20}}, at(4, 0), false, false},
		{"paused by a grant and ahead", state{Cursor: at(400, 0), Paused: &pause{By: byGrant}}, at(11, 0), false, true},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.state.V, tt.state.Generation = stateVersion, 3
			values := map[string][]byte{
				"vet.state":          encode(t, &tt.state),
				"vet.history":        encode(t, &history{Stretches: []stretch{{From: at(1, 0)}, {From: at(30, 0)}}, Prior: []stretch{{From: at(2, 0)}}, PriorTo: at(40, 0)}),
				"vet.animal.one":     encode(t, &owner{V: 1, Items: []item{{Place: at(5, 0)}, {Place: at(12, 0)}}}),
				"vet.animal.two":     encode(t, &owner{V: 1, Items: []item{{Place: at(12, 0)}}}),
				"vet.mapping.abcdef": []byte("mapping: out\n"),
			}
			got, moved, err := Restored(values, 10, time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC))
			if err != nil {
				t.Fatal(err)
			}
			var s state
			decode(t, got["vet.state"], &s)
			if s.Cursor != tt.cursor || (s.Plan != nil) != tt.plan || s.Generation != 4 {
				t.Errorf("state: %+v", s)
			}
			if (len(moved) == 1) != tt.moved || tt.moved != (s.Paused != nil && s.Paused.By == byPerson) {
				t.Errorf("moved %v, paused %+v; want %t", moved, s.Paused, tt.moved)
			}
			var h history
			decode(t, got["vet.history"], &h)
			if len(h.Stretches) != 1 || h.PriorTo != at(11, 0) {
				t.Errorf("history: %+v", h)
			}
			var o owner
			decode(t, got["vet.animal.one"], &o)
			if len(o.Items) != 1 || got["vet.animal.two"] != nil || string(got["vet.mapping.abcdef"]) != "mapping: out\n" {
				t.Errorf("what stays behind: %+v, %s", o, got["vet.animal.two"])
			}
		})
	}
	if _, _, err := Restored(map[string][]byte{"vet.state": []byte("{")}, 10, time.Time{}); err == nil {
		t.Error("a state that cannot be read was taken")
	}
}

func encode(t *testing.T, v any) []byte {
	t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func decode(t *testing.T, b []byte, v any) {
	t.Helper()
	if err := json.Unmarshal(b, v); err != nil {
		t.Fatal(err)
	}
}
