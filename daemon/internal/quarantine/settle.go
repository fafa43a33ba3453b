package quarantine

import (
	"context"
	"fmt"
	"strings"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/index"
)

// A Result is what became of a decision.
type Result struct {
	Position events.Position // entry of the decision
	Events   []string        // CloudEvents ids of the events that follow from it, in order
	Counts   events.Counts   // of the original, if it was read anew
	Known    bool            // a decision about two animals that was made before: nothing was added
}

// Drop leaves a held record out for good: it stays kept, and the same record read
// again is a duplicate. Errors: of kind not found; of kind invalid if it is
// settled already, or who or why is missing.
func (q *Quarantine) Drop(ctx context.Context, id, who, why string) error {
	k, err := q.stillHeld(ctx, id)
	if err != nil {
		return err
	}
	farm, err := q.d.Intake.FarmOf(ctx, k, q.d.Source(k.Entry.Source))
	if err != nil {
		return err
	}
	_, err = q.d.Intake.Settle(ctx, intake.Settlement{
		Source: k.Entry.Source, Farm: farm,
		Decision: events.Decision{Action: events.ActionDrop, Held: id, Who: who, Why: why},
	})
	return err
}

// stillHeld returns a held record that nobody has settled.
func (q *Quarantine) stillHeld(ctx context.Context, id string) (*intake.Kept, error) {
	k, h, err := q.d.Intake.Kept(ctx, id)
	if err == nil {
		err = settled(&h)
	}
	if err != nil {
		return nil, err
	}
	if err := intake.OwnFacts(h.Source); err != nil {
		return nil, err
	}
	return k, nil
}

// settled returns an error if somebody has settled the record.
func settled(h *index.Held) error {
	if h.State == index.StillHeld {
		return nil
	}
	return &events.Fault{
		Kind: events.ErrInvalid, What: "held record " + h.ID, Wanted: "one that is still held",
		Got: fmt.Sprintf("one that was %s at log position %d", h.State, h.Settled), Hints: []string{"dewclaw held show " + h.ID},
	}
}

// source returns the configured source of a held record.
func (q *Quarantine) source(k *intake.Kept) (*intake.Source, error) {
	src := q.d.Source(k.Entry.Source)
	if src == nil {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, What: "source " + k.Entry.Source, Wanted: "a source of the config, whose mapping reads the record",
			Got: "none of that id", Hints: []string{"put it back into dewclaw.yaml, or leave the record out: dewclaw held drop " + k.Held.ID},
		}
	}
	return src, nil
}

// Release reads a held record in by the mapping its source has now; see
// [intake.Intake.Release]. Errors: of kind not found; of kind invalid if it is
// settled already, who or why is missing, or it is still refused, with every
// reason.
func (q *Quarantine) Release(ctx context.Context, id, who, why string) (Result, error) {
	k, h, err := q.d.Intake.Kept(ctx, id)
	if err == nil {
		err = intake.OwnFacts(h.Source)
	}
	if err == nil && h.State == index.Released && k.OfOriginal() {
		if r, done, err := q.finish(ctx, k, &h); done || err != nil {
			return r, err
		}
	}
	if err == nil {
		err = settled(&h)
	}
	if err != nil {
		return Result{}, err
	}
	src, err := q.source(k)
	if err != nil {
		return Result{}, err
	}
	return q.release(ctx, src, k, who, why)
}

// finish goes on with a release that was cut short: the original was not read.
func (q *Quarantine) finish(ctx context.Context, k *intake.Kept, h *index.Held) (Result, bool, error) {
	src, err := q.source(k)
	if err != nil {
		return Result{}, false, err
	}
	receipt, done, err := q.d.Intake.FinishRelease(ctx, src, k, h)
	return Result{Position: h.Settled, Counts: receipt.Counts}, done, err
}

func (q *Quarantine) release(ctx context.Context, src *intake.Source, k *intake.Kept, who, why string) (Result, error) {
	farm, err := q.d.Intake.FarmOf(ctx, k, src)
	if err != nil {
		return Result{}, err
	}
	s := intake.Settlement{
		Source: src.ID, Farm: farm,
		Decision: events.Decision{Action: events.ActionRelease, Held: k.Held.ID, Who: who, Why: why},
	}
	if k.OfOriginal() {
		r, receipt, err := q.d.Intake.ReleaseOriginal(ctx, src, k, s)
		return Result{r.Position, r.Events, receipt.Counts, false}, err
	}
	r, err := q.d.Intake.Release(ctx, src, k, s)
	return Result{Position: r.Position, Events: r.Events}, err
}

// ReleaseAll releases every held record of a source that its mapping, as it is
// now, no longer refuses. It returns what was released by then along with an
// error.
func (q *Quarantine) ReleaseAll(ctx context.Context, source, who, why string) ([]Result, error) {
	src := q.d.Source(source)
	if src == nil {
		return nil, &events.Fault{Kind: events.ErrNotFound, What: "source " + source, Wanted: "a source of the config", Got: "none of that id"}
	}
	if strings.TrimSpace(who) == "" || strings.TrimSpace(why) == "" {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, What: "release", Wanted: "who decides and why", Got: "nothing", Hints: []string{"add --who NAME --why REASON"},
		}
	}
	var out []Result
	var after events.Place
	for {
		list, err := q.d.Index.HeldRecords(index.StillHeld, after, page)
		if err != nil {
			return out, err
		}
		for _, h := range list {
			after = h.Place
			if h.Source != source {
				continue
			}
			r, released, err := q.tryRelease(ctx, src, h.ID, who, why)
			if err != nil {
				return out, err
			}
			if released {
				out = append(out, r)
			}
		}
		if len(list) < page {
			return out, nil
		}
	}
}

// tryRelease releases a held record if it is no longer refused.
func (q *Quarantine) tryRelease(ctx context.Context, src *intake.Source, id, who, why string) (Result, bool, error) {
	k, err := q.stillHeld(ctx, id)
	if err != nil {
		return Result{}, false, err
	}
	reasons, err := q.d.Intake.Try(ctx, src, k)
	if err != nil || len(reasons) > 0 {
		return Result{}, false, err
	}
	r, err := q.release(ctx, src, k, who, why)
	return r, err == nil, err
}
