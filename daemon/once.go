package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"path/filepath"
	"slices"

	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// onceCommand reads what waits at every source, feeds it, and stops. Held
// records do not make it fail; it says that there are some.
type onceCommand struct {
	Again  []string `placeholder:"FILE" type:"path" help:"Read this file as new though its bytes were read before; may be repeated."`
	Source string   `help:"The source of the files to read again, if their folder does not tell."`
	JSON   bool     `name:"json" help:"One JSON object a line: what became of each original."`
}

// receiptItem is what became of one original.
type receiptItem struct {
	Source  string          `json:"source"`
	Name    string          `json:"name"`
	Archive string          `json:"archive,omitempty"`
	Known   bool            `json:"known,omitempty"` // its bytes were read before: nothing changed
	Counts  events.Counts   `json:"counts"`
	First   events.Position `json:"first,omitempty"`
	Last    events.Position `json:"last,omitempty"`
	Notices []string        `json:"notices,omitempty"`
}

func (c *onceCommand) Run(a *app) error {
	p, err := a.load()
	if err != nil {
		return err
	}
	limitMemory(a.getenv)
	e, err := a.openPatiently(p, openOptions{work: true, level: slog.LevelWarn})
	if err != nil {
		return a.held(p, err)
	}
	done := &summary{app: a, json: c.JSON}
	err = c.work(a, e, done)
	err = errors.Join(err, e.close(context.WithoutCancel(a.ctx)))
	if perr := done.print(err); perr != nil {
		return errors.Join(err, perr)
	}
	return err
}

func (c *onceCommand) work(a *app, e *engine, done *summary) error {
	e.held = done.refuse
	if len(c.Again) > 0 {
		if err := c.again(a, e, done); err != nil {
			return err
		}
	} else if err := e.readAll(a.ctx, done.add); err != nil {
		return err
	}
	var err error
	if done.held, err = e.index.CountHeld(""); err != nil {
		return err
	}
	quiet, err := e.silences(a.ctx)
	if err != nil {
		return err
	}
	for _, id := range slices.Sorted(maps.Keys(quiet.quiet())) {
		if err := quiet.quiet()[id]; err != nil {
			done.quiet = append(done.quiet, err)
		}
	}
	return e.feedAll(a.ctx, done.fed)
}

// readAll reads what waits at every source, one after the other in the order of
// the config. A source that does not answer does not keep the others from being
// read; its error is returned in the end.
func (e *engine) readAll(ctx context.Context, receipt func(intake.Receipt)) error {
	var errs []error
	for i := range e.project.config.Sources {
		r := e.reader(&e.project.config.Sources[i], true, receipt)
		err := errors.Join(r.run(ctx), r.close())
		errs = append(errs, err)
		if errors.Is(err, events.ErrCorrupt) || ctx.Err() != nil {
			break
		}
	}
	return errors.Join(append(errs, ctx.Err())...)
}

// again reads files as new.
func (c *onceCommand) again(a *app, e *engine, done *summary) error {
	for _, path := range c.Again {
		s, err := c.sourceOf(a, e.project.config, path)
		if err != nil {
			return err
		}
		d, err := fileDelivery(s, path, a.now())
		if err != nil {
			return err
		}
		r, err := e.intake.Take(a.ctx, e.intakeSource(s.ID), d, intake.Options{Again: true, Progress: e.progress(d)})
		if err != nil {
			return err
		}
		done.add(r)
	}
	return nil
}

// sourceOf returns the source a file belongs to: the named one, or the one
// whose folder it lies in.
func (c *onceCommand) sourceOf(a *app, p *config.Config, path string) (*config.Source, error) {
	if c.Source != "" {
		s := p.Source(c.Source)
		if s == nil {
			return nil, missing("source", c.Source, sourceNames(p), "see "+a.config)
		}
		return s, nil
	}
	for i := range p.Sources {
		s := &p.Sources[i]
		if rel, err := filepath.Rel(s.Folder, path); s.Folder != "" && err == nil && filepath.IsLocal(rel) {
			return s, nil
		}
	}
	return nil, &events.Fault{
		Kind: events.ErrInvalid, Who: "once", Where: path, What: "file to read again", Wanted: "a file in the folder of a source", Got: "another place",
		Hints: []string{"name the source: --source, one of " + join(sourceNames(p))},
	}
}

func sourceNames(p *config.Config) []string {
	var names []string
	for _, s := range p.Sources {
		names = append(names, s.ID)
	}
	return names
}

// A summary gathers what one pass did and tells it.
type summary struct {
	app      *app
	json     bool
	receipts []intake.Receipt
	known    int
	total    events.Counts
	held     int      // in the quarantine now
	refused  []string // records held in this pass, the first ones
	more     int      // and how many more
	quiet    []error  // sources that are silent for too long
	feeds    []fedItem
}

func (s *summary) add(r intake.Receipt) {
	if r.Known {
		s.known++
	}
	s.total = s.total.Add(r.Counts)
	s.receipts = append(s.receipts, r)
}

// mostRefused is how many held records of a pass are told one by one.
const mostRefused = 10

func (s *summary) refuse(h heldNow) {
	if len(s.refused) == mostRefused {
		s.more++
		return
	}
	s.refused = append(s.refused, h.String())
}

func (s *summary) fed(f fedItem) { s.feeds = append(s.feeds, f) }

// print tells what was done, whatever err then was.
func (s *summary) print(err error) error {
	if s.json {
		for _, r := range s.receipts {
			if err := s.app.line(receiptItem{r.Source, r.Name, r.Archive, r.Known, r.Counts, r.First, r.Last, r.Notices}); err != nil {
				return err
			}
		}
		return nil
	}
	t := newSheet("source", "original", ">read", ">accepted", ">duplicate", ">amended", ">held", ">ignored")
	t.fold = 1
	for _, r := range s.receipts {
		if c := r.Counts; !r.Known {
			t.row(r.Source, r.Name, c.Read, c.Accepted, c.Duplicate, c.Amended, c.Held, c.Ignored)
		}
	}
	if len(t.rows) > 0 {
		if err := t.print(s.app.stdout); err != nil {
			return err
		}
		s.app.printf("\n")
	}
	for _, r := range s.receipts {
		for _, n := range r.Notices {
			s.app.printf("%s: %s: %s\n", safe(r.Source), safe(r.Name), safe(n))
		}
	}
	for _, h := range s.refused {
		s.app.printf("%s\n", safe(h))
	}
	if s.more > 0 {
		s.app.printf("and %s\n", plural(s.more, "record more is held", "records more are held"))
	}
	if len(s.refused) > 0 {
		s.app.printf("\n")
	}
	s.app.printf("%v\n", s.total)
	if s.known > 0 {
		s.app.printf("%s read before: nothing changed (to read one as new: %s)\n",
			plural(s.known, "original was", "originals were"), s.app.hint("once --again FILE"))
	}
	for _, f := range s.feeds {
		s.app.printf("%s\n", safe(f.String()))
	}
	for _, err := range s.quiet {
		report(s.app.stdout, err)
	}
	if s.held > 0 {
		s.app.printf("%s: %s\n", plural(s.held, "record is held", "records are held"), s.app.hint("held list"))
	}
	return nil
}

// fedItem is what one feed did in a pass.
type fedItem struct {
	Feed      string `json:"feed"`
	Recipient string `json:"recipient"`
	Events    int    `json:"events"`
	Batches   int    `json:"batches"`
	Waiting   int    `json:"waiting"`
	Why       string `json:"why,omitempty"` // why some wait
}

func (f fedItem) String() string {
	s := fmt.Sprintf("feed %s to %s: %s in %s", f.Feed, f.Recipient, plural(f.Events, "event", "events"), plural(f.Batches, "batch", "batches"))
	if f.Waiting > 0 || f.Why != "" {
		s += fmt.Sprintf("; %d wait in the log%s", f.Waiting, colon(f.Why))
	}
	return s
}
