package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
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

// FarmOf returns the farm of a held record: the one its entry or the record says,
// or what the row names, by the mapping that read it or, if that cannot tell, by
// the one src has now; src may be nil. It is one of the farms that the source had
// when it was held, "" if none can be read.
func (in *Intake) FarmOf(ctx context.Context, k *Kept, src *Source) (string, error) {
	farm, maybe := k.Entry.FarmOf(&k.Held)
	if farm != "" || len(maybe) == 0 || k.OfOriginal() || k.Entry.Mapping == "" {
		return farm, nil
	}
	was, err := in.keptSource(k)
	for _, s := range []*Source{was, src} {
		if err == nil && s != nil && s.Mapping.FarmByRow() {
			farm, err = in.farmBy(ctx, s, k)
		}
		if errors.Is(err, events.ErrNotFound) || errors.Is(err, events.ErrInvalid) || errors.Is(err, events.ErrCorrupt) {
			err = nil // its original is elsewhere or damaged, or cannot be read by this one
		}
		if err != nil || slices.Contains(maybe, farm) {
			return farm, err
		}
	}
	return "", nil
}

// farmBy returns the farm that a held record names by the mapping of src.
func (in *Intake) farmBy(ctx context.Context, src *Source, k *Kept) (string, error) {
	run, rows, err := in.keptRun(ctx, src, k)
	if err != nil || len(rows) == 0 {
		return "", err
	}
	return run.Farm(rows[0]), nil
}

// keptSource returns the source of a held record as it was when it was held.
func (in *Intake) keptSource(k *Kept) (*Source, error) {
	m, b, err := in.common.mapping(in, k.Entry.Mapping)
	if err != nil {
		return nil, err
	}
	src := &Source{ID: k.Entry.Source, Farm: k.Entry.Defaults.Farm, Farms: k.Entry.Zones, Mapping: m, MappingBytes: b}
	src.Zone = k.Entry.Zones[src.Farm]
	return src, nil
}

// keptRun begins to read a held record by the mapping of src.
func (in *Intake) keptRun(ctx context.Context, src *Source, k *Kept) (*mapping.Run, []adapters.Row, error) {
	r := in.newReading(src, k.Entry.Archive, k.Entry.Name)
	defer r.close()
	o, received, err := in.keptOriginal(src, k)
	if err != nil {
		return nil, nil, err
	}
	r.job.Received, r.job.Message = received, k.Held.Message
	head, rows, err := in.keptRows(ctx, o, k)
	if err != nil {
		return nil, nil, err
	}
	run, err := src.Mapping.Start(r.job, head)
	return run, rows, err
}

// Glimpse returns what can be read of a held record although it is held, by the
// mapping that read it: unchecked, for people only. What cannot be seen is nil.
func (in *Intake) Glimpse(ctx context.Context, k *Kept) ([]events.Payload, error) {
	if k.OfOriginal() || k.Entry.Mapping == "" {
		return nil, nil
	}
	src, err := in.keptSource(k)
	if err != nil {
		return nil, err
	}
	run, rows, err := in.keptRun(ctx, src, k)
	if err != nil {
		return nil, err
	}
	var seen []events.Payload
	for i := range rows {
		seen = append(seen, run.Glimpse(rows[i])...)
	}
	return seen, nil
}
