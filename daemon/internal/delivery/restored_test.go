package delivery

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"dewclaw/daemon/internal/config"
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
			o := RestoredOptions{End: 10, Now: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), Moved: true}
			got, halted, err := Restored(values, o)
			if err != nil {
				t.Fatal(err)
			}
			var s state
			decode(t, got["vet.state"], &s)
			if s.Cursor != tt.cursor || (s.Plan != nil) != tt.plan || s.Generation != 4 {
				t.Errorf("state: %+v", s)
			}
			if (len(halted) == 1) != tt.moved || tt.moved != (s.Paused != nil && s.Paused.By == byPerson) {
				t.Errorf("halted %v, paused %+v; want %t", halted, s.Paused, tt.moved)
			}
			// Unless somebody says that nothing was at work after the backup, all of them are.
			o.Moved = false
			all, halted, err := Restored(values, o)
			if err != nil {
				t.Fatal(err)
			}
			var p state
			decode(t, all["vet.state"], &p)
			if len(halted) != 1 || halted[0].Ahead != tt.moved || p.Paused == nil || p.Paused.By != byPerson || p.Cursor != tt.cursor || p.Generation != 4 {
				t.Errorf("not moved: halted %v, state %+v, paused %+v", halted, p, p.Paused)
			}
			var h history
			decode(t, got["vet.history"], &h)
			if len(h.Stretches) != 1 || h.PriorTo != at(11, 0) {
				t.Errorf("history: %+v", h)
			}
			var w owner
			decode(t, got["vet.animal.one"], &w)
			if len(w.Items) != 1 || got["vet.animal.two"] != nil || string(got["vet.mapping.abcdef"]) != "mapping: out\n" {
				t.Errorf("what stays behind: %+v, %s", w, got["vet.animal.two"])
			}
		})
	}
	if _, _, err := Restored(map[string][]byte{"vet.state": []byte("{")}, RestoredOptions{End: 10}); err == nil {
		t.Error("a state that cannot be read was taken")
	}
}

// A feed of the config that had no state when the backup was made may have sent since.
func TestRestored_PausesAFeedThatBeganAfterTheBackup(t *testing.T) {
	values := map[string][]byte{"vet.state": encode(t, &state{V: stateVersion, Generation: 1, Cursor: events.Place{Position: 4}, Paused: &pause{By: byPerson, Why: "on holiday"}})}
	o := RestoredOptions{End: 10, Feeds: []config.Feed{{ID: "advisor"}, {ID: "now", FromNow: true}, {ID: "vet"}}}
	got, halted, err := Restored(values, o)
	if err != nil || len(halted) != 3 {
		t.Fatalf("halted %v, %v; wanted all three", halted, err)
	}
	for id, at := range map[string]events.Position{"advisor": 1, "now": 11, "vet": 4} {
		var s state
		decode(t, got[id+".state"], &s)
		if s.Cursor != (events.Place{Position: at}) || s.Generation != 2 || s.Paused == nil || s.Paused.By != byPerson {
			t.Errorf("%s: %+v", id, s)
		}
		if id == "vet" && !strings.Contains(s.Paused.Why, "on holiday") {
			t.Errorf("why it was paused before is gone: %s", s.Paused.Why)
		}
	}
	o.Moved = true
	if got, halted, _ = Restored(values, o); len(got) != 1 || len(halted) != 1 {
		t.Errorf("moved: %d values, halted %v; wanted the one that was paused before", len(got), halted)
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
