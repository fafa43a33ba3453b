package adapters_test

import (
	"slices"
	"testing"

	"dewclaw/adapters"
	"dewclaw/events"
)

// Events of one animal, and revisions of one entity, keep their order whatever they
// are of; all else may overtake.
func TestBatch_Lanes(t *testing.T) {
	tests := []struct {
		name   string
		events []string // animal and entity
		want   []int
	}{
		{"animals", []string{"Aa", "Bb", "Ac", "Cd", "Be"}, []int{0, 1, 0, 2, 1}},
		{"an entity that changes its animal", []string{"Aa", "Bb", "Ba", "Cc"}, []int{0, 0, 0, 1}},
		{"two lanes that become one late", []string{"Aa", "Bb", "Cc", "Ac", "Bd", "Ad", "Ce"}, []int{0, 0, 0, 0, 0, 0, 0}},
		{"none", nil, []int{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := &adapters.Batch{}
			for _, e := range tt.events {
				b.Events = append(b.Events, events.Event{Farm: "larkfield", Subject: "ear-tag:" + e[:1], Entity: events.Entity(e[1:])})
			}
			if got := b.Lanes(); !slices.Equal(got, tt.want) {
				t.Errorf("got %v, want %v", got, tt.want)
			}
		})
	}
	b := &adapters.Batch{Events: []events.Event{{Farm: "larkfield", Subject: "ear-tag:A", Entity: "a"}, {Farm: "stony-run", Subject: "ear-tag:A", Entity: "b"}}}
	if got := b.Lanes(); got[0] == got[1] {
		t.Error("animals of two farms share a lane")
	}
}
