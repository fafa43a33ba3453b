package streamlog

import (
	"errors"
	"fmt"
	"io"

	"dewclaw/events"
)

// A walk goes through the block files of the log before the server may open
// them, because the server cuts what it cannot read and gives the positions out
// again. Of old blocks only the heads of the records are looked at, unless the
// server is going to read them at its start.
type walk struct {
	id      string
	subject string
	anchor  mark
	whole   bool  // look at every byte of every block
	tail    mark  // newest entry that chains from the anchor
	torn    *flaw // what stands behind the tail and is no whole record
	extents []extent
}

// An extent is what a block holds.
type extent struct {
	block       uint32
	bytes       int64
	first, last stamp
}

// A stamp is a record's sequence and when the server took it, in ns.
type stamp struct {
	seq  uint64
	time int64
}

// tells reports whether the walk knows all that the server would count anew at its
// start if it did not stop in order. Where an append was cut short the server has to
// look for itself.
func (w *walk) tells() bool {
	n := len(w.extents)
	return n > 0 && w.extents[n-1].bytes > 0 && w.torn == nil
}

// met adds a record to the extent of the block that is walked through.
func (w *walk) met(seq uint64, time, size int64) {
	x := &w.extents[len(w.extents)-1]
	x.last = stamp{seq, time}
	if x.bytes == 0 {
		x.first = x.last
	}
	x.bytes += size
}

// run walks all blocks. The error is a *flaw for damage. An entry that was being
// written when the process ended is none: it was not acknowledged.
func (w *walk) run(b *blocks) error {
	w.tail, w.torn, w.extents = start, nil, nil
	list := b.snapshot()
	for i, k := range list {
		last := i == len(list)-1
		var next uint64
		if !last {
			next = list[i+1].first
		}
		s, err := b.scan(k.index, 0)
		if err != nil {
			return err
		}
		w.extents = append(w.extents, extent{block: k.index})
		if w.whole || last || next == 0 || next > uint64(w.anchor.pos) {
			err = w.read(s)
		} else {
			err = w.hop(s)
		}
		s.close()
		if err != nil {
			return err
		}
	}
	if w.tail.pos < w.anchor.pos {
		f := &flaw{
			from: w.tail.pos + 1, to: w.anchor.pos, where: b.dir, what: "end of the log",
			wanted: fmt.Sprintf("position %d, as the head anchor says", w.anchor.pos), got: fmt.Sprintf("position %d", w.tail.pos),
		}
		if len(list) == 0 {
			f.got = "no block file"
		}
		return f
	}
	return nil
}

// hop goes from head to head through a block.
func (w *walk) hop(s *scanner) error {
	size, err := s.size()
	if err != nil {
		return err
	}
	s.window = hopWindow
	before := int64(-1)
	for s.off < size {
		sh, err := s.shape(s.off)
		if err == nil && s.off+sh.size > size {
			err = s.flaw(s.off, fmt.Sprintf("a record of %d bytes", sh.size), fmt.Sprintf("%d bytes before the file ends", size-s.off))
		}
		if err == nil && (sh.seq != uint64(w.tail.pos)+1 || !sh.kept) {
			err = s.flaw(s.off, fmt.Sprintf("position %d", w.tail.pos+1), fmt.Sprintf("position %d", sh.seq))
		}
		if err != nil && before >= 0 {
			// A wrong length makes no sense only at the record behind it.
			if _, e := s.at(before); e != nil {
				w.tail.pos--
				err = e
			}
		}
		if err != nil {
			return w.placed(err)
		}
		w.tail = mark{w.tail.pos + 1, ""}
		w.met(sh.seq, sh.time, sh.size)
		before = s.off
		s.off += sh.size
	}
	return nil
}

// read reads a block whole.
func (w *walk) read(s *scanner) error {
	for {
		rec, err := s.next()
		var f *flaw
		switch {
		case err == io.EOF:
			return nil
		case errors.As(err, &f) && w.tail.pos >= w.anchor.pos && w.torn == nil:
			f.from, f.to = w.tail.pos+1, w.tail.pos+1
			w.torn = f
		case errors.As(err, &f) && w.torn == nil:
			return w.placed(err)
		case err != nil && f == nil:
			return err
		case err == nil:
			if w.torn != nil {
				return w.torn
			}
			if err := w.take(s, rec); err != nil {
				return err
			}
			w.met(rec.seq, rec.time, rec.size)
		}
	}
}

// take checks that a record is the entry that comes next.
func (w *walk) take(s *scanner, rec *record) error {
	pos := w.tail.pos + 1
	if rec.seq != uint64(pos) || !rec.kept || rec.subject != w.subject {
		return w.placed(s.flaw(rec.off, fmt.Sprintf("position %d on %s", pos, w.subject), fmt.Sprintf("position %d on %q", rec.seq, rec.subject)))
	}
	hash := ""
	if pos >= w.anchor.pos {
		hash = events.EntryHash(rec.body)
	}
	if pos == w.anchor.pos && hash != w.anchor.hash {
		f := s.flaw(rec.off, "the entry the head anchor names, "+w.anchor.hash, hash)
		return w.placed(f)
	}
	if pos >= w.anchor.pos {
		e, err := events.ParseEntry(rec.body)
		if errors.Is(err, events.ErrInvalid) {
			return err
		}
		prev := w.tail.hash
		if pos == w.anchor.pos {
			prev = ""
		}
		if f := wrongEntry(e, err, w.id, mark{pos, prev}); f != nil {
			f.where = fmt.Sprintf("%s byte %d", s.path, rec.off)
			return f
		}
	}
	w.tail = mark{pos, hash}
	return nil
}

// placed gives a flaw its position: the one behind the last whole entry.
func (w *walk) placed(err error) error {
	if f := (*flaw)(nil); errors.As(err, &f) {
		f.from, f.to = w.tail.pos+1, w.tail.pos+1
	}
	return err
}

// wrongEntry checks what an entry says of its own place: want is its position
// and the hash of the entry before it ("" if that is not known). The result has
// no place yet.
func wrongEntry(e *events.Entry, err error, id string, want mark) *flaw {
	f := &flaw{from: want.pos, to: want.pos, what: "entry"}
	switch {
	case err != nil:
		f.wanted, f.got = "the JSON of an entry", err.Error()
	case e.Log != id:
		f.wanted, f.got = "log "+id, "log "+e.Log
	case e.At != want.pos:
		f.wanted, f.got = fmt.Sprintf("position %d", want.pos), fmt.Sprintf("position %d", e.At)
	case want.hash != "" && e.Prev != want.hash:
		f.wanted, f.got = "prev "+want.hash, "prev "+e.Prev
	default:
		return nil
	}
	return f
}
