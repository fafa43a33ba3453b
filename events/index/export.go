package index

import (
	"time"

	"dewclaw/events"
)

// A List is what an export of a complete source lists: the work of a farm, in one
// scope. What the list of one farm lacks says nothing of another farm.
type List struct{ Farm, Scope string }

// listOf returns the list of which an entry tells that it was read to its end.
func listOf(e *events.Entry) List {
	farm := e.Complete.Farm
	if farm == "" {
		farm = e.Defaults.Farm
	}
	return List{farm, e.Complete.Scope}
}

// An Export says how current the exports of a complete source are for one day
// and list.
type Export struct {
	Newest time.Time // as of when the newest one read speaks; zero if none was read
	Whole  time.Time // the same of the newest one for which what was missing had vanished
}

// Export returns how current the exports of a source are for a day and list.
func (ix *Index) Export(source string, list List, day string) (Export, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.d.prepared("SELECT newest, whole FROM exports WHERE k = ?").
		first(appendDayKey(nil, ix.source(source), list.hash(), day))
	if err != nil || row == nil {
		return Export{}, err
	}
	return Export{moment(integer(row[0])), moment(integer(row[1]))}, nil
}

func moment(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

// Day returns up to limit records of a complete source for a day and list, in
// the order of their ids, behind the record after; the zero record begins at
// the first.
func (ix *Index) Day(d Day, after events.RecordID, limit int) ([]Record, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	no := ix.source(d.Source)
	low := appendDayKey(nil, no, d.List.hash(), d.Day)
	prefix := len(low)
	high := append(append([]byte(nil), low...), 0xff)
	for range len(events.RecordID{}) {
		high = append(high, 0xff)
	}
	low = append(low, after[:]...)
	var ids []events.RecordID
	err := ix.d.prepared("SELECT k FROM days WHERE k > ? AND k < ? ORDER BY k LIMIT ?").each(func(row []value) error {
		k := blob(row[0])
		if len(k) != prefix+len(events.RecordID{}) {
			return ix.d.damaged("day of a record")
		}
		ids = append(ids, events.RecordID(k[prefix:]))
		return nil
	}, low, high, limit)
	if err != nil {
		return nil, err
	}
	return ix.lookup(no, ids, nil)
}

// A Day names the records of one day in one list of a complete source.
type Day struct {
	Source string
	List   List
	Day    string
}
