package herd

import (
	"bytes"
	"fmt"
	"strconv"

	"dewclaw/events"
)

// A follower writes entries of the log into the tables. It keeps what it needs
// again and again: numbers of names and namings. Not for use by several
// goroutines at once.
type follower struct {
	db       *db
	building bool // the first build: nothing is worked out until the end

	names   map[string]id
	namings map[string]id // by farm and the identifiers' own bytes
	s       stored
	key     []byte
	insert  batch

	farms   map[id]bool // farms whose identities must be worked out again
	touched map[id]bool // namings with new or changed facts
	marks   map[int64]bool
	olds    map[int64][]id // old revisions by their mark, while building
	facts   int            // how many were ever put in
	whose   bool           // facts wait of which no farm is known yet
	tally   map[tallied]int
}

// A tallied is what facts are counted by.
type tallied struct {
	farm id
	kind int
}

// maxNamings bounds the cache of namings; beyond it it is emptied.
const maxNamings = 200_000

var kindNumbers = func() map[string]int {
	m := map[string]int{}
	for i, k := range events.Kinds() {
		m[string(k)] = i
	}
	return m
}()

func newFollower(d *db, building bool) (*follower, error) {
	f := &follower{
		db: d, building: building, names: map[string]id{}, namings: map[string]id{},
		farms: map[id]bool{}, touched: map[id]bool{}, marks: map[int64]bool{}, olds: map[int64][]id{}, tally: map[tallied]int{},
	}
	f.insert.d = d
	facts, err := d.meta(metaFacts)
	if err != nil {
		return nil, err
	}
	f.facts, _ = strconv.Atoi(facts)
	err = d.prepared("SELECT id, name FROM names").each(func(row []value) error {
		f.names[textOf(row[1])] = id(intOf(row[0]))
		return nil
	})
	return f, err
}

// name returns the number of a farm or source id.
func (f *follower) name(s []byte) (id, error) {
	if n, ok := f.names[string(s)]; ok {
		return n, nil
	}
	n := id(len(f.names) + 1)
	if err := f.db.prepared("INSERT INTO names(id, name) VALUES(?,?)").exec(n, string(s)); err != nil {
		return 0, err
	}
	f.names[string(s)] = n
	return n, nil
}

// An arrival is an entry on its way in: what its events have in common.
type arrival struct {
	e       *events.Entry
	farm    id
	source  id
	day     day  // when its original was received, in UTC
	decided bool // it carries out what a person decided about facts
}

// entry applies one entry.
func (f *follower) entry(e *events.Entry) error {
	a := arrival{e: e}
	var err error
	if a.farm, err = f.name([]byte(e.Defaults.Farm)); err != nil {
		return err
	}
	if a.source, err = f.name([]byte(e.SourceKey())); err != nil {
		return err
	}
	received := e.Received
	if received == "" {
		received = e.Time
	}
	a.day = dayOf(received, 0)
	for i := range e.Events {
		if err := f.event(&a, i); err != nil {
			return fmt.Errorf("event %d of log position %d: %w", i, e.At, err)
		}
	}
	if err := f.held(&a); err != nil {
		return err
	}
	return f.waits(&a)
}

func (f *follower) event(a *arrival, i int) error {
	s := &f.s
	if err := s.slice(a.e.Events[i]); err != nil {
		return err
	}
	farm := a.farm
	if s.farm != nil {
		var err error
		if farm, err = f.name(s.farm); err != nil {
			return err
		}
	}
	at := events.Place{Position: a.e.At, Index: i}
	switch events.Kind(s.kind) {
	case events.KindAnimal:
		return f.statement(a, farm, at)
	case events.KindDecision:
		return f.decision(a, farm, at)
	}
	return f.fact(a, farm, at)
}

var (
	retracted = []byte(events.Retracted)
)

// fact puts the newest revision of a fact in the place of the one before it.
func (f *follower) fact(a *arrival, farm id, at events.Place) error {
	s := &f.s
	kind, ok := kindNumbers[string(s.kind)]
	if !ok {
		return fmt.Errorf("kind %q is not known: %w", s.kind, events.ErrCorrupt)
	}
	naming, err := f.naming(farm)
	if err != nil {
		return err
	}
	state, chain, err := f.replace(a, at.Position, tallied{farm, kind}, naming)
	if err != nil {
		return err
	}
	if bytes.Equal(s.change, retracted) {
		if state&stateDecided == 0 {
			return nil
		}
		state |= stateRetracted
	} else {
		f.tally[tallied{farm, kind}]++
	}
	d, ok := parseDay(s.date)
	if !ok {
		d = a.day
	}
	mark := s.mark(farm, a.source)
	if chain != 0 {
		mark = chain
	}
	f.touch(naming, mark)
	f.facts++
	return f.insert.add(row{
		id: placeID(at), naming: naming, day: d, kind: kind, state: state, revision: s.revision,
		source: a.source, entity: s.entity, visit: s.visit, mark: mark, data: s.body,
	})
}

// touch notes a naming of which a fact came or went, and the mark of the fact:
// whatever has the same mark is looked at again.
func (f *follower) touch(naming id, mark int64) {
	if f.building {
		return
	}
	f.touched[naming] = true
	if mark != 0 {
		f.marks[mark] = true
	}
}

// replace takes out the revision before the one in s and returns the state of
// its successor, and the mark of its chain if older revisions stay beside it.
func (f *follower) replace(a *arrival, at events.Position, t tallied, naming id) (state int, chain int64, err error) {
	before, ok := f.s.place(at)
	if !ok {
		return 0, 0, nil
	}
	if err := f.insert.flush(); err != nil {
		return 0, 0, err
	}
	row, err := f.db.prepared("SELECT naming, state, mark, data, entity FROM facts WHERE id=?").first(placeID(before))
	if err != nil {
		return 0, 0, err
	}
	if row != nil {
		f.touch(id(intOf(row[0])), intOf(row[2]))
		state = int(intOf(row[1])) &^ stateRetracted
		if int(intOf(row[1])) == state {
			f.tally[t]--
		}
		if chain, err = f.leave(a, placeID(before), row, naming); err != nil {
			return 0, 0, err
		}
	}
	switch {
	case a.decided:
		return stateDecided, chain, nil
	case state&stateDecided != 0:
		return state | stateChanged, chain, nil
	}
	return state, chain, nil
}

// position writes how far the tables are.
func (f *follower) position(e *events.Entry) error {
	if err := f.insert.flush(); err != nil {
		return err
	}
	if err := f.db.setMeta(metaPosition, fmt.Sprint(e.At)); err != nil {
		return err
	}
	for t, n := range f.tally {
		err := f.db.prepared("INSERT INTO tally(farm, kind, n) VALUES(?,?,?) ON CONFLICT DO UPDATE SET n = n + excluded.n").exec(t.farm, t.kind, n)
		if err != nil {
			return err
		}
	}
	clear(f.tally)
	if err := f.db.setMeta(metaFacts, fmt.Sprint(f.facts)); err != nil {
		return err
	}
	return f.db.setMeta(metaEntry, entryMark(e))
}

// entryMark tells an entry from another at the same position of a log that went
// another way after a backup was put back.
func entryMark(e *events.Entry) string { return e.Prev + " " + e.Time }
