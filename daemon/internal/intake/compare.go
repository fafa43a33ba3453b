package intake

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"dewclaw/events"
)

// compare compares an entry of the log with what was derived.
func (v *verifier) compare(got, want *events.Entry) {
	want.At = got.At
	v.compareEvents(got, want)
	v.compareHeld(got, want)
	for _, x := range []struct {
		what      string
		want, got any
	}{
		{"counts", want.Counts, got.Counts},
		{"cursor", want.To, got.To},
		{"retractions that wait", entitiesOf(want.Waits), entitiesOf(got.Waits)},
		{"retractions that no longer wait", want.Back, got.Back},
		{"complete", want.Complete, got.Complete},
	} {
		w, g := asJSON(x.want), asJSON(x.got)
		if w != g {
			v.differ(got, 0, x.what, w, g)
		}
	}
}

func entitiesOf(waits []events.Wait) []events.Entity {
	var out []events.Entity
	for _, w := range waits {
		out = append(out, w.Entity)
	}
	return out
}

func asJSON(x any) string {
	b, err := json.Marshal(x)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

// compareEvents compares events by entity, revision, change and content: what is
// derived and noted may have been made by older rules.
func (v *verifier) compareEvents(got, want *events.Entry) {
	for i := range max(len(got.Events), len(want.Events)) {
		switch {
		case i >= len(got.Events):
			ev := v.event(want, i)
			v.differ(got, lineOf(&ev), "event", summary(&ev), "nothing")
		case i >= len(want.Events):
			ev := v.event(got, i)
			v.differ(got, lineOf(&ev), "event", "nothing", summary(&ev))
		case !bytes.Equal(got.Events[i], want.Events[i]):
			g, w := v.event(got, i), v.event(want, i)
			if a, b := summary(&w), summary(&g); a != b {
				v.differ(got, lineOf(&w), "event", a, b)
			}
		}
	}
}

// event returns an event of an entry; one that cannot be read has its error as kind.
func (v *verifier) event(e *events.Entry, i int) events.Event {
	own := *e
	if own.Time == "" {
		own.Time = "1970-01-01T00:00:00Z"
	}
	ev, err := own.Event(i)
	if err != nil {
		ev.Kind = events.Kind(err.Error())
	}
	return ev
}

func summary(ev *events.Event) string {
	s := fmt.Sprintf("%s %s %s, content %v", ev.Kind, ev.ID(), ev.Change, events.StoredDigest(ev.Data))
	if ev.Before != nil {
		s += fmt.Sprintf(", after %d.%d", ev.Before.Position, ev.Before.Index)
	}
	return s
}

func lineOf(ev *events.Event) int {
	var d struct {
		Origin events.Origin `json:"origin"`
	}
	_ = json.Unmarshal(ev.Data, &d)
	return d.Origin.Line
}

func (v *verifier) compareHeld(got, want *events.Entry) {
	for i := range max(len(got.Held), len(want.Held)) {
		switch {
		case i >= len(got.Held):
			v.differ(got, want.Held[i].Line, "held record", want.Held[i].ID, "nothing")
		case i >= len(want.Held):
			v.differ(got, got.Held[i].Line, "held record", "nothing", got.Held[i].ID)
		case got.Held[i].ID != want.Held[i].ID || got.Held[i].Line != want.Held[i].Line:
			v.differ(got, want.Held[i].Line, "held record", want.Held[i].ID, got.Held[i].ID)
		case got.Held[i].Farm != want.Held[i].Farm:
			v.differ(got, want.Held[i].Line, "farm of held record "+want.Held[i].ID, fmt.Sprintf("%q", want.Held[i].Farm), fmt.Sprintf("%q", got.Held[i].Farm))
		}
	}
}

// decision compares what stands behind a decision with what follows from it.
func (v *verifier) decision(ctx context.Context, e *events.Entry) error {
	dec, err := DecisionOf(e)
	if err != nil {
		v.differ(e, 0, "decision", "one", err.Error())
		return nil
	}
	want := &tray{}
	own := *dec
	own.Set, own.Targets = slices.Clone(dec.Set), slices.Clone(dec.Targets)
	switch dec.Action {
	case events.ActionRelease:
		own.Targets = nil
		err = v.release(ctx, e, &own, want)
	case events.ActionReassign, events.ActionSwapFoot, events.ActionChange, events.ActionWithdraw, events.ActionConfirm, events.ActionRefuse:
		err = v.in.correct(ctx, &own, e.Source, want)
	}
	if err != nil {
		v.differ(e, 0, "decision "+dec.Action, "one that can be carried out", err.Error())
		return nil
	}
	for i := range max(len(want.ids), len(e.Events)-1) {
		got, wanted := "nothing", "nothing"
		line := 0
		if i+1 < len(e.Events) {
			ev := v.event(e, i+1)
			got, line = summary(&ev), lineOf(&ev)
		}
		if i < len(want.ids) {
			ev := v.event(&events.Entry{At: e.At, Events: want.events, Defaults: e.Defaults}, i)
			wanted = summary(&ev)
		}
		if got != wanted {
			v.differ(e, line, "event behind the decision "+dec.Action, wanted, got)
		}
	}
	return nil
}

// release works out what follows from the release of a held record.
func (v *verifier) release(ctx context.Context, e *events.Entry, dec *events.Decision, out shelf) error {
	k, _, err := v.in.Kept(ctx, dec.Held)
	if err != nil || k.OfOriginal() {
		return err
	}
	src, err := v.source(e)
	if err != nil {
		return err
	}
	_, _, err = v.in.release(ctx, src, k, dec, out)
	return err
}

// A tray collects what follows from a decision, to be compared.
type tray struct {
	events [][]byte
	ids    []string
}

func (t *tray) add(open []byte, e events.Entity, st step) {
	rev := events.Revision{Number: st.number, Change: st.change}
	if st.number > 1 {
		rev.Before = &st.before
	}
	t.events = append(t.events, events.AppendRevision(nil, open, rev))
	t.ids = append(t.ids, events.EventID(e, st.number))
}
