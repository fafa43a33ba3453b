package intake

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/schema"
	"dewclaw/schema/codes"
	"dewclaw/schema/rules"
)

// A fact is the newest revision of one event of a record, decoded.
type fact struct {
	slot    int // in the record
	event   events.Event
	payload events.Payload
}

// Correct puts a decision about accepted events into the log, with the
// amendments or retractions that follow from it. Targets of the decision are
// entities of one record of s.Source; Set says what changes, by field name.
//
//	reassign-animal     Set: animal, To scheme:identifier; all targets get it as their only identifier
//	swap-foot           Set: foot, From and To; targets at From go to To, and those at To to From
//	change-value        Set: fields of the target with To, "" takes a value away; a value that is there already
//	                    confirms what the source changed, and nothing follows from it
//	withdraw            the targets are retracted, whatever their source says
//	confirm-retraction  the targets, whose retraction waits, are retracted
//	refuse-retraction   the targets, whose retraction waits, stay
//
// Set comes back with the values before. Errors: of kind not found if there is no
// such record or event; of kind invalid if the change makes no sense, with every
// rule it breaks.
func (in *Intake) Correct(ctx context.Context, s *Settlement) (Settled, error) {
	return in.decide(ctx, *s, func(ctx context.Context, d *desk) error {
		err := in.correct(ctx, d.decision, s.Source, d)
		s.Decision = *d.decision
		return err
	})
}

// A shelf takes what follows from a decision.
type shelf interface {
	add(open []byte, e events.Entity, st step)
}

// correct works out what follows from a correction.
func (in *Intake) correct(ctx context.Context, dec *events.Decision, source string, out shelf) error {
	rec, facts, err := in.facts(ctx, source, dec.Targets)
	if err != nil {
		return err
	}
	waiting := dec.Action == events.ActionConfirm || dec.Action == events.ActionRefuse
	for _, e := range dec.Targets {
		f := factOf(facts, e)
		if f == nil || rec.Slots[f.slot].State&index.Live == 0 {
			return notLive(e)
		}
		if waiting && rec.Slots[f.slot].State&index.Waits == 0 {
			return &events.Fault{
				Kind: events.ErrInvalid, What: "event " + string(e), Wanted: "an event whose retraction waits for a person", Got: "one whose does not",
				Hints: []string{"see which wait: dewclaw held list --waits"},
			}
		}
	}
	switch dec.Action {
	case events.ActionRefuse:
		return nil
	case events.ActionWithdraw, events.ActionConfirm:
		for _, e := range dec.Targets {
			f := factOf(facts, e)
			out.add(reopen(&f.event, events.Defaults{}), e, retraction(rec, f))
		}
		return nil
	}
	return in.amend(dec, rec, facts, out)
}

func retraction(rec *index.Record, f *fact) step {
	k := &rec.Slots[f.slot]
	return step{number: k.Revision + 1, change: events.Retracted, before: k.Place}
}

// amend changes the targets and writes those whose content is another then.
func (in *Intake) amend(dec *events.Decision, rec *index.Record, facts []fact, out shelf) error {
	change, err := changer(dec)
	if err != nil {
		return err
	}
	for _, e := range dec.Targets {
		if err := change(factOf(facts, e)); err != nil {
			return err
		}
	}
	all := make([]events.Payload, len(facts))
	for i := range facts {
		all[i] = facts[i].payload
	}
	rules.Apply(all, in.Rules)
	var x events.Encoder
	var broken []schema.Violation
	changed, confirms := 0, false
	for _, e := range dec.Targets {
		f := factOf(facts, e)
		k := &rec.Slots[f.slot]
		data, digest := x.Append(nil, f.payload)
		if digest == events.StoredDigest(f.event.Data) {
			confirms = confirms || dec.Action == events.ActionChange && f.event.Change == events.Amended && k.State&index.Decided == 0
			continue
		}
		changed++
		broken = append(broken, schema.Check(f.event.Kind, data)...)
		f.event.Data = data
		out.add(reopen(&f.event, events.Defaults{}), e, step{number: k.Revision + 1, change: events.Amended, before: k.Place})
	}
	if err := refused("the corrected event", broken); err != nil {
		return err
	}
	if changed == 0 && !confirms {
		return &events.Fault{Kind: events.ErrInvalid, What: "correction", Wanted: "a change", Got: "what is there already"}
	}
	return nil
}

// facts returns the record of the targets and its live events.
func (in *Intake) facts(ctx context.Context, source string, targets []events.Entity) (*index.Record, []fact, error) {
	if len(targets) == 0 {
		return nil, nil, &events.Fault{Kind: events.ErrInvalid, What: "correction", Wanted: "at least one event", Got: "none"}
	}
	id, _, err := targets[0].Split()
	if err != nil {
		return nil, nil, err
	}
	for _, e := range targets {
		if other, _, err := e.Split(); err != nil || other != id {
			return nil, nil, &events.Fault{Kind: events.ErrInvalid, What: "correction", Wanted: "events of one record", Got: string(targets[0]) + " and " + string(e)}
		}
	}
	found, err := in.Index.Lookup(source, []events.RecordID{id}, nil)
	if err != nil {
		return nil, nil, err
	}
	rec := &found[0]
	if !rec.Known {
		return nil, nil, notLive(targets[0])
	}
	var facts []fact
	for i := range rec.Slots {
		if rec.Slots[i].State&index.Live == 0 {
			continue
		}
		ev, err := in.past.event(ctx, rec.Slots[i].Place)
		if err != nil {
			return nil, nil, err
		}
		p, err := ev.Payload()
		if err != nil {
			return nil, nil, err
		}
		facts = append(facts, fact{i, ev, p})
	}
	return rec, facts, nil
}

func factOf(facts []fact, e events.Entity) *fact {
	i := slices.IndexFunc(facts, func(f fact) bool { return f.event.Entity == e })
	if i < 0 {
		return nil
	}
	return &facts[i]
}

func notLive(e events.Entity) error {
	return &events.Fault{
		Kind: events.ErrNotFound, What: "event " + string(e) + " is not there or was retracted",
		Hints: []string{"dewclaw events --json shows the id and the entity of each event"},
	}
}

// changer returns what the decision does to one target. It fills in the values
// before.
func changer(dec *events.Decision) (func(*fact) error, error) {
	switch dec.Action {
	case events.ActionReassign:
		return reassign(dec)
	case events.ActionSwapFoot:
		return swapFoot(dec)
	case events.ActionChange:
		if len(dec.Targets) != 1 || len(dec.Set) == 0 {
			return nil, &events.Fault{Kind: events.ErrInvalid, What: "correction", Wanted: "one event and at least one value to change", Got: fmt.Sprintf("%d events and %d values", len(dec.Targets), len(dec.Set))}
		}
		return func(f *fact) error { return changeValues(f, dec.Set) }, nil
	}
	return nil, &events.Fault{Kind: events.ErrInvalid, What: "action", Wanted: "a correction: " + strings.Join(corrections, ", "), Got: strconv.Quote(dec.Action)}
}

var corrections = []string{
	events.ActionReassign, events.ActionSwapFoot, events.ActionChange, events.ActionWithdraw, events.ActionConfirm, events.ActionRefuse,
}

// reassign gives a target another animal.
func reassign(dec *events.Decision) (func(*fact) error, error) {
	if len(dec.Set) != 1 || dec.Set[0].Field != "animal" {
		return nil, &events.Fault{Kind: events.ErrInvalid, What: "correction", Wanted: "the animal the facts belong to, as scheme:identifier", Got: "nothing"}
	}
	scheme, value, _ := strings.Cut(dec.Set[0].To, ":")
	if !codes.Find("schemes").Has(scheme) || value == "" {
		return nil, &events.Fault{Kind: events.ErrInvalid, What: "animal", Wanted: "scheme:identifier with a scheme of " + strings.Join(codes.Find("schemes").Codes(), ", "), Got: strconv.Quote(dec.Set[0].To)}
	}
	norm, problem := codes.ParseIdentifier(scheme, value)
	if problem != nil {
		return nil, &events.Fault{Kind: events.ErrInvalid, What: "animal", Wanted: problem.Wanted, Got: problem.Got}
	}
	return func(f *fact) error {
		if dec.Set[0].From == "" {
			dec.Set[0].From = f.event.Subject
		}
		f.payload.Base().Animal = []events.Identifier{{Scheme: scheme, Value: value}}
		f.event.Subject = scheme + ":" + norm
		return nil
	}, nil
}

// swapFoot exchanges two feet in a target.
func swapFoot(dec *events.Decision) (func(*fact) error, error) {
	if len(dec.Set) != 1 || dec.Set[0].Field != "foot" || dec.Set[0].From == dec.Set[0].To {
		return nil, &events.Fault{Kind: events.ErrInvalid, What: "correction", Wanted: "the foot that is there and the one it should be", Got: "nothing"}
	}
	from, to := dec.Set[0].From, dec.Set[0].To
	for _, foot := range []string{from, to} {
		if problem := codes.Find("feet").Problem(foot); !codes.Find("feet").Has(foot) {
			return nil, &events.Fault{Kind: events.ErrInvalid, What: "foot", Wanted: problem.Wanted, Got: problem.Got}
		}
	}
	swap := func(foot string) string {
		switch foot {
		case from:
			return to
		case to:
			return from
		}
		return foot
	}
	return func(f *fact) error {
		if x, ok := f.payload.(*events.Examination); ok {
			for i := range x.Feet {
				x.Feet[i].Foot = swap(x.Feet[i].Foot)
			}
			order := codes.Find("feet").Codes()
			slices.SortStableFunc(x.Feet, func(a, b events.FootExam) int {
				return slices.Index(order, a.Foot) - slices.Index(order, b.Foot)
			})
		} else if field := f.event.Kind.Field("foot"); field != nil {
			field.Set(f.payload, events.Value{Text: swap(field.Get(f.payload).Text)})
		}
		for i, r := range f.payload.Base().Remarks {
			f.payload.Base().Remarks[i].Foot = swap(r.Foot)
		}
		return nil
	}, nil
}

// changeValues gives fields of a target other values, all of them or none.
func changeValues(f *fact, set []events.Assignment) error {
	for i := range set {
		field := f.event.Kind.Field(set[i].Field)
		if field == nil || !field.Settable() {
			return &events.Fault{
				Kind: events.ErrInvalid, What: strconv.Quote(set[i].Field), Wanted: "a field of " + string(f.event.Kind) + " that can be changed", Got: "none of that name",
				Hints: []string{"one of " + strings.Join(settable(f.event.Kind), ", ")},
			}
		}
		set[i].From = textOf(field, field.Get(f.payload))
		v, err := parseValue(field, set[i].To)
		if err != nil {
			return err
		}
		field.Set(f.payload, v)
	}
	return nil
}

func settable(k events.Kind) []string {
	var names []string
	for _, f := range k.Fields() {
		if f.Settable() {
			names = append(names, f.Name)
		}
	}
	return names
}

// parseValue reads the text of a value; "" is nothing. Lists are separated by commas.
func parseValue(f *events.Field, s string) (events.Value, error) {
	if s == "" {
		return events.Value{}, nil
	}
	parts := []string{s}
	switch f.Type {
	case events.DecimalField, events.IntegerField:
		n, err := events.ParseDecimal(s)
		if err != nil {
			return events.Value{}, &events.Fault{Kind: events.ErrInvalid, What: f.Name, Wanted: "a number with a point", Got: strconv.Quote(s)}
		}
		return events.Value{Number: n}, nil
	case events.TextsField, events.CodesField, events.DaysField, events.IntegersField:
		parts = strings.Split(s, ",")
		for i := range parts {
			parts[i] = strings.TrimSpace(parts[i])
		}
	}
	if list := codes.Find(f.List); list != nil {
		for _, p := range parts {
			if !list.Has(p) {
				problem := list.Problem(p)
				return events.Value{}, &events.Fault{Kind: events.ErrInvalid, What: f.Name, Wanted: problem.Wanted, Got: problem.Got}
			}
		}
	}
	if f.Type == events.TextField || f.Type == events.CodeField || f.Type == events.DayField || f.Type == events.MomentField || f.Type == events.TruthField {
		return events.Value{Text: s}, nil
	}
	return events.Value{List: parts}, nil
}

// textOf writes a value as parseValue reads it.
func textOf(f *events.Field, v events.Value) string {
	switch f.Type {
	case events.DecimalField, events.IntegerField:
		return v.Number.String()
	case events.TextsField, events.CodesField, events.DaysField, events.IntegersField:
		return strings.Join(v.List, ",")
	}
	return v.Text
}
