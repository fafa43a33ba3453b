package quarantine

import (
	"context"
	"fmt"
	"slices"
	"strconv"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/schema/codes"
)

// A Correction is what a person says of accepted events. Which of the fields
// below Action it needs depends on the action.
type Correction struct {
	Target string // id of an event, or entity
	Whole  bool   // all live events of the target's record
	Action string // events.Action…

	Animal events.Identifier // reassign-animal: whose the facts are; same and not-same-animal: the one animal, if not the target's
	Other  events.Identifier // same and not-same-animal: the other animal
	Foot   string            // swap-foot: the foot it should be
	Set    map[string]string // change-value: field = value, "" takes it away

	Who, Why string
}

// Correct puts a correction into the log: the decision, and the amendments or
// retractions that follow from it. What was decided of two animals before is not
// put in again: the result has the position of that, and Known. Errors: of kind not found if there is no such
// event; of kind invalid with what would be right.
func (q *Quarantine) Correct(ctx context.Context, c Correction) (Result, error) {
	entity, _, err := events.ParseEventID(c.Target)
	if err != nil {
		return Result{}, err
	}
	record, slot, err := entity.Split()
	if err != nil {
		return Result{}, err
	}
	source, rec, err := q.d.Index.Find(record)
	if err != nil {
		return Result{}, err
	}
	at := rec.Slot(slot)
	if at == nil {
		return Result{}, &events.Fault{Kind: events.ErrNotFound, What: "event " + string(entity) + " is not in the log"}
	}
	e, err := q.d.Log.Get(ctx, at.Place.Position)
	if err != nil {
		return Result{}, err
	}
	ev, err := e.Event(at.Place.Index)
	if err != nil {
		return Result{}, err
	}
	s := intake.Settlement{Source: source, Farm: ev.Farm}
	s.Decision = events.Decision{Action: c.Action, Who: c.Who, Why: c.Why, Targets: targets(c, &rec, entity)}
	if err := fill(&s.Decision, c, &ev); err != nil {
		return Result{}, err
	}
	if c.Action == events.ActionSame || c.Action == events.ActionNotSame {
		return q.identify(ctx, s)
	}
	r, err := q.d.Intake.Correct(ctx, &s)
	return Result{Position: r.Position, Events: r.Events}, err
}

// identify puts a decision about two animals into the log, if none in force says it.
func (q *Quarantine) identify(ctx context.Context, s intake.Settlement) (Result, error) {
	q.identity.Lock()
	defer q.identity.Unlock()
	s.Decision.Targets = nil
	if q.d.Decided != nil {
		at, err := q.d.Decided(ctx, s.Farm, &s.Decision)
		if err != nil || at > 0 {
			return Result{Position: at, Known: true}, err
		}
	}
	r, err := q.d.Intake.Settle(ctx, s)
	return Result{Position: r.Position, Events: r.Events}, err
}

// targets are the entities a correction is about. Of a whole record those that a
// swap of feet or another animal can change, or whose retraction waits.
func targets(c Correction, rec *index.Record, entity events.Entity) []events.Entity {
	if !c.Whole {
		return []events.Entity{entity}
	}
	waiting := c.Action == events.ActionConfirm || c.Action == events.ActionRefuse
	var out []events.Entity
	for i := range rec.Slots {
		k := &rec.Slots[i]
		if k.State&index.Live != 0 && (!waiting || k.State&index.Waits != 0) {
			out = append(out, rec.ID.Entity(k.Slot))
		}
	}
	return out
}

// fill puts what the action needs into the decision.
func fill(d *events.Decision, c Correction, ev *events.Event) error {
	switch c.Action {
	case events.ActionReassign:
		d.Set = []events.Assignment{{Field: "animal", To: c.Animal.Scheme + ":" + c.Animal.Value}}
	case events.ActionSwapFoot:
		from, err := footOf(ev)
		if err != nil {
			return err
		}
		d.Set = []events.Assignment{{Field: "foot", From: from, To: c.Foot}}
	case events.ActionChange:
		for field, value := range c.Set {
			d.Set = append(d.Set, events.Assignment{Field: field, To: value})
		}
		slices.SortFunc(d.Set, func(a, b events.Assignment) int {
			if a.Field < b.Field {
				return -1
			}
			return 1
		})
	case events.ActionSame, events.ActionNotSame:
		return pair(d, c, ev)
	}
	return nil
}

// footOf returns the foot an event is about.
func footOf(ev *events.Event) (string, error) {
	p, err := ev.Payload()
	if err != nil {
		return "", err
	}
	foot := ""
	if f := ev.Kind.Field("foot"); f != nil {
		foot = f.Get(p).Text
	} else if x, ok := p.(*events.Examination); ok && len(x.Feet) == 1 {
		foot = x.Feet[0].Foot
	}
	if foot == "" {
		return "", &events.Fault{
			Kind: events.ErrInvalid, What: "event " + ev.ID(), Wanted: "an event about one foot", Got: fmt.Sprintf("a %s that is not", ev.Kind),
			Hints: []string{"name the lesion or treatment, and --whole for all of its examination"},
		}
	}
	return foot, nil
}

// pair names the two animals of a decision about identity.
func pair(d *events.Decision, c Correction, ev *events.Event) error {
	if c.Animal.Scheme != "" {
		d.Animal = []events.Identifier{c.Animal}
	} else {
		p, err := ev.Payload()
		if err != nil {
			return err
		}
		d.Animal = p.Base().Animal
	}
	for _, id := range append(slices.Clone(d.Animal), c.Other) {
		if !codes.Find("schemes").Has(id.Scheme) {
			problem := codes.Find("schemes").Problem(id.Scheme)
			return &events.Fault{Kind: events.ErrInvalid, What: "animal", Wanted: "scheme:identifier, the scheme " + problem.Wanted, Got: strconv.Quote(id.Scheme)}
		}
		if _, problem := codes.ParseIdentifier(id.Scheme, id.Value); problem != nil {
			return &events.Fault{Kind: events.ErrInvalid, What: "animal", Wanted: problem.Wanted, Got: problem.Got}
		}
	}
	d.Other = []events.Identifier{c.Other}
	return nil
}
