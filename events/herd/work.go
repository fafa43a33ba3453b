package herd

import (
	"encoding/json"
	"fmt"
)

// A work is one animal on its way from the tables to its results. What is read
// and written of the file is done by one goroutine, the rest by another.
type work struct {
	animal, farm id
	body         string    // the animal as JSON; "" if it is gone
	rows         [][]value // its facts: factColumns, mark, naming
	twins        []rawTwin
	beside       []id // other animals at the same moment

	size    int // rows that were loaded
	results []result
	err     error
}

// A rawTwin is a twin before its facts are decoded.
type rawTwin struct {
	row    int // of the examination it stands beside
	animal string
	record string
	ids    []ident
	own    []ident
	rows   [][]value
}

// A result is one row of the table results.
type result struct {
	kind        int
	first, last day
	body        string
	older       string // "" for most
}

// do works out the results.
func (w *work) do(names map[id]string, gapDays int) {
	if w.body == "" {
		return
	}
	c := &caseFile{animal: &Animal{}}
	if err := json.Unmarshal([]byte(w.body), c.animal); err != nil {
		w.err = fmt.Errorf("herd: read animal: %w: %w", err, errDamaged)
		return
	}
	byRow, err := c.decode(w.rows, names)
	if err != nil {
		w.err = err
		return
	}
	for _, t := range w.twins {
		x := twin{f: byRow[t.row], animal: t.animal, ids: t.ids, own: t.own}
		for _, row := range t.rows {
			f, err := scanFact(row, names)
			if err != nil {
				w.err = err
				return
			}
			if f.record() == t.record {
				x.facts = append(x.facts, f)
			}
		}
		sortFacts(x.facts)
		c.twins = append(c.twins, x)
	}
	w.rows, w.twins = nil, nil // what waits to be written needs them no more
	c.doubt()
	w.collect(c, gapDays)
}

// decode fills the facts of the file and returns them by row.
func (c *caseFile) decode(rows [][]value, names map[id]string) ([]*Fact, error) {
	byRow := make([]*Fact, len(rows))
	for i, row := range rows {
		f, err := scanFact(row, names)
		if err != nil {
			return nil, err
		}
		f.Animal, f.Known, f.Farm = c.animal.ID, c.animal.Known, c.animal.Farm
		byRow[i] = f
		switch {
		case f.state&stateOld != 0:
			c.old = append(c.old, f)
		case f.state&stateRetracted != 0:
			c.gone = append(c.gone, f)
		default:
			c.facts = append(c.facts, f)
		}
	}
	sortFacts(c.facts)
	sortFacts(c.old)
	sortFacts(c.gone)
	return byRow, nil
}

func (w *work) collect(c *caseFile, gapDays int) {
	cs, ds, ws := cases(c.facts, gapDays), devices(c.facts, c.old), withdrawals(c.facts, c.old)
	os := orders(c.facts, c.old, ds)
	if len(c.facts)+len(c.old) > 0 {
		// Before the cases give their older sightings away.
		w.add(resultStanding, always, never, stand(c.facts, c.old, cs, ds, ws, os))
	}
	for _, x := range cs {
		last := never
		if !x.Open {
			last = dayOf(x.Last, never)
		}
		w.addCase(dayOf(x.First, always), last, x)
	}
	for _, x := range ds {
		w.add(resultDevice, dayOf(x.On, always), dayOf(x.Off, never), &x)
	}
	for _, x := range ws {
		w.add(resultWithdrawal, dayOf(x.Day, always), x.lastDay(), &x)
	}
	for _, x := range os {
		w.add(resultOrder, dayOf(x.Day, always), x.lastDay(), &x)
	}
	for _, x := range lostClaws(c.facts) {
		w.add(resultClaw, dayOf(x.Since, always), never, &x)
	}
	for _, x := range c.found {
		w.add(resultContradiction, dayOf(x.Day, always), never, &x)
	}
}

func (w *work) add(kind int, first, last day, body packing) {
	w.results = append(w.results, result{kind, first, last, packed(body), ""})
}

// addCase keeps all sightings but the newest apart.
func (w *work) addCase(first, last day, c Case) {
	older := Case{Seen: c.Seen[:len(c.Seen)-1]}
	c.Seen = c.Seen[len(c.Seen)-1:]
	w.add(resultCase, first, last, &c)
	if len(older.Seen) > 0 {
		w.results[len(w.results)-1].older = packed(&older)
	}
}
