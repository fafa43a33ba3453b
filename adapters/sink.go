package adapters

import (
	"context"
	"io"

	"dewclaw/events"
)

// A Table is what an encoder writes: named columns and rows of cells. Columns
// with points in their names are nested objects in JSON.
type Table struct {
	Columns []Column
	Rows    [][]Cell // each as long as Columns
}

// A Column is one column of a [Table].
type Column struct {
	Name string
	Type events.FieldType // how JSON writes it: numbers and truths bare, lists as arrays, the rest as text
}

// A Cell is one value: Text for CSV and for texts in JSON, List for lists.
type Cell struct {
	Text string
	List []string
}

// A Style says how an encoder writes a table.
type Style struct {
	Format    string // csv, ndjson or json (one array)
	Encoding  string // as in Layout, with or without byte order mark: "utf-8-bom"
	Delimiter rune
	LineEnd   string // "\n" or "\r\n"
	Header    bool
	Guard     bool   // csv: neutralize cells a spreadsheet would run as a formula, so that they can be read back
	ListMark  string // csv: between the elements of a list in one cell
}

// An Encoder writes tables of one style. Write may be called several times for
// one output; Close ends it (a closing bracket) and does not close the writer.
type Encoder interface {
	Write(t *Table) error
	Close() error
}

// NewEncoder is what an encoding adapter offers. The error is of kind invalid if
// the style makes no sense. A cell that the encoding cannot write is an error of
// kind invalid from Write, and nothing of that table was written.
type NewEncoder func(w io.Writer, s Style) (Encoder, error)

// A Batch is a run of events on the way to a recipient, already in its layout.
type Batch struct {
	Name  string // file name without folder, the same whenever the batch is made again
	Body  []byte // whole output of an encoder; nil for a sink that takes events
	First events.Place
	Last  events.Place
	Rows  int

	Events []events.Event // for a sink that sends events one by one; see Lanes
	IDs    []string       // CloudEvents ids of the events in it, in order

	// What a manifest tells of it.
	Feed       string   // feed id
	Recipient  string   // recipient id
	Generation int      // of the feed, from 1: counted up when it is rewound
	Grant      string   // the grants it leaves under, in words
	Schemas    []string // dataschema of each kind in it, in the order of events.Kinds
	Late       bool     // it holds events that had to wait, out of their turn
	Extents    []Extent // whose facts its rows may tell of, sorted by farm; nil where that is not known
	Barns      []string // barns whose facts are in it, sorted; at a hub
}

// An Extent says of which farm, kinds and days the rows of a batch may tell, and
// how much of the animals. It may say more than the rows do, and never less.
type Extent struct {
	Farm   string        `json:"farm"`
	Kinds  []events.Kind `json:"kinds"`          // in the order of events.Kinds
	Fields string        `json:"fields"`         // identities or pseudonyms
	From   string        `json:"from,omitempty"` // first day of the facts, YYYY-MM-DD; "" for any
	To     string        `json:"to,omitempty"`   // last one
}

// Lanes returns for each of the events, in their order, the lane it is in, from 0.
// Within a lane events must arrive in their order: those of one animal, and all of
// one entity, whatever animal a revision of it is of. What is in different lanes
// may leave in any order.
func (b *Batch) Lanes() []int {
	lanes := make([]int, len(b.Events)) // of each event one that is with it, then its lane
	root := func(i int) int {
		for lanes[i] != i {
			lanes[i] = lanes[lanes[i]]
			i = lanes[i]
		}
		return i
	}
	animals, entities := map[[2]string]int{}, map[events.Entity]int{}
	for i := range b.Events {
		e := &b.Events[i]
		lanes[i] = i
		animal := [2]string{e.Farm, e.Subject}
		if j, ok := animals[animal]; ok {
			lanes[i] = root(j)
		}
		if j, ok := entities[e.Entity]; ok {
			lanes[root(i)] = root(j)
		}
		animals[animal], entities[e.Entity] = i, i
	}
	number := map[int]int{}
	for i := range lanes {
		r := root(i)
		if _, ok := number[r]; !ok {
			number[r] = len(number)
		}
	}
	out := make([]int, len(lanes))
	for i := range lanes {
		out[i] = number[root(i)]
	}
	return out
}

// A Sink carries batches to one recipient: the beat "send". Send returns nil
// only when the batch has safely arrived where it goes (a file is fsynced and
// has its final name, a broker has acknowledged). Sending the same batch again
// leaves one copy or the same ids. Errors: of kind unavailable, try again later;
// of kind invalid, the recipient refuses the batch and it is parked.
type Sink interface {
	Send(ctx context.Context, b *Batch) error
	Close() error
}
