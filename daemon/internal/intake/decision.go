package intake

import (
	"context"
	"fmt"
	"strings"
	"time"

	"dewclaw/events"
	"dewclaw/schema"
)

// A Settlement is what a person settles: the decision, and where it belongs.
// Who and Why of the decision are required.
type Settlement struct {
	Source   string // source whose facts it is about; "" if none
	Farm     string
	Decision events.Decision
}

// A Settled says what became of a settlement.
type Settled struct {
	Position events.Position
	Events   []string // CloudEvents ids of the events behind the decision, in their order
}

// A desk collects the entry of one decision. The decision event goes in front
// when everything that follows from it is there.
type desk struct {
	entry    events.Entry
	decision *events.Decision
	farm     string   // whose the decision is
	behind   [][]byte // events behind the decision, in the stored form
	ids      []string
}

// Settle puts a decision into the log that nothing follows from.
func (in *Intake) Settle(ctx context.Context, s Settlement) (Settled, error) {
	return in.decide(ctx, s, func(context.Context, *desk) error { return nil })
}

// decide takes the turn of the source, lets f put on the desk what follows from
// the decision, and appends the entry. An error of f settles nothing.
func (in *Intake) decide(ctx context.Context, s Settlement, f func(ctx context.Context, d *desk) error) (Settled, error) {
	if err := signed(&s.Decision); err != nil {
		return Settled{}, err
	}
	if err := OwnFacts(s.Source); err != nil {
		return Settled{}, err
	}
	t := in.turn(s.Source)
	defer t.urgent()()
	in.Beat(BeatDecide)
	if err := in.catchUp(ctx, t); err != nil {
		return Settled{}, err
	}
	d := &desk{decision: &s.Decision, farm: s.Farm}
	d.entry.Cause, d.entry.Source, d.entry.Defaults.Farm = events.CauseDecision, s.Source, s.Farm
	if err := f(ctx, d); err != nil {
		return Settled{}, err
	}
	now := in.Now().UTC()
	d.entry.Time = events.FormatTime(now)
	first, err := in.decisionEvent(d, now)
	if err != nil {
		return Settled{}, err
	}
	d.entry.Events = append([][]byte{first}, d.behind...)
	at, err := in.commit(ctx, &d.entry, nil, t)
	if err == nil {
		in.Beat(BeatAcknowledge)
	}
	return Settled{Position: at, Events: d.ids}, err
}

// signed checks that a decision says who decided and why.
func signed(d *events.Decision) error {
	for _, x := range []struct{ what, value string }{{"who", d.Who}, {"why", d.Why}} {
		if strings.TrimSpace(x.value) == "" {
			return &events.Fault{
				Kind: events.ErrInvalid, What: x.what, Wanted: "who decides and why, both in words", Got: "nothing",
				Hints: []string{"add --who NAME --why REASON"},
			}
		}
	}
	return nil
}

// decisionEvent writes the decision as the one event of its entity.
func (in *Intake) decisionEvent(d *desk, now time.Time) ([]byte, error) {
	last, hash := in.Log.Last()
	k := events.NewKeyer(d.farm, "")
	id := k.OwnKey(fmt.Sprintf("decision %d %s %s %s", last, hash, d.decision.Action, now.Format(time.RFC3339Nano)))
	var x events.Encoder
	data, _ := x.Append(nil, d.decision)
	if err := refused("decision", schema.Check(events.KindDecision, data)); err != nil {
		return nil, err
	}
	env := events.Envelope{Kind: events.KindDecision, Entity: id.Entity(k.Slot(events.KindDecision, 0))}
	if d.farm != d.entry.Defaults.Farm {
		env.Farm = d.farm
	}
	return events.AppendRevision(nil, events.AppendOpen(nil, env, data), events.Revision{Number: 1, Change: events.Recorded}), nil
}

// refused makes an error of what the schema does not allow, nil if it allows all.
func refused(what string, vs []schema.Violation) error {
	if len(vs) == 0 {
		return nil
	}
	f := &events.Fault{Kind: events.ErrInvalid, Where: what, What: vs[0].Path, Wanted: vs[0].Wanted, Got: vs[0].Got}
	for _, v := range vs[1:] {
		f.Hints = append(f.Hints, "also "+v.String())
	}
	return f
}

// add puts one revision behind the decision.
func (d *desk) add(open []byte, e events.Entity, st step) {
	rev := events.Revision{Number: st.number, Change: st.change}
	if st.number > 1 {
		rev.Before = &st.before
	}
	d.behind = append(d.behind, events.AppendRevision(nil, open, rev))
	d.ids = append(d.ids, events.EventID(e, st.number))
	if st.change == events.Retracted {
		d.entry.Counts.Retracted++
	}
}
