package herd

import (
	"slices"
	"strings"
)

// A row is one row of the table facts; its slices are copied by add.
type row struct {
	id, naming, source    id
	day                   day
	kind, state, revision int
	entity, visit, data   []byte
	mark                  int64
}

// A batch collects facts and writes several with one statement, which halves
// the cost of each.
type batch struct {
	d    *db
	args []any
	n    int
}

const batchRows = 8

const insertFact = "INSERT INTO facts(id, naming, day, kind, state, revision, source, entity, visit, mark, data) VALUES"

var (
	oneFact   = insertFact + "(?,?,?,?,?,?,?,?,?,?,?)"
	manyFacts = oneFact + strings.Repeat(",(?,?,?,?,?,?,?,?,?,?,?)", batchRows-1)
)

func (b *batch) add(r row) error {
	var visit, mark any
	if len(r.visit) > 0 {
		visit = string(r.visit)
	}
	if r.mark != 0 {
		mark = r.mark
	}
	b.args = append(b.args, r.id, r.naming, r.day, r.kind, r.state, r.revision, r.source,
		slices.Clone(r.entity), visit, mark, slices.Clone(r.data))
	if b.n++; b.n < batchRows {
		return nil
	}
	err := b.d.prepared(manyFacts).exec(b.args...)
	b.reset()
	return err
}

// flush writes what waits.
func (b *batch) flush() error {
	width := len(b.args) / max(1, b.n)
	for i := range b.n {
		if err := b.d.prepared(oneFact).exec(b.args[i*width : (i+1)*width]...); err != nil {
			return err
		}
	}
	b.reset()
	return nil
}

func (b *batch) reset() { b.args, b.n = b.args[:0], 0 }
