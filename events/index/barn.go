package index

import (
	"strings"

	"dewclaw/events"
)

// repeats notes, at a hub, how far the log of a barn has come: as a stream of a
// source of its own, the barn.
func (a *application) repeats() error {
	b := a.e.Barn
	if b == nil {
		return nil
	}
	source, err := a.ix.numberSource(events.BarnKey(b.ID))
	if err != nil {
		return err
	}
	n := uint64(b.At)
	if err := a.ix.addRange(source, b.Log, events.Range{First: n, Last: n}); err != nil {
		return err
	}
	if err := a.ix.d.prepared("DELETE FROM tails WHERE source = ? AND stream = ?").exec(source, b.Log); err != nil {
		return err
	}
	return a.ix.d.prepared("INSERT INTO tails(source, stream, last, messages, at) VALUES(?, ?, ?, 1, ?)").
		exec(source, b.Log, n, a.e.At)
}

// Barn returns, at a hub, the logs of a barn that entries were taken over from,
// with the entry of the hub that repeats the newest of each.
func (ix *Index) Barn(id string) (map[string]events.Position, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	out := map[string]events.Position{}
	err := ix.d.prepared("SELECT stream, at FROM tails WHERE source = ?").each(func(row []value) error {
		out[text(row[0])] = events.Position(integer(row[1]))
		return nil
	}, ix.source(events.BarnKey(id)))
	return out, err
}

// Sources returns the ids of all sources of which the log has entries, in the order of
// the log; at a hub those of barns as [events.Entry.SourceKey] names them.
func (ix *Index) Sources() []string {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	var out []string
	for _, id := range ix.names {
		if id != "" && !strings.HasSuffix(id, "/") { // a barn itself
			out = append(out, id)
		}
	}
	return out
}

// HasSource reports whether the log has an entry of a source; at a hub, one of a
// barn is named as [events.Entry.SourceKey] does.
func (ix *Index) HasSource(key string) bool {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	return ix.source(key) != 0
}
