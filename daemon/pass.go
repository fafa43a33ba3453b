package main

import (
	"context"
	"errors"
	"maps"
	"slices"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// onceQuery is the input of the operation "once".
type onceQuery struct {
	Again  []string // files to read as new; none: what waits at every source
	Source string   // of those files, "" if their folders tell
}

// onceItem is one item of the answer; one of its members is set.
type onceItem struct {
	Receipt *receiptItem `json:"receipt,omitempty"`
	Refused string       `json:"refused,omitempty"` // a record that was held in this pass
	Quiet   *quietItem   `json:"quiet,omitempty"`   // a source that is silent for too long
	Held    int          `json:"held,omitempty"`    // records in the quarantine now
	Waits   int          `json:"waits,omitempty"`   // retractions that wait for a person now
	Fed     *fedItem     `json:"fed,omitempty"`
	Made    *madeList    `json:"made,omitempty"` // a daily list
}

type quietItem struct {
	Text  string   `json:"text"`
	Hints []string `json:"hints,omitempty"`
}

// A passWay reads what the query asks for, alone or through the readers of a
// daemon, and tells of every original.
type passWay func(ctx context.Context, q onceQuery, receipt func(intake.Receipt)) error

// passOver is one pass: reads, tells what is silent and held, delivers. A source
// that does not answer keeps nothing else from being read and delivered.
func (e *engine) passOver(ctx context.Context, q onceQuery, way passWay, tell func(onceItem)) error {
	before, err := e.fedSoFar(ctx)
	if err != nil {
		return err
	}
	rerr := way(ctx, q, func(r intake.Receipt) {
		tell(onceItem{Receipt: &receiptItem{r.Source, r.Name, r.Archive, r.Known, r.Counts, r.First, r.Last, r.Notices}})
	})
	if rerr != nil && (errors.Is(rerr, events.ErrCorrupt) || !errors.Is(rerr, events.ErrUnavailable)) {
		return rerr
	}
	held, err := e.index.CountHeld("")
	if err != nil {
		return err
	}
	waits, err := e.index.Waits("")
	if err != nil {
		return err
	}
	tell(onceItem{Held: held})
	tell(onceItem{Waits: len(waits)})
	quiet, err := e.silences(ctx)
	if err != nil {
		return err
	}
	silent := quiet.quiet()
	for _, id := range slices.Sorted(maps.Keys(silent)) {
		if err := silent[id]; err != nil {
			tell(onceItem{Quiet: &quietItem{err.Error(), events.Hints(err)}})
		}
	}
	err = e.feedAll(ctx, before, func(f fedItem) { tell(onceItem{Fed: &f}) })
	return errors.Join(rerr, err, e.makeLists(ctx, func(m madeList) { tell(onceItem{Made: &m}) }))
}

// onceHub is how long "once" waits for the hub, if it must.
const onceHub = 10 * time.Second

// readAlone reads in a process that has the data folder to itself.
func (e *engine) readAlone(ctx context.Context, q onceQuery, receipt func(intake.Receipt)) error {
	short, cancel := context.WithTimeout(ctx, onceHub)
	defer cancel()
	if err := e.comeBack(short); err != nil {
		return err
	}
	if len(q.Again) == 0 {
		return e.readAll(ctx, receipt)
	}
	return e.eachAgain(q, func(s *config.Source, path string) error { return e.again(ctx, s, path, receipt) })
}

// eachAgain calls do with every file to read again and its source.
func (e *engine) eachAgain(q onceQuery, do func(*config.Source, string) error) error {
	for _, path := range q.Again {
		s, err := sourceOf(e.project.config, q.Source, path)
		if err != nil {
			return err
		}
		if err := do(s, path); err != nil {
			return err
		}
	}
	return nil
}

// again reads a file as new.
func (e *engine) again(ctx context.Context, s *config.Source, path string, receipt func(intake.Receipt)) error {
	d, err := fileDelivery(s, path, e.now())
	if err != nil {
		return err
	}
	r, err := e.intake.Take(ctx, e.intakeSource(s.ID), d, intake.Options{Again: true, Progress: e.progress(d)})
	if err == nil {
		receipt(r)
	}
	return err
}
