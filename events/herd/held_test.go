package herd_test

import (
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// heldBy appends an entry of a source that tells of several farms, or at a hub of
// one of a barn.
func (s *story) heldBy(source, barn string, zones []string, held ...events.Held) {
	s.Helper()
	e := &events.Entry{Cause: events.CauseChunk, Source: source, Name: "list.csv", Time: "2026-02-03T00:00:00Z", Zones: map[string]string{}}
	if barn != "" {
		e.Barn = &events.Barn{ID: barn, Log: barn, At: 1}
	}
	for _, f := range zones {
		e.Zones[f] = "Europe/Berlin"
	}
	for _, h := range held {
		h.Line, h.Reasons = 7, []events.Reason{{Field: "foot", Wanted: "one of LF", Got: "XX"}}
		h.Seen = events.Seen{Animal: "31", Date: "2026-02-01", Foot: "RH", Words: "Verband"}
		e.Held = append(e.Held, h)
	}
	s.log.append(e)
}

// A held record of a source that tells of several farms is of the farm it names. If
// that cannot be read, each of the farms of the source is told that it is there, and
// nothing it says; no other farm is.
func TestView_HeldIsOfItsFarm(t *testing.T) {
	s := newStory(t)
	for _, f := range []string{farm, "brook", "glen"} {
		s.w.put("2026-01-01", line{farm: f, source: "scores", record: f, payload: scored("herd-number:31", "2026-01-01", 1)})
	}
	s.heldBy("chute", "", []string{farm, "brook"}, events.Held{ID: "h-1", Farm: "brook"}, events.Held{ID: "h-2"}, events.Held{ID: "h-3", Farm: farm})
	s.heldBy("chute", "north", []string{"brook", "glen"}, events.Held{ID: "h-1"}, events.Held{ID: "h-2", Farm: "glen"})
	told := func(f string) (out []string) {
		t.Helper()
		err := s.view().EachHeld(t.Context(), f, func(h herd.Held) error {
			w := h.ID + " of " + h.Source
			if h.Farm == "" && (h.Seen != events.Seen{} || h.Name != "" || h.Line != 0 || len(h.Reasons) > 0) {
				t.Errorf("farm %s is told %+v, which may be of another", f, h)
			}
			if h.Farm != "" {
				w += ": " + h.Seen.Words
			}
			out = append(out, w)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		c, err := s.view().Counts(t.Context(), f)
		if err != nil || c.Held != len(out) {
			t.Errorf("farm %s: counted %d, %v, told of %d", f, c.Held, err, len(out))
		}
		return out
	}
	same := func(f string, want ...string) {
		t.Helper()
		if got := told(f); !slices.Equal(got, want) {
			t.Errorf("farm %s is told\n%s\nwant\n%s", f, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	}
	same(farm, "h-2 of chute", "h-3 of chute: Verband")
	same("brook", "h-1 of chute: Verband", "h-2 of chute", "north/h-1 of north/chute")
	same("glen", "north/h-1 of north/chute", "north/h-2 of north/chute: Verband")
	same("heath")

	// Whatever farm a decision is of, it settles the record for all of them.
	s.w.decide("", "2026-02-04", &events.Decision{Action: events.ActionDrop, Held: "h-2", Who: "anna", Why: "nobody knows"})
	same(farm, "h-3 of chute: Verband")
	same("brook", "h-1 of chute: Verband", "north/h-1 of north/chute")
}

// A retraction that waits is of the farm of its fact, also where the entry that says
// so is of a source that tells of several farms; in a herd that follows the log and
// in one that is built of it.
func TestView_WaitingIsOfTheFarmOfTheFact(t *testing.T) {
	s := newStory(t)
	wrap := func(f, record string) line {
		return line{farm: f, source: "chute", record: record, payload: &events.Treatment{Common: on("herd-number:31", "2026-02-01"), What: "wrap", Foot: "RH", Claw: "none"}}
	}
	mine, other, later := wrap(farm, "a"), wrap("brook", "b"), wrap("brook", "c")
	roster := line{farm: "brook", source: "list", record: "r", payload: &events.Animal{Common: events.Common{Animal: ids("herd-number:31")}}}
	s.shared(mine, other, roster)
	_ = s.view()
	s.shared(later)
	zones := map[string]string{farm: "Europe/Berlin", "brook": "Europe/Berlin"}
	wait := func(lines ...line) {
		e := &events.Entry{Cause: events.CauseChunk, Source: "chute", Time: "2026-02-03T00:00:00Z", Zones: zones}
		for _, l := range lines {
			e.Waits = append(e.Waits, events.Wait{Entity: l.entity(), Why: "a wrap"})
		}
		s.log.append(e)
	}
	wait(mine, other, roster)
	wait(later)
	check := func(v *herd.View) {
		t.Helper()
		for f, want := range map[string][]line{farm: {mine}, "brook": {other, later, roster}, "glen": nil} {
			got, err := v.Waiting(t.Context(), f)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != len(want) {
				t.Errorf("farm %s: got %+v, want %d", f, got, len(want))
			}
			for _, l := range want {
				if !slices.ContainsFunc(got, func(w herd.Waiting) bool { return w.Entity == l.entity() && w.Farm == f && w.Source == "chute" }) {
					t.Errorf("farm %s: %s of record %s is not among %+v", f, l.payload.Kind(), l.record, got)
				}
			}
			if c, err := v.Counts(t.Context(), f); err != nil || c.Waiting != len(want) {
				t.Errorf("farm %s: counted %d, %v, want %d", f, c.Waiting, err, len(want))
			}
		}
	}
	check(s.view())
	check(view(t, openHerd(t, s.log)))
}

// shared appends one entry of a source that tells of several farms.
func (s *story) shared(lines ...line) {
	s.Helper()
	e := &events.Entry{Cause: events.CauseChunk, Source: "chute", Time: "2026-02-02T00:00:00Z"}
	for _, l := range lines {
		var enc events.Encoder
		data, _ := enc.Append(nil, l.payload)
		env := events.Envelope{Kind: l.payload.Kind(), Entity: l.entity(), Farm: l.farm}
		e.Events = append(e.Events, events.AppendRevision(nil, events.AppendOpen(nil, env, data), events.Revision{Number: 1, Change: events.Recorded}))
	}
	s.log.append(e)
}
