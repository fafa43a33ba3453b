package index

import (
	"bytes"
	"os"
	"slices"
	"strconv"

	"dewclaw/events"
)

// A Scratch remembers records for as long as one original is read. It keeps
// what it is given in memory up to a bound and beyond that in a file of its own
// beside the index, which [Scratch.Close] removes. Not for use by several
// goroutines at once.
type Scratch struct {
	path  string
	d     *db
	plain map[events.RecordID]struct{} // records with an empty value
	rich  map[events.RecordID][]byte
	bytes int // of rich
	max   ScratchBounds
}

// ScratchBounds say how much a [Scratch] keeps in memory.
type ScratchBounds struct {
	Records int // records
	Bytes   int // bytes of their values
}

// DefaultBounds keep about 20 MB in memory.
var DefaultBounds = ScratchBounds{Records: 400_000, Bytes: 8 << 20}

const scratchSuffix = "-scratch-"

// Scratch returns an empty scratch.
func (ix *Index) Scratch(max ScratchBounds) *Scratch {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	ix.temps++
	return &Scratch{
		path:  ix.o.Path + scratchSuffix + strconv.Itoa(ix.temps),
		plain: map[events.RecordID]struct{}{}, rich: map[events.RecordID][]byte{}, max: max,
	}
}

// Put remembers v for a record, in place of what was there. v is kept, not copied.
func (s *Scratch) Put(id events.RecordID, v []byte) error {
	if old, ok := s.rich[id]; ok {
		s.bytes -= len(old)
		delete(s.rich, id)
	}
	if len(v) == 0 {
		s.plain[id] = struct{}{}
	} else {
		delete(s.plain, id)
		s.rich[id] = v
		s.bytes += len(v)
	}
	if len(s.plain)+len(s.rich) > s.max.Records || s.bytes > s.max.Bytes {
		return s.spill()
	}
	return nil
}

// Get returns what is remembered for a record; false if nothing is. The value
// must not be changed.
func (s *Scratch) Get(id events.RecordID) ([]byte, bool, error) {
	if v, ok := s.rich[id]; ok {
		return v, true, nil
	}
	if _, ok := s.plain[id]; ok {
		return nil, true, nil
	}
	if s.d == nil {
		return nil, false, nil
	}
	row, err := s.d.prepared("SELECT v FROM seen WHERE k = ?").first(id[:])
	if err != nil || row == nil {
		return nil, false, err
	}
	return blob(row[0]), true, nil
}

func (s *Scratch) spill() error {
	if s.d == nil {
		d, err := openDB(s.path, "journal_mode=OFF", "synchronous=OFF", "locking_mode=EXCLUSIVE", "cache_size=-8000")
		if err != nil {
			return err
		}
		s.d = d
		if err := d.run("CREATE TABLE seen(k BLOB PRIMARY KEY, v BLOB) WITHOUT ROWID"); err != nil {
			return err
		}
	}
	ids := make([]events.RecordID, 0, len(s.plain)+len(s.rich))
	for id := range s.plain {
		ids = append(ids, id)
	}
	for id := range s.rich {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b events.RecordID) int { return bytes.Compare(a[:], b[:]) })
	if err := s.d.begin(); err != nil {
		return err
	}
	put := s.d.prepared("INSERT OR REPLACE INTO seen(k, v) VALUES(?, ?)")
	for _, id := range ids {
		v := s.rich[id]
		if v == nil {
			v = []byte{}
		}
		if err := put.exec(id[:], v); err != nil {
			return err
		}
	}
	clear(s.plain)
	clear(s.rich)
	s.bytes = 0
	return s.d.commit()
}

// Close forgets everything.
func (s *Scratch) Close() error {
	if s.d == nil {
		return nil
	}
	err := s.d.close()
	s.d = nil
	if e := os.Remove(s.path); err == nil {
		err = e
	}
	return err
}
