package quarantine

import (
	"context"
	"maps"
	"slices"
	"strings"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// A Fix puts a held record right: either single values or the record as a whole.
type Fix struct {
	Set      map[string]string // column, path or field a reason names = value as the source would write it
	Raw      *string           // the record as it is to be read
	Who, Why string
}

// Fix keeps a held record as it is to be read from now on. It stays held until it
// is released. One that is fixed so already stays as it is: nothing is settled
// again. Errors: of kind not found; of kind invalid if it is settled
// already, who or why is missing, or there is no such column.
func (q *Quarantine) Fix(ctx context.Context, id string, f Fix) (Item, error) {
	k, err := q.stillHeld(ctx, id)
	if err != nil {
		return Item{}, err
	}
	src, err := q.source(k)
	if err != nil {
		return Item{}, err
	}
	if k.OfOriginal() {
		return Item{}, &events.Fault{
			Kind: events.ErrInvalid, What: "held record " + id, Wanted: "a single record", Got: "a whole original",
			Hints: []string{"change the mapping of source " + src.ID + ", then: dewclaw held release " + id},
		}
	}
	d := events.Decision{Action: events.ActionFix, Held: id, Who: f.Who, Why: f.Why}
	raw, err := q.fixed(ctx, src, k, f, &d)
	if err != nil {
		return Item{}, err
	}
	if k.Fixed && raw == k.Raw { // said again, by whoever saw no answer to the first
		return q.Show(ctx, id)
	}
	d.Set = append(d.Set, events.Assignment{Field: intake.RawField, To: raw})
	as := *k // the fix may be of the farm itself
	as.Raw, as.Fixed = raw, true
	farm, err := q.d.Intake.FarmOf(ctx, &as, src)
	if err != nil {
		return Item{}, err
	}
	_, err = q.d.Intake.Settle(ctx, intake.Settlement{Source: src.ID, Farm: farm, Decision: d})
	if err != nil {
		return Item{}, err
	}
	return q.Show(ctx, id)
}

// fixed returns the record as the fix wants it, and notes what it sets.
func (q *Quarantine) fixed(ctx context.Context, src *intake.Source, k *intake.Kept, f Fix, d *events.Decision) (string, error) {
	switch {
	case f.Raw != nil && len(f.Set) == 0:
		return *f.Raw, nil
	case f.Raw != nil || len(f.Set) == 0:
		return "", &events.Fault{Kind: events.ErrInvalid, What: "fix", Wanted: "values to set, or the record as a whole", Got: "both or neither"}
	}
	sheet, err := q.d.Intake.Sheet(ctx, src, k)
	if err != nil {
		return "", err
	}
	for _, name := range slices.Sorted(maps.Keys(f.Set)) {
		column := columnOf(&k.Held, name)
		from, err := sheet.Set(column, f.Set[name])
		if err != nil {
			return "", err
		}
		d.Set = append(d.Set, events.Assignment{Field: column, From: from, To: f.Set[name]})
	}
	return sheet.Text()
}

// columnOf returns the column or path that a name means: its own, or that of the
// reason about the neutral field of that name.
func columnOf(h *events.Held, name string) string {
	for _, r := range h.Reasons {
		if r.Field == name && r.Column != "" && !strings.Contains(r.Column, ", ") {
			return r.Column
		}
	}
	return name
}
