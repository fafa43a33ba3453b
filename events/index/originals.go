package index

import (
	"database/sql/driver"
	"encoding/json"
	"errors"
	"fmt"

	"dewclaw/events"
)

// An Original is what the log says of the newest reading of one original.
type Original struct {
	Source   string
	Archive  string
	Reading  events.Position // first entry of the reading
	Newest   events.Position // last entry of it so far
	Cursor   events.Cursor   // Records, Line and End only
	Counts   events.Counts   // of the reading
	Mapping  string
	Name     string
	Received string
	AsOf     string
	Lists    []ListRead // complete source: lists whose end was reached in the reading
}

// A ListRead is a list of a complete source of which an entry told that it was
// read to its end, behind so many records of the original.
type ListRead struct {
	List    List
	Records int
}

const originalColumns = "source, archive, reading, newest, records, line, ended, counts, mapping, name, received, asof, lists"

func (ix *Index) original(row []driver.Value) (Original, error) {
	o := Original{
		Source: ix.sourceName(integer(row[0])), Archive: text(row[1]),
		Reading: events.Position(integer(row[2])), Newest: events.Position(integer(row[3])),
		Cursor:  events.Cursor{Records: int(integer(row[4])), Line: int(integer(row[5])), End: integer(row[6]) != 0},
		Mapping: text(row[8]), Name: text(row[9]), Received: text(row[10]), AsOf: text(row[11]),
	}
	err := errors.Join(json.Unmarshal([]byte(text(row[7])), &o.Counts), json.Unmarshal([]byte(text(row[12])), &o.Lists))
	if err != nil {
		return o, ix.d.damaged("original " + o.Archive)
	}
	return o, nil
}

// Original returns what the log says of an original of a source; false if the
// log has never heard of it.
func (ix *Index) Original(source, archive string) (Original, bool, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	return ix.originalOf(ix.source(source), archive)
}

func (ix *Index) originalOf(source uint32, archive string) (Original, bool, error) {
	row, err := ix.d.prepared("SELECT "+originalColumns+" FROM originals WHERE source = ? AND archive = ?").first(source, archive)
	if err != nil || row == nil {
		return Original{}, false, err
	}
	o, err := ix.original(row)
	return o, err == nil, err
}

// Unfinished returns the originals whose reading has begun and not ended, of
// one source or, with "", of all, in the order they began.
func (ix *Index) Unfinished(source string) ([]Original, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	var out []Original
	err := ix.d.prepared("SELECT " + originalColumns + " FROM originals WHERE ended = 0 ORDER BY reading").each(func(row []value) error {
		o, err := ix.original(row)
		if err == nil && (source == "" || o.Source == source) {
			out = append(out, o)
		}
		return err
	})
	return out, err
}

// Named reports whether an original of a source is in the log under a name.
func (ix *Index) Named(source, archive, name string) (bool, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.d.prepared("SELECT 1 FROM names WHERE source = ? AND archive = ? AND name = ?").
		first(ix.source(source), archive, name)
	return row != nil, err
}

// cursor notes where the source stands after the entry.
func (a *application) cursor() error {
	e := a.e
	if e.To == nil || e.Cause == events.CauseDecision {
		return nil
	}
	for _, r := range e.To.Ranges {
		if err := a.ix.addRange(a.source, e.To.Stream, r); err != nil {
			return err
		}
	}
	if err := a.tail(); err != nil {
		return err
	}
	packed := e.To.Records == 0 && !e.To.End
	for i := range e.To.Bodies {
		if err := a.body(&e.To.Bodies[i], packed); err != nil {
			return err
		}
	}
	if packed {
		return nil // messages: no original of their own
	}
	if e.Name != "" {
		if err := a.ix.d.prepared("INSERT OR IGNORE INTO names(source, archive, name) VALUES(?, ?, ?)").
			exec(a.source, e.Archive, e.Name); err != nil {
			return err
		}
	}
	if e.From != nil && e.From.End {
		return nil // bytes that were read before
	}
	return a.reads()
}

// body notes a request body: its key, and if it lies in a pack that it was read.
func (a *application) body(b *events.Body, packed bool) error {
	if b.Key != "" {
		if err := a.ix.d.prepared("INSERT OR REPLACE INTO keys(source, key, archive) VALUES(?, ?, ?)").exec(a.source, b.Key, b.SHA256); err != nil {
			return err
		}
	}
	if !packed {
		return nil
	}
	counts, err := json.Marshal(b.Counts)
	if err != nil {
		return fmt.Errorf("write body: %w", err)
	}
	return a.ix.d.prepared("INSERT OR REPLACE INTO originals("+originalColumns+") VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?)").exec(
		a.source, b.SHA256, a.e.At, a.e.At, b.Counts.Read, 0, true, string(counts), a.e.Mapping, "", a.e.Time, "", "[]")
}

// Keyed returns the SHA-256 of the request body that came with an idempotency
// key, "" if none did.
func (ix *Index) Keyed(source, key string) (string, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.d.prepared("SELECT archive FROM keys WHERE source = ? AND key = ?").first(ix.source(source), key)
	if err != nil || row == nil {
		return "", err
	}
	return text(row[0]), nil
}

// reads notes the entry as part of a reading.
func (a *application) reads() error {
	e := a.e
	o, known, err := a.ix.originalOf(a.source, e.Archive)
	if err != nil {
		return err
	}
	if e.From == nil || !known {
		o = Original{Reading: e.At}
	}
	a.reading = o.Reading
	o.Counts = o.Counts.Add(e.Counts)
	if e.Complete != nil {
		o.Lists = append(o.Lists, ListRead{listOf(e), e.To.Records})
	}
	counts, err := json.Marshal(o.Counts)
	lists, err2 := json.Marshal(o.Lists)
	if err := errors.Join(err, err2); err != nil {
		return fmt.Errorf("write original: %w", err)
	}
	if err := a.ix.d.prepared("INSERT OR REPLACE INTO originals("+originalColumns+") VALUES(?,?,?,?,?,?,?,?,?,?,?,?,?)").exec(
		a.source, e.Archive, o.Reading, e.At, e.To.Records, e.To.Line, e.To.End, string(counts),
		e.Mapping, e.Name, e.Received, e.AsOf, string(lists)); err != nil {
		return err
	}
	return a.waiting(known)
}

// waiting notes the records that began or ceased to wait for the end of the original.
func (a *application) waiting(known bool) error {
	e, d := a.e, a.ix.d
	if e.To.End || e.From == nil {
		if known {
			if err := d.prepared("DELETE FROM waiting WHERE source = ? AND archive = ?").exec(a.source, e.Archive); err != nil {
				return err
			}
		}
		if e.To.End {
			return nil
		}
	}
	for _, s := range e.To.Settled {
		id, err := events.ParseRecordID(s)
		if err != nil {
			return err
		}
		if err := d.prepared("DELETE FROM waiting WHERE source = ? AND archive = ? AND record = ?").exec(a.source, e.Archive, id[:]); err != nil {
			return err
		}
	}
	for _, w := range e.To.Waiting {
		id, err := events.ParseRecordID(w.Record)
		if err != nil {
			return err
		}
		v, err := json.Marshal(w)
		if err != nil {
			return fmt.Errorf("write waiting record: %w", err)
		}
		if err := d.prepared("INSERT OR REPLACE INTO waiting(source, archive, record, at, v) VALUES(?, ?, ?, ?, ?)").
			exec(a.source, e.Archive, id[:], w.At, string(v)); err != nil {
			return err
		}
	}
	return nil
}

// Waiting returns the records of an original that wait for its end.
func (ix *Index) Waiting(source, archive string) (map[events.RecordID]events.Waiting, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	out := map[events.RecordID]events.Waiting{}
	err := ix.d.prepared("SELECT record, v FROM waiting WHERE source = ? AND archive = ?").each(func(row []value) error {
		b := blob(row[0])
		var w events.Waiting
		if len(b) != len(events.RecordID{}) || json.Unmarshal([]byte(text(row[1])), &w) != nil {
			return ix.d.damaged("waiting record")
		}
		out[events.RecordID(b)] = w
		return nil
	}, ix.source(source), archive)
	return out, err
}

// File returns the archive a file of this name, size and time was kept under,
// or "". It is a hint: what it says is true, but it forgets.
func (ix *Index) File(source, name string, size, modified int64) (string, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	row, err := ix.d.prepared("SELECT archive FROM files WHERE source = ? AND name = ? AND size = ? AND modified = ?").
		first(source, name, size, modified)
	if err != nil || row == nil {
		return "", err
	}
	return text(row[0]), nil
}

// SetFile keeps the hint for a file that was taken; modified is in any unit, as
// long as it is always the same. It is kept with the next commit.
func (ix *Index) SetFile(source, name string, size, modified int64, archive string) error {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	if err := ix.d.begin(); err != nil {
		return err
	}
	return ix.d.prepared("INSERT OR REPLACE INTO files(source, name, size, modified, archive) VALUES(?, ?, ?, ?, ?)").
		exec(source, name, size, modified, archive)
}

// FirstWaiting returns up to limit records of an original that wait for its
// end, in the order they stand in it.
func (ix *Index) FirstWaiting(source, archive string, limit int) ([]events.RecordID, error) {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	var out []events.RecordID
	err := ix.d.prepared("SELECT record FROM waiting WHERE source = ? AND archive = ? ORDER BY at LIMIT ?").each(func(row []value) error {
		b := blob(row[0])
		if len(b) != len(events.RecordID{}) {
			return ix.d.damaged("waiting record")
		}
		out = append(out, events.RecordID(b))
		return nil
	}, ix.source(source), archive, limit)
	return out, err
}
