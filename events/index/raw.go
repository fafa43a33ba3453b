package index

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"

	"dewclaw/events"
)

// A RawDigest knows a row again before it is mapped: the first 12 bytes of
// SHA-256 over its text and whatever else its meaning depends on.
type RawDigest [12]byte

// Digest returns the raw digest of a row: salt is what the rows of an original
// share (its header), text the row.
func Digest(salt []byte, text string, buf []byte) (RawDigest, []byte) {
	buf = append(append(buf[:0], salt...), text...)
	sum := sha256.Sum256(buf)
	return RawDigest(sum[:12]), buf
}

func (d RawDigest) check() uint32 { return binary.BigEndian.Uint32(d[8:]) }

// hook reports whether the digest is one of those (one in 32) that lead to
// their segment.
func (d RawDigest) hook() bool { return d[0]&31 == 0 }

// A RawRow is a row and the record it became.
type RawRow struct {
	Digest RawDigest
	Record events.RecordID
}

const (
	rawRowLen   = len(RawDigest{}) + len(events.RecordID{})
	maxSegments = 48 // segments in a window: about 1.5 MB
	lookAhead   = 3  // segments fetched at a hook: its own and the next
)

// A Raw knows the rows of one source again. It holds a window of segments near
// those it met last, so that an export that is read again costs a look-up in
// memory a row. Its calls wait for those of its [Index].
type Raw struct {
	ix     *Index
	source string
	key    string
	rows   map[RawDigest]events.RecordID
	loaded map[int64][]RawDigest
	order  []int64
}

// Raw returns the rows known of a source. key names everything beside a row's
// text and the salt of its digest that its events depend on: the mapping above
// all. Rows stored under another key are not known. Close it.
func (ix *Index) Raw(source, key string) *Raw {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	r := &Raw{ix: ix, source: source, key: key}
	r.forget()
	ix.windows[r] = struct{}{}
	return r
}

// Close lets go of the window.
func (r *Raw) Close() {
	r.ix.mu.Lock()
	defer r.ix.mu.Unlock()
	delete(r.ix.windows, r)
}

func (r *Raw) forget() {
	r.rows, r.loaded, r.order = map[RawDigest]events.RecordID{}, map[int64][]RawDigest{}, nil
}

// Lookup sets known[i] to the record of the row with digests[i], if that row is
// what the source last said of it, and to the zero id if that is not known. A
// row that is not known may still be nothing new.
func (r *Raw) Lookup(digests []RawDigest, known []events.RecordID) error {
	r.ix.mu.Lock()
	defer r.ix.mu.Unlock()
	no, err := r.ix.rawNumber(r.ix.source(r.source), r.key)
	if err != nil || no == 0 {
		return err
	}
	for _, d := range digests {
		if _, ok := r.rows[d]; ok || !d.hook() {
			continue
		}
		row, err := r.ix.d.prepared("SELECT segment FROM hooks WHERE k = ?").first(hookKey(no, d))
		if err != nil {
			return err
		}
		if row != nil {
			if err := r.load(no, integer(row[0])); err != nil {
				return err
			}
		}
	}
	for i, d := range digests {
		known[i] = r.rows[d]
	}
	return nil
}

// load fetches the segment from and the next ones.
func (r *Raw) load(no int64, from int64) error {
	return r.ix.d.prepared("SELECT id, v FROM segments WHERE id >= ? AND raw = ? ORDER BY id LIMIT ?").each(func(row []value) error {
		id := integer(row[0])
		if _, ok := r.loaded[id]; ok {
			return nil
		}
		r.add(id, blob(row[1]))
		return nil
	}, from, no, lookAhead)
}

func (r *Raw) add(id int64, v []byte) {
	list := make([]RawDigest, 0, len(v)/rawRowLen)
	for ; len(v) >= rawRowLen; v = v[rawRowLen:] {
		d := RawDigest(v[:len(RawDigest{})])
		if d == (RawDigest{}) {
			continue
		}
		r.rows[d] = events.RecordID(v[len(RawDigest{}):rawRowLen])
		list = append(list, d)
	}
	r.loaded[id] = list
	r.order = append(r.order, id)
	if len(r.order) > maxSegments {
		for _, d := range r.loaded[r.order[0]] {
			delete(r.rows, d)
		}
		delete(r.loaded, r.order[0])
		r.order = r.order[1:]
	}
}

func hookKey(no int64, d RawDigest) []byte {
	return append(binary.BigEndian.AppendUint32(nil, uint32(no)), d[:8]...)
}

// rawNumber returns the number of a source's rows under a key, 0 if there are none.
func (ix *Index) rawNumber(source uint32, key string) (int64, error) {
	row, err := ix.d.prepared("SELECT no FROM raws WHERE source = ? AND key = ?").first(source, key)
	if err != nil || row == nil {
		return 0, err
	}
	return integer(row[0]), nil
}

// newRaw gives a source's rows a number under a new key. The rows it had under
// other keys are of no use any more.
func (ix *Index) newRaw(source uint32, key string) (int64, error) {
	var old []int64
	err := ix.d.prepared("SELECT no FROM raws WHERE source = ?").each(func(row []value) error {
		old = append(old, integer(row[0]))
		return nil
	}, source)
	if err != nil {
		return 0, err
	}
	for _, no := range old {
		low := binary.BigEndian.AppendUint32(nil, uint32(no))
		high := binary.BigEndian.AppendUint32(nil, uint32(no)+1)
		err := errors.Join(
			ix.d.prepared("DELETE FROM hooks WHERE k >= ? AND k < ?").exec(low, high),
			ix.d.prepared("DELETE FROM segments WHERE raw = ?").exec(no),
			ix.d.prepared("DELETE FROM raws WHERE no = ?").exec(no))
		if err != nil {
			return 0, err
		}
	}
	row, err := ix.d.prepared("SELECT coalesce(max(no), 0) + 1 FROM raws").first()
	if err != nil {
		return 0, err
	}
	no := max(integer(row[0]), ix.segment+1) // above every number ever given out
	return no, ix.d.prepared("INSERT INTO raws(no, source, key) VALUES(?, ?, ?)").exec(no, source, key)
}

// A segmentEdit is a stored segment on its way to lose rows.
type segmentEdit struct{ v []byte }

// raws stores the rows of the entry and takes those out that no longer are what
// the source last said.
func (a *application) raws() error {
	if err := a.blankOld(); err != nil || len(a.x.Raw) == 0 {
		return err
	}
	no, err := a.ix.rawNumber(a.source, a.x.RawKey)
	if err == nil && no == 0 {
		no, err = a.ix.newRaw(a.source, a.x.RawKey)
	}
	if err != nil {
		return err
	}
	a.ix.segment++
	id := a.ix.segment
	v := make([]byte, 0, len(a.x.Raw)*rawRowLen)
	hook := a.ix.d.prepared("INSERT OR REPLACE INTO hooks(k, segment) VALUES(?, ?)")
	for i, r := range a.x.Raw {
		rec := a.records[r.Record]
		if !rec.Known {
			continue
		}
		if rec.segment == id { // a second row of it: neither alone is what the source said
			clear(v[rec.row*rawRowLen:][:len(RawDigest{})])
			rec.segment = 0
			continue
		}
		v = append(append(v, r.Digest[:]...), r.Record[:]...)
		rec.segment, rec.row, rec.check = id, len(v)/rawRowLen-1, r.Digest.check()
		a.dirty[r.Record] = struct{}{}
		if r.Digest.hook() {
			if err := hook.exec(hookKey(no, a.x.Raw[i].Digest), id); err != nil {
				return err
			}
		}
	}
	return a.ix.d.prepared("INSERT INTO segments(id, raw, v) VALUES(?, ?, ?)").exec(id, no, v)
}

// blankOld takes out the stored rows of the records the entry says something
// about. A person's decision changes nothing of what the source last said.
func (a *application) blankOld() error {
	edits := map[int64]*segmentEdit{}
	blank := func(id events.RecordID) error {
		r := a.records[id]
		if r == nil || r.segment == 0 {
			return nil
		}
		a.dirty[id] = struct{}{}
		err := a.ix.blank(edits, r)
		r.segment, r.row, r.check = 0, 0, 0
		return err
	}
	for _, r := range a.x.Raw {
		if err := blank(r.Record); err != nil {
			return err
		}
	}
	for _, id := range a.x.Unraw {
		if err := blank(id); err != nil {
			return err
		}
	}
	if a.e.Cause != events.CauseDecision {
		for id := range a.dirty {
			if err := blank(id); err != nil {
				return err
			}
		}
	}
	for id, e := range edits {
		if e == nil {
			continue
		}
		if err := a.ix.d.prepared("UPDATE segments SET v = ? WHERE id = ?").exec(e.v, id); err != nil {
			return err
		}
	}
	return nil
}

func (ix *Index) blank(edits map[int64]*segmentEdit, r *Record) error {
	e, ok := edits[r.segment]
	if !ok {
		row, err := ix.d.prepared("SELECT v FROM segments WHERE id = ?").first(r.segment)
		if err != nil {
			return err
		}
		if row != nil {
			e = &segmentEdit{blob(row[0])}
		}
		edits[r.segment] = e
	}
	at := r.row * rawRowLen
	if e == nil || at+rawRowLen > len(e.v) || events.RecordID(e.v[at+len(RawDigest{}):at+rawRowLen]) != r.ID {
		return nil
	}
	d := RawDigest(e.v[at : at+len(RawDigest{})])
	for w := range ix.windows {
		if w.rows[d] == r.ID {
			delete(w.rows, d)
		}
	}
	clear(e.v[at : at+len(RawDigest{})])
	return nil
}
