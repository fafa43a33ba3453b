package herd

import (
	"context"

	"dewclaw/events"
)

// Counts tells how much a herd has, and how much it cannot see.
type Counts struct {
	Animals        int                 // in rosters, ever
	Unmatched      int                 // animals that no roster explains
	UnmatchedFacts int                 // facts about them
	Facts          map[events.Kind]int // newest revisions; never nil
	Contradictions int
	LeftOut        int // facts that no figure uses
	Held           int // held records nobody has settled
	Waiting        int // retractions that wait for a person
}

// Counts returns the counts of a farm.
func (v *View) Counts(ctx context.Context, farm string) (Counts, error) {
	c := Counts{Facts: map[events.Kind]int{}}
	err := v.each(ctx, func(row []value) error {
		if n := int(intOf(row[1])); n > 0 {
			c.Facts[kindNames[intOf(row[0])]] = n
		}
		return nil
	}, "SELECT kind, n FROM tally WHERE farm=?", v.ids[farm])
	if err != nil {
		return c, err
	}
	for _, q := range []struct {
		to  *int
		sql string
	}{
		{&c.Animals, "SELECT count(*) FROM animals WHERE farm=? AND known=1"},
		{&c.Held, "SELECT count(*) FROM held WHERE farm IN (?, (SELECT id FROM names WHERE name='')) AND settled=''"},
		{&c.Waiting, "SELECT count(*) FROM waits WHERE farm=?"},
	} {
		err := v.each(ctx, func(row []value) error { *q.to = int(intOf(row[0])); return nil }, q.sql, v.ids[farm])
		if err != nil {
			return c, err
		}
	}
	unmatched, err := v.Unmatched(ctx, farm)
	if err != nil {
		return c, err
	}
	c.Unmatched = len(unmatched)
	for _, u := range unmatched {
		c.UnmatchedFacts += u.Facts
	}
	all, err := v.Contradictions(ctx, farm)
	c.Contradictions = len(all)
	out := map[events.Entity]bool{}
	for _, x := range all {
		for _, e := range x.LeftOut {
			out[e] = true
		}
	}
	c.LeftOut = len(out)
	return c, err
}
