package intake_test

import (
	"context"
	"fmt"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// A person does not wait for a long file: a decision about the same source goes
// between two of its entries, and both stand.
func TestTake_GivesWayToDecisions(t *testing.T) {
	h := newSizedHouse(t, t.TempDir(), &memoryLog{id: "log"}, intake.Sizes{Rows: 2, Records: 4})
	defer h.close()
	src := rowsSource(t)
	h.take(src, "before.csv", cowRows(1, 2, 3))
	var targets []events.Entity
	for _, ev := range h.events() {
		if ev.Kind == events.KindLesion {
			targets = append(targets, ev.Entity)
		}
	}
	// the file has the same rows, with more behind them and one that is new for each
	var numbers []int
	for i := range 600 {
		numbers = append(numbers, i+1)
	}
	started, decided := make(chan struct{}), make(chan error, len(targets))
	go func() {
		<-started
		for i, e := range targets {
			s := &intake.Settlement{Source: src.ID, Farm: src.Farm, Decision: events.Decision{
				Action: events.ActionChange, Who: "a", Why: "b", Targets: []events.Entity{e},
				Set: []events.Assignment{{Field: "severity.value", To: fmt.Sprint(i%2 + 2)}},
			}}
			_, err := h.in.Correct(context.Background(), s)
			decided <- err
		}
	}()
	once := false
	r := h.takeWith(src, "long.csv", cowRows(numbers...), intake.Options{Progress: func(int) {
		if !once {
			once = true
			close(started)
		}
	}})
	for range targets {
		if err := <-decided; err != nil {
			t.Fatal(err)
		}
	}
	if want := (events.Counts{Read: 600, Accepted: 597, Duplicate: 3}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	first := events.Position(0)
	for _, e := range h.entries {
		if e.Cause == events.CauseDecision {
			first = e.At
			break
		}
	}
	if last, _ := h.log.Last(); first == 0 || first == last {
		t.Errorf("the first decision stands at %d of %d: it waited for the whole file", first, last)
	}
	for _, e := range targets {
		if ev := h.newest()[e]; ev.Revision != 2 || ev.Change != events.Amended {
			t.Errorf("%s: got %s, want the correction to stand", e, ev.ID())
		}
	}
	h.balanced()
}
