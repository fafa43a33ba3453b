package intake

import (
	"context"
	"fmt"

	"dewclaw/events"
	"dewclaw/events/index"
)

// RawField is the field of a fix-held decision that has the record as it is to
// be read from then on.
const RawField = "raw"

// Kept returns a held record by its id, with what the index knows of it. Errors:
// of kind not found if there was never one of this id.
func (in *Intake) Kept(ctx context.Context, id string) (*Kept, index.Held, error) {
	h, ok, err := in.Index.Held(id)
	if err != nil {
		return nil, h, err
	}
	if !ok {
		return nil, h, &events.Fault{
			Kind: events.ErrNotFound, What: fmt.Sprintf("no held record has the id %q", id), Hints: []string{"dewclaw held list"},
		}
	}
	e, err := in.past.entry(ctx, h.Place.Position)
	if err != nil {
		return nil, h, err
	}
	if h.Place.Index >= len(e.Held) || e.HeldKey(e.Held[h.Place.Index].ID) != id {
		return nil, h, fmt.Errorf("held record %s is not at log position %d: %w", id, h.Place.Position, events.ErrCorrupt)
	}
	k := &Kept{Held: e.Held[h.Place.Index], Entry: e}
	k.Raw = k.Held.Raw
	if h.Fixed == 0 {
		return k, h, nil
	}
	fix, err := in.decisionAt(ctx, h.Fixed)
	if err != nil {
		return nil, h, err
	}
	for _, s := range fix.Set {
		if s.Field == RawField {
			k.Raw, k.Fixed = s.To, true
		}
	}
	return k, h, nil
}

// decisionAt returns the decision an entry carries.
func (in *Intake) decisionAt(ctx context.Context, p events.Position) (*events.Decision, error) {
	e, err := in.past.entry(ctx, p)
	if err != nil {
		return nil, err
	}
	return DecisionOf(e)
}

// DecisionOf returns the decision an entry carries, its first event. Errors are of
// kind corrupt.
func DecisionOf(e *events.Entry) (*events.Decision, error) {
	if len(e.Events) == 0 {
		return nil, fmt.Errorf("log position %d has no decision: %w", e.At, events.ErrCorrupt)
	}
	ev, err := e.Event(0)
	if err != nil {
		return nil, err
	}
	p, err := ev.Payload()
	if err != nil {
		return nil, err
	}
	d, ok := p.(*events.Decision)
	if !ok {
		return nil, fmt.Errorf("log position %d begins with a %s, not with a decision: %w", e.At, ev.Kind, events.ErrCorrupt)
	}
	return d, nil
}

// Glimpse returns what can be read of a held record although it is held, by the
// mapping that read it: unchecked, for people only. What cannot be seen is nil.
func (in *Intake) Glimpse(ctx context.Context, k *Kept) ([]events.Payload, error) {
	if k.OfOriginal() || k.Entry.Mapping == "" {
		return nil, nil
	}
	m, b, err := in.common.mapping(in, k.Entry.Mapping)
	if err != nil {
		return nil, err
	}
	src := &Source{ID: k.Entry.Source, Farm: k.Entry.Defaults.Farm, Farms: k.Entry.Zones, Mapping: m, MappingBytes: b}
	src.Zone = k.Entry.Zones[src.Farm]
	r := in.newReading(src, k.Entry.Archive, k.Entry.Name)
	defer r.close()
	o, received, err := in.keptOriginal(src, k)
	if err != nil {
		return nil, err
	}
	r.job.Received, r.job.Message = received, k.Held.Message
	head, rows, err := in.keptRows(ctx, o, k)
	if err != nil {
		return nil, err
	}
	run, err := m.Start(r.job, head)
	if err != nil {
		return nil, err
	}
	var seen []events.Payload
	for i := range rows {
		seen = append(seen, run.Glimpse(rows[i])...)
	}
	return seen, nil
}
