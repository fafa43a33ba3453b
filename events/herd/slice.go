package herd

import (
	"bytes"
	"hash/fnv"
	"strconv"

	"dewclaw/events"
)

// A stored is an event sliced into what the herd keeps, without decoding its
// payload. Everything in it is a slice of the entry.
type stored struct {
	kind, entity, farm, visit, change []byte
	revision                          int
	before                            []byte // place of the revision before it, nil if there is none
	data                              []byte // the whole payload

	animal, derived []byte // identifiers as given and as derived
	date, time      []byte // occurred, without quotes
	body            []byte // the payload without what is kept elsewhere; see cut
}

// slice fills s from the stored form of an event.
func (s *stored) slice(b []byte) error {
	*s = stored{revision: 1, body: s.body[:0]}
	var d decoder
	d.object(b, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "kind":
			s.kind = unquote(v)
		case "entity":
			s.entity = unquote(v)
		case "farm":
			s.farm = unquote(v)
		case "visit":
			s.visit = unquote(v)
		case "change":
			s.change = unquote(v)
		case "revision":
			s.revision = d.integer(v)
		case "before":
			s.before = v
		case "data":
			s.data = v
		}
	})
	if d.err == nil {
		s.cut(&d)
	}
	return d.err
}

// cut looks through the payload for what the herd goes by, and puts the rest
// into body: not the identifiers, given and derived (the naming has them), nor
// origin and the source's words, which trace reads from the log.
func (s *stored) cut(d *decoder) {
	s.body = append(s.body, '{')
	d.object(s.data, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "animal":
			s.animal = v
			return
		case "origin", "words":
			return
		case "occurred":
			d.object(v, func(_ *decoder, name, v []byte) {
				switch string(name) {
				case "date":
					s.date = unquote(v)
				case "time":
					s.time = unquote(v)
				}
			})
		case "derived":
			s.key(name)
			s.body = append(s.body, '{')
			d.object(v, func(_ *decoder, name, v []byte) {
				if string(name) == "animal" {
					s.derived = v
					return
				}
				s.key(name)
				s.body = append(s.body, v...)
			})
			s.body = append(s.body, '}')
			return
		}
		s.key(name)
		s.body = append(s.body, v...)
	})
	s.body = append(s.body, '}')
}

func (s *stored) key(name []byte) {
	if s.body[len(s.body)-1] != '{' {
		s.body = append(s.body, ',')
	}
	s.body = append(s.body, '"')
	s.body = append(s.body, name...)
	s.body = append(s.body, '"', ':')
}

// unquote takes the quotes off a text that has no escapes: ids, codes, days.
func unquote(v []byte) []byte {
	if len(v) >= 2 && v[0] == '"' {
		return v[1 : len(v)-1]
	}
	return v
}

// place returns where the revision before this one stands; at is the position
// of its entry, which is left out where it is the same.
func (s *stored) place(at events.Position) (events.Place, bool) {
	if s.before == nil {
		return events.Place{}, false
	}
	p := events.Place{Position: at}
	var d decoder
	d.object(s.before, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "position":
			n, err := strconv.ParseUint(string(v), 10, 63)
			if err != nil {
				d.fail("position", v)
			}
			p.Position = events.Position(n)
		case "index":
			p.Index = d.integer(v)
		}
	})
	return p, d.err == nil
}

// indexBits is room for the events of one entry in the number of a fact: an
// entry of 512 KiB has no million of them.
const indexBits = 20

// placeID returns the number of the fact at a place: facts lie in the order of
// the log, and a revision finds the one before it without an index.
func placeID(p events.Place) id { return id(p.Position)<<indexBits | id(p.Index) }

func placeOf(n id) events.Place {
	return events.Place{Position: events.Position(n >> indexBits), Index: int(n & (1<<indexBits - 1))}
}

var examinationKind = []byte(events.KindExamination)

// mark returns a number that examinations of one farm and source at one moment
// have in common, and 0 for everything else. Two animals on one chute at once are
// one animal written down twice. A source may tell of several farms, each with a
// chute: what one farm did says nothing of another, and is not told to it.
func (s *stored) mark(farm, source id) int64 {
	if len(s.time) == 0 || !bytes.Equal(s.kind, examinationKind) {
		return 0
	}
	h := fnv.New64a()
	var b [24]byte
	h.Write(strconv.AppendInt(b[:0], int64(farm), 10))
	h.Write(append(strconv.AppendInt(append(b[:0], ' '), int64(source), 10), ' '))
	h.Write(s.date)
	h.Write(s.time)
	return int64(h.Sum64()>>1) | 1
}
