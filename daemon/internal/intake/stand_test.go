package intake_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/index"

	"pgregory.net/rapid"
)

// decideSomething lets a person settle something: an accepted event is corrected or
// withdrawn, a held record fixed and released, or dropped.
func decideSomething(t *rapid.T, h *house, src *intake.Source, last []byte) {
	ctx := context.Background()
	s := intake.Settlement{Source: src.ID, Farm: src.Farm, Decision: events.Decision{Who: "a", Why: "b"}}
	held, err := h.ix.HeldRecords(index.StillHeld, events.Place{}, 100)
	if err != nil {
		t.Fatal(err)
	}
	// where a held row kept a day from being whole, settling it makes what is missing vanish
	if len(held) > 0 && src.Mapping.Complete() == nil && rapid.Bool().Draw(t, "held") {
		k, _, err := h.in.Kept(ctx, rapid.SampledFrom(held).Draw(t, "held record").ID)
		if err != nil {
			t.Fatal(err)
		}
		s.Decision.Held = k.Held.ID
		s.Decision.Action = events.ActionDrop
		// what is released of an older export vanishes with the next one
		if !strings.Contains(string(last), k.Raw) || rapid.Bool().Draw(t, "drop") {
			_, err = h.in.Settle(ctx, s)
		} else {
			fixed := strings.NewReplacer(",XX,", ",RH,", ",YY,", ",LH,").Replace(k.Raw)
			fix := s
			fix.Decision.Action, fix.Decision.Set = events.ActionFix, []events.Assignment{{Field: intake.RawField, To: fixed}}
			if _, err := h.in.Settle(ctx, fix); err != nil {
				t.Fatal(err)
			}
			if k, _, err = h.in.Kept(ctx, k.Held.ID); err != nil {
				t.Fatal(err)
			}
			s.Decision.Action = events.ActionRelease
			_, err = h.in.Release(ctx, src, k, s)
		}
		if err != nil && !errors.Is(err, events.ErrInvalid) {
			t.Fatal(err)
		}
		return
	}
	var live []events.Event
	newest := h.newest()
	for _, ev := range h.events() { // in their order, so that a draw is repeatable
		if newest[ev.Entity].Revision == ev.Revision && ev.Change != events.Retracted && ev.Kind == events.KindLesion {
			live = append(live, ev)
		}
	}
	if len(live) == 0 {
		return
	}
	ev := rapid.SampledFrom(live).Draw(t, "event")
	s.Decision.Targets = []events.Entity{ev.Entity}
	switch rapid.IntRange(0, 2).Draw(t, "action") {
	case 0:
		s.Decision.Action = events.ActionWithdraw
	case 1:
		s.Decision.Action, s.Decision.Set = events.ActionChange, []events.Assignment{{Field: "severity.value", To: fmt.Sprint(rapid.IntRange(1, 3).Draw(t, "value"))}}
	default:
		s.Decision.Action, s.Decision.Set = events.ActionSwapFoot, []events.Assignment{{Field: "foot", From: "LH", To: "RF"}}
	}
	if _, err := h.in.Correct(ctx, &s); err != nil && !errors.Is(err, events.ErrInvalid) {
		t.Fatal(err)
	}
}

// What a person settled stands: the newest export read once more, with other
// bytes, changes nothing; and the books balance with decisions among them.
func TestTake_DecisionsStand(t *testing.T) {
	for name, kind := range kinds {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				exports := drawExports(t)
				src := source(t, "s", "larkfield", "t.yaml", []byte(layoutOf(kind)))
				h := newHouse(t, scratchDir(t), &memoryLog{id: "log"})
				defer h.close()
				last := []byte{}
				for i, x := range exports {
					last = append(x.bytes(kind == completeGroups), strings.Repeat("\n", i)...) // no two files of the same bytes
					h.take(src, fmt.Sprintf("%d.csv", i), last)
					for range rapid.IntRange(0, 2).Draw(t, "decisions") {
						decideSomething(t, h, src, last)
					}
				}
				before, n := h.settle(), len(h.events())
				r := h.take(src, "again.csv", append(last, '\n'))
				if d := diff(h.settle(), before); d != "" || len(h.events()) != n {
					t.Fatalf("read again: %v\n%s\n%s", r.Counts, d, dump(t, h.log))
				}
				if r := h.verify(); len(r.Differences) > 0 {
					t.Fatalf("%+v\n%s", r.Differences, dump(t, h.log))
				}
			})
		})
	}
}
