package adapters

import (
	"dewclaw/events"
	"dewclaw/schema/rules"
)

// An Outcome is what a mapping made of one record.
type Outcome uint8

// The outcomes of mapping. Whether mapped events are new is decided later.
const (
	Mapped  Outcome = iota // Drafts are its events
	Held                   // Held says why it is refused
	Ignored                // a rule of the mapping says that it is nothing; Why says which
)

// A Record is one raw item after mapping: a row, a group of rows, an element of
// a JSON document, or the part of a document that stands around its elements.
type Record struct {
	Outcome  Outcome
	ID       events.RecordID // its key; zero if it is held and no key could be read
	Line     int
	LastLine int // 0 if it has one line
	Member   string
	Rows     int           // rows it was made of, at least 1
	Raw      events.Digest // digest of its text, to know it again before mapping

	Drafts []Draft      // examinations first, then in the order of rows and of the mapping; empty unless mapped
	Held   *events.Held // nil unless held; its ID is set
	Why    string       // the rule that ignores it

	// Whole says that the record states all there is under its key, so that an
	// event it had before and lacks now has vanished. A group of rows is not: a
	// further row may stand elsewhere.
	Whole bool

	Day    string // local day YYYY-MM-DD, "" if it has none or none could be read
	Scope  string // list, barn or operator it belongs to, for complete sources
	Farm   string // farm that its rows name; "" if the mapping does not read one
	Animal string // key identifier as scheme:value in compact form, "" if none: for control totals

	// Beside is what stands around its rows and tells their farm, as read; "" if the
	// farm stands in the rows or the mapping does not read one. Rows that are equal
	// and have another beside them are others: see [events.HeldIDBeside].
	Beside string

	Sight rules.Sight // what tells whether the mapping or the clock of the source is suspect
}

// A Draft is one event as a mapping makes it: everything but its revision,
// which depends on what the log already holds.
type Draft struct {
	Kind   events.Kind
	Entity events.Entity
	Digest events.Digest
	Open   []byte // stored form without the closing brace: see events.AppendOpen and events.AppendRevision
	Data   []byte // the part of Open that is the payload, for the schema check
	// Guarded says that the fact must not end because a source is silent about
	// it: a wrap, a block, a medicine.
	Guarded bool
}
