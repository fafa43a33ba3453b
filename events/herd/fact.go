package herd

import (
	"cmp"
	"fmt"
	"slices"

	"dewclaw/events"
)

// A Fact is the newest revision of an event about work or a finding, with the
// animal it means. Retracted events are no facts.
type Fact struct {
	Entity   events.Entity
	Revision int
	Place    events.Place // where the newest revision stands in the log
	Farm     string
	Source   string
	Visit    events.Entity       // "" if none
	Day      string              // local day; the day it was received if the event has none
	Animal   string              // animal id; "" for a visit or a group
	As       []events.Identifier // as what she was read: normalized, the scheme that proves most first; shared, not to be changed
	Known    bool                // a roster has the animal
	Decided  bool                // a person corrected it
	Doubts   []string            // kinds of the contradictions that leave it out of figures; sorted, nil for most

	// Payload is what the event says, without its identifiers (see As), its
	// origin and the source's own words: those the log has. It is shared by
	// nobody.
	Payload events.Payload

	day   day
	id    id
	state int
}

// Kind returns the kind of the event.
func (f *Fact) Kind() events.Kind { return f.Payload.Kind() }

// Time returns the local time of day as far as it is known, or "".
func (f *Fact) Time() string { return f.Payload.Base().Occurred.Time }

// At returns when the fact occurred as RFC 3339 with the local offset, or "" if
// only the day is known.
func (f *Fact) At() string { return f.Payload.Base().Occurred.RFC3339() }

func (f *Fact) record() string { return recordOf(string(f.Entity)) }

// compareFacts sorts by day, time (unknown first), kind, source and entity:
// nothing of it depends on when a fact arrived.
func compareFacts(a, b *Fact) int {
	if a.day != b.day { // mostly; the rest is in other places of memory
		return cmp.Compare(a.day, b.day)
	}
	return cmp.Or(cmp.Compare(a.Time(), b.Time()), cmp.Compare(a.Kind(), b.Kind()),
		cmp.Compare(a.Source, b.Source), cmp.Compare(a.Entity, b.Entity), cmp.Compare(a.Revision, b.Revision))
}

func sortFacts(facts []*Fact) { slices.SortFunc(facts, compareFacts) }

var kindNames = events.Kinds()

// factColumns are what scanFact reads, in its order.
const factColumns = "f.id, f.day, f.kind, f.state, f.revision, f.source, f.entity, f.visit, f.data"

// scanFact reads the columns of factColumns; names are the source ids by number.
func scanFact(row []value, names map[id]string) (*Fact, error) {
	f := &Fact{}
	return f, f.scan(row, names)
}

// scan fills f as scanFact does.
func (f *Fact) scan(row []value, names map[id]string) error {
	kind := intOf(row[2])
	if kind < 0 || kind >= int64(len(kindNames)) {
		return fmt.Errorf("kind %d of a fact: %w", kind, errDamaged)
	}
	p, err := payload(kindNames[kind], blobOf(row[8]))
	if err != nil {
		return err
	}
	*f = Fact{
		Entity: events.Entity(blobOf(row[6])), Revision: int(intOf(row[4])), Place: placeOf(id(intOf(row[0]))),
		Source: names[id(intOf(row[5]))], Visit: events.Entity(textOf(row[7])), Payload: p,
		id: id(intOf(row[0])), day: day(intOf(row[1])), state: int(intOf(row[3])),
	}
	f.Day, f.Decided = f.day.String(), f.state&stateDecided != 0
	return nil
}
