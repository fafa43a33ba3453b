package herd

import "context"

// A Roster tells how much the rosters of a farm say, and how old that is.
type Roster struct {
	Statements int    // newest revisions, none retracted
	Newest     string // the newest day a statement speaks of, or was received if it has none; "" if there is no statement
	Oldest     string // the oldest of those days
}

// Roster returns what is known of the rosters of a farm. What they do not say of
// the days behind Newest, no list can know.
func (v *View) Roster(ctx context.Context, farm string) (r Roster, err error) {
	err = v.each(ctx, func(row []value) error {
		if r.Statements = int(intOf(row[0])); r.Statements > 0 {
			r.Newest, r.Oldest = day(intOf(row[1])).String(), day(intOf(row[2])).String()
		}
		return nil
	}, `SELECT count(*), max(day), min(day) FROM (SELECT entity, day, retracted, max(revision) FROM statements WHERE farm=? GROUP BY entity)
		WHERE retracted=0`, v.ids[farm])
	return r, err
}
