package index

import (
	"encoding/binary"
	"hash/crc32"
	"slices"

	"dewclaw/events"
)

// A State says where an event stands between its source and people.
type State uint8

// The states. Several can hold at once.
const (
	Live      State = 1 << iota // the newest revision is not a retraction
	Gone                        // retracted, because the source no longer says it
	Withdrawn                   // retracted by a person, whatever the source says
	Decided                     // a person changed it since the source last said something new
	Waits                       // its retraction waits for a person
	Kept                        // a person refused its retraction
	FromHeld                    // it came with a held record that was released; its source did not say it otherwise
)

// A Slot is what the index knows of one event of a record.
type Slot struct {
	Slot     events.Slot
	Kind     events.Kind
	State    State
	Revision int           // newest
	Place    events.Place  // where the newest revision stands
	Said     events.Digest // what the source last said
	Older    []uint64      // what it said before that: the first 8 bytes of each digest, oldest first
}

// Short returns the part of a digest that is kept of older contents.
func Short(d events.Digest) uint64 { return binary.BigEndian.Uint64(d[:]) }

// SaidBefore reports whether d is something the source said before what it last said.
func (s *Slot) SaidBefore(d events.Digest) bool { return slices.Contains(s.Older, Short(d)) }

// A Record is what the index knows of one record. Its slots are in the order
// they were first recorded.
type Record struct {
	ID      events.RecordID
	Known   bool            // false: nothing below is set
	Reading events.Position // reading that last recorded, amended or retracted something of it: position of its first entry
	Day     string          // of a record of a complete source: its day, YYYY-MM-DD, or ""
	Slots   []Slot

	complete bool
	list     [8]byte // hash of its list
	segment  int64   // where its raw row stands; 0 if it has none
	row      int
	check    uint32 // of the raw digest
}

// Slot returns the slot s of the record, or nil.
func (r *Record) Slot(s events.Slot) *Slot {
	for i := range r.Slots {
		if r.Slots[i].Slot == s {
			return &r.Slots[i]
		}
	}
	return nil
}

// HasRaw reports whether d is the digest of the raw row that is kept of it.
func (r *Record) HasRaw(d RawDigest) bool { return r.segment != 0 && r.check == d.check() }

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// kindCodes numbers the kinds as they stand in a file; a file made with another
// list is of another layout.
var kindCodes = func() map[events.Kind]byte {
	m := map[events.Kind]byte{}
	for i, k := range events.Kinds() {
		m[k] = byte(i + 1)
	}
	return m
}()

const (
	flagComplete = 1 << iota
	flagRaw
)

// append writes the value of the record behind its checksum.
func (r *Record) append(b, key []byte) []byte {
	b = append(b, 0, 0, 0, 0)
	var flags byte
	if r.complete {
		flags |= flagComplete
	}
	if r.segment != 0 {
		flags |= flagRaw
	}
	b = append(b, flags)
	b = binary.AppendUvarint(b, uint64(r.Reading))
	if r.complete {
		b = append(b, r.list[:]...)
		b = binary.BigEndian.AppendUint32(b, dayNumber(r.Day))
	}
	if r.segment != 0 {
		b = binary.AppendUvarint(b, uint64(r.segment))
		b = binary.AppendUvarint(b, uint64(r.row))
		b = binary.BigEndian.AppendUint32(b, r.check)
	}
	b = binary.AppendUvarint(b, uint64(len(r.Slots)))
	for i := range r.Slots {
		b = r.Slots[i].append(b)
	}
	binary.BigEndian.PutUint32(b, checksum(key, b[4:]))
	return b
}

func (s *Slot) append(b []byte) []byte {
	b = append(b, s.Slot[:]...)
	b = append(b, kindCodes[s.Kind], byte(s.State))
	b = binary.AppendUvarint(b, uint64(s.Revision))
	b = binary.AppendUvarint(b, uint64(s.Place.Position))
	b = binary.AppendUvarint(b, uint64(s.Place.Index))
	b = append(b, s.Said[:]...)
	b = binary.AppendUvarint(b, uint64(len(s.Older)))
	for _, o := range s.Older {
		b = binary.BigEndian.AppendUint64(b, o)
	}
	return b
}

func checksum(key, value []byte) uint32 {
	return crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, value)
}

// parse reads what append wrote into r; false means that it is damaged.
func (r *Record) parse(key, b []byte) bool {
	if len(b) < 6 || binary.BigEndian.Uint32(b) != checksum(key, b[4:]) {
		return false
	}
	p := parser{b: b[5:]}
	flags := b[4]
	r.Known = true
	r.Reading = events.Position(p.uvarint())
	if r.complete = flags&flagComplete != 0; r.complete {
		copy(r.list[:], p.take(8))
		r.Day = dayText(binary.BigEndian.Uint32(p.take(4)))
	}
	if flags&flagRaw != 0 {
		r.segment, r.row = int64(p.uvarint()), int(p.uvarint())
		r.check = binary.BigEndian.Uint32(p.take(4))
	}
	n := p.uvarint()
	if n > uint64(len(p.b)) {
		return false
	}
	r.Slots = make([]Slot, n)
	for i := range r.Slots {
		r.Slots[i].parse(&p)
	}
	return !p.short
}

func (s *Slot) parse(p *parser) {
	copy(s.Slot[:], p.take(len(s.Slot)))
	head := p.take(2)
	if k := int(head[0]); k >= 1 && k <= len(kinds) {
		s.Kind = kinds[k-1]
	} else {
		p.short = true
	}
	s.State = State(head[1])
	s.Revision = int(p.uvarint())
	s.Place = events.Place{Position: events.Position(p.uvarint()), Index: int(p.uvarint())}
	copy(s.Said[:], p.take(len(s.Said)))
	if n := p.uvarint(); n > 0 && n <= uint64(len(p.b)/8) {
		s.Older = make([]uint64, n)
		for i := range s.Older {
			s.Older[i] = binary.BigEndian.Uint64(p.take(8))
		}
	} else if n > 0 {
		p.short = true
	}
}

var kinds = events.Kinds()

// A parser reads a value that may be cut; what is missing reads as zero.
type parser struct {
	b     []byte
	short bool
}

var zeros [32]byte

func (p *parser) take(n int) []byte {
	if len(p.b) < n {
		p.short, p.b = true, nil
		return zeros[:n]
	}
	t := p.b[:n]
	p.b = p.b[n:]
	return t
}

func (p *parser) uvarint() uint64 {
	v, n := binary.Uvarint(p.b)
	if n <= 0 {
		p.short, p.b = true, nil
		return 0
	}
	p.b = p.b[n:]
	return v
}
