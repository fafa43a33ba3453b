package delivery

import (
	"testing"

	"dewclaw/events"
)

// A name is of a feed if all of it is; files are in the order they were made in, which
// is not that of their names.
func TestFileName_IsTakenApartAndOrdered(t *testing.T) {
	at := func(p events.Position, i int) events.Place { return events.Place{Position: p, Index: i} }
	made := []FileName{
		{Feed: "roster", Generation: 1, From: at(1, 0), Last: at(4, 2), Rest: "-deletes.csv"},
		{Feed: "roster", Generation: 1, From: at(1, 0), Last: at(4, 2), Rest: ".csv"},
		{Feed: "roster", Generation: 1, From: at(4, 3), Last: at(9, 0), Redo: 1, Rest: ".csv"},
		{Feed: "roster", Generation: 1, Kind: "late", Number: 1, From: at(9, 1), Rest: ".csv"},
		{Feed: "roster", Generation: 1, Kind: "replay", Number: 2, From: at(9, 1), Rest: "-deletes.txt"},
		{Feed: "roster", Generation: 1, Kind: "replay", Number: 2, From: at(9, 1), Redo: 2, Rest: ".csv"},
		{Feed: "roster", Generation: 1, From: at(9, 1), Last: at(1_000_000_000_000, 10_000), Rest: ".csv"},
		{Feed: "roster", Generation: 9, From: at(1, 0), Last: at(1, 0), Rest: ".csv"},
		{Feed: "roster", Generation: 10, From: at(1, 0), Last: at(1, 0), Rest: ".csv"},
	}
	for i, n := range made {
		got, ok := ParseFileName("roster", n.String())
		if !ok || got != n {
			t.Errorf("%s: got %+v, %v", n, got, ok)
		}
		for j, o := range made {
			if got := n.Compare(o); got != max(-1, min(1, i-j)) {
				t.Errorf("%s and %s: got %d", n, o, got)
			}
		}
	}
	for _, name := range []string{
		"roster-b-g1-000000000001.0000-000000000004.0002.csv", "roster-g1-000000000001.0000.csv", "roster-g01-000000000001.0000-000000000004.0002.csv",
		"roster-g1-late-000001-000000000001.0000-000000000004.0002.csv", "roster-g1-late-000000-000000000001.0000.csv",
		"roster-g1-000000000001.0000-000000000004.0002.csv.manifest.json", "roster-g1-000000000001.0000-000000000004.0002.csv/..", "roster", "",
		"xroster-g1-000000000001.0000-000000000004.0002.csv", "roster-2026-11-30.csv",
	} {
		if n, ok := ParseFileName("roster", name); ok {
			t.Errorf("%s is taken for %+v", name, n)
		}
	}
}
