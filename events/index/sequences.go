package index

import (
	"slices"

	"dewclaw/events"
)

// Taken reports whether a message of a stream is in the log.
func (ix *Index) Taken(source, stream string, sequence uint64) (bool, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.runBelow(ix.source(source), stream, sequence)
	return row != nil && row[1] >= int64(sequence), err
}

// At returns the entry that has a message of a stream; false if it is not among the
// [MaxTail] newest.
func (ix *Index) At(source, stream string, sequence uint64) (events.Position, bool, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.d.prepared("SELECT at FROM tails WHERE source = ? AND stream = ? AND last >= ? ORDER BY last LIMIT 1").
		first(ix.source(source), stream, sequence)
	if err != nil || row == nil {
		return 0, false, err
	}
	return events.Position(integer(row[0])), true, nil
}

// Newest returns the highest message of a stream that is in the log; false if
// there is none.
func (ix *Index) Newest(source, stream string) (uint64, bool, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.runBelow(ix.source(source), stream, 1<<62)
	if err != nil || row == nil {
		return 0, false, err
	}
	return uint64(row[1]), true, nil
}

// MaxTail is of how many messages of a stream [Index.Tail] can tell.
const MaxTail = 8192

// Tail returns the entries with the newest messages of a stream, up to most
// messages or some more, the oldest first: for streams that name no message for
// ever. It is nil if the log has none.
func (ix *Index) Tail(source, stream string, most int) ([]events.Position, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	var list []events.Position
	err := ix.d.prepared("SELECT messages, at FROM tails WHERE source = ? AND stream = ? ORDER BY last DESC").each(func(row []value) error {
		if most > 0 {
			most -= int(integer(row[0]))
			list = append(list, events.Position(integer(row[1])))
		}
		return nil
	}, ix.source(source), stream)
	slices.Reverse(list)
	return list, err
}

// tail notes where the newest messages of a stream are.
func (a *application) tail() error {
	r := a.e.To.Ranges
	if len(r) == 0 {
		return nil
	}
	last, messages := r[len(r)-1].Last, 0
	for _, one := range r {
		messages += int(one.Last - one.First + 1)
	}
	if err := a.ix.d.prepared("INSERT OR REPLACE INTO tails(source, stream, last, messages, at) VALUES(?, ?, ?, ?, ?)").
		exec(a.source, a.e.To.Stream, last, messages, a.e.At); err != nil {
		return err
	}
	if last <= MaxTail {
		return nil
	}
	return a.ix.d.prepared("DELETE FROM tails WHERE source = ? AND stream = ? AND last < ?").
		exec(a.source, a.e.To.Stream, last-MaxTail)
}

// runBelow returns first and last of the run that begins at or before sequence
// and is nearest to it, or nil.
func (ix *Index) runBelow(source uint32, stream string, sequence uint64) ([]int64, error) {
	row, err := ix.d.prepared(`SELECT first, last FROM sequences WHERE source = ? AND stream = ? AND first <= ?
		ORDER BY first DESC LIMIT 1`).first(source, stream, sequence)
	if err != nil || row == nil {
		return nil, err
	}
	return []int64{integer(row[0]), integer(row[1])}, nil
}

// addRange adds a run of messages and joins it with its neighbours.
func (ix *Index) addRange(source uint32, stream string, r events.Range) error {
	first, last := int64(r.First), int64(r.Last)
	below, err := ix.runBelow(source, stream, r.First)
	if err != nil {
		return err
	}
	if below != nil && below[1] >= first-1 {
		first, last = below[0], max(last, below[1])
	}
	row, err := ix.d.prepared(`SELECT max(last) FROM sequences WHERE source = ? AND stream = ? AND first > ? AND first <= ?`).
		first(source, stream, first, last+1)
	if err != nil {
		return err
	}
	if row != nil && row[0] != nil {
		last = max(last, integer(row[0]))
		if err := ix.d.prepared("DELETE FROM sequences WHERE source = ? AND stream = ? AND first > ? AND first <= ?").
			exec(source, stream, first, last); err != nil {
			return err
		}
	}
	return ix.d.prepared("INSERT OR REPLACE INTO sequences(source, stream, first, last) VALUES(?, ?, ?, ?)").
		exec(source, stream, first, last)
}
