package herd

import (
	"context"
	"slices"

	"dewclaw/events"
)

// A State says how far identifiers name an animal.
type State string

// The states.
const (
	None    State = "none"    // no animal of a roster
	Known   State = "known"   // exactly one
	Several State = "several" // more than one: a contradiction, never a guess
)

// A Resolution is what identifiers mean on a day.
type Resolution struct {
	State      State
	Animal     string   // animal id, if known
	Candidates []string // animal ids, sorted, if several
}

const claimsQuery = `SELECT c.strong, a.key FROM claims c JOIN animals a ON a.id = c.animal
	WHERE c.farm=(SELECT id FROM names WHERE name=?1) AND c.identifier=?2 AND c."from" <= ?3 AND c."to" > ?3`

// Resolve returns which animal of a farm's rosters the identifiers name on a
// day. Identifiers may be as given or normalized. A herd number counts only
// within the farm and the days the rosters give it; identifiers that mean
// nothing beyond a visit (place, temporary) never count. A day that is no date
// is the beginning of time. Errors are those of [Herd.View].
func (h *Herd) Resolve(ctx context.Context, farm string, ids []events.Identifier, day string) (Resolution, error) {
	r, err := h.reading()
	if err != nil {
		return Resolution{}, err
	}
	d, err := r.take(ctx)
	if err != nil {
		return Resolution{}, h.spoiled(err)
	}
	defer r.give(d) //nolint:errcheck // a connection that cannot be closed is of no more use
	var strong, weak [][]string
	for _, n := range asGiven(ids) {
		if passing(n.scheme) {
			continue
		}
		some, isStrong, err := d.who(farm, n, dayOf(day, always))
		if err != nil {
			return Resolution{}, h.spoiled(err)
		}
		switch {
		case len(some) == 0:
		case isStrong:
			strong = append(strong, some)
		default:
			weak = append(weak, some)
		}
	}
	one, might, doubt := agreement(strong, weak)
	switch {
	case doubt != "":
		slices.Sort(might)
		return Resolution{State: Several, Candidates: might}, nil
	case one == "":
		return Resolution{State: None}, nil
	}
	return Resolution{State: Known, Animal: one}, nil
}

// Known reports whether the identifiers name exactly one animal of the farm's
// rosters on a day; otherwise as [Herd.Resolve].
func (h *Herd) Known(ctx context.Context, farm string, ids []events.Identifier, day string) (bool, error) {
	r, err := h.Resolve(ctx, farm, ids, day)
	return r.State == Known, err
}

// who returns what owners.who returns, from the file.
func (d *db) who(farm string, n ident, on day) (out []string, strong bool, err error) {
	var weak []string
	err = d.prepared(claimsQuery).each(func(row []value) error {
		to := &weak
		if intOf(row[0]) != 0 {
			to = &out
		}
		if key := textOf(row[1]); !slices.Contains(*to, key) {
			*to = append(*to, key)
		}
		return nil
	}, farm, n.String(), on)
	switch {
	case err != nil || len(out) > 0:
		return out, true, err
	case len(weak) > 1:
		return nil, false, nil
	}
	return weak, false, nil
}
