package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"

	"dewclaw/daemon/internal/api"
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
	done := &summary{app: a, json: c.JSON}
	if d, derr := a.dial(p); derr == nil {
		return done.print(c.asked(a, d, done))
	}
	e, err := a.openPatiently(p, openOptions{work: true, whole: true, link: p.config.Hub.URL != "", level: slog.LevelWarn})
	if errors.Is(err, events.ErrLocked) {
		// A daemon that was just starting may answer by now.
		if d, derr := a.dial(p); derr == nil {
			return done.print(c.asked(a, d, done))
		}
	}
	if err != nil {
		return a.held(p, err)
	}
	done.barns = len(p.config.Hub.Barns)
	e.refused = func(h heldNow) { done.refuse(h.String()) }
	err = e.passOver(a.ctx, c.query(), e.readAlone, done.take)
	return done.print(errors.Join(err, e.close(context.WithoutCancel(a.ctx))))
}

func (c *onceCommand) query() onceQuery { return onceQuery{Again: c.Again, Source: c.Source} }

// asked has the daemon that runs do it.
func (c *onceCommand) asked(a *app, d *api.Client, done *summary) error {
	return d.Ask(a.ctx, "once", c.query(), func(raw json.RawMessage) error {
		var i onceItem
		if err := json.Unmarshal(raw, &i); err != nil {
			return err
		}
		done.take(i)
		return nil
	})
}

// readAll reads what waits at every source, one after the other in the order of
// the config. A source that does not answer does not keep the others from being
// read; its error is returned in the end.
func (e *engine) readAll(ctx context.Context, receipt func(intake.Receipt)) error {
	var errs []error
	for i := range e.project.config.Sources {
		s := &e.project.config.Sources[i]
		held, release, err := e.leases.now(ctx, sourceLease(s.ID))
		if err == nil {
			r := e.reader(s, true, receipt)
			err = errors.Join(r.run(held), r.close())
			release()
		}
		errs = append(errs, err)
		if errors.Is(err, events.ErrCorrupt) || ctx.Err() != nil {
			break
		}
	}
	return errors.Join(append(errs, ctx.Err())...)
}

// sourceOf returns the source a file belongs to: the named one, or the one
// whose folder it lies in.
func sourceOf(p *config.Config, named, path string) (*config.Source, error) {
	if named != "" {
		s := p.Source(named)
		if s == nil {
			return nil, missing("source", named, sourceNames(p), "see the config")
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
	receipts []receiptItem
	known    int
	total    events.Counts
	held     int      // in the quarantine now
	waits    int      // retractions that wait for a person now
	barns    int      // of a hub, not read: they call a daemon that runs
	refused  []string // records held in this pass, the first ones
	more     int      // and how many more
	quiet    []error  // sources that are silent for too long
	feeds    []fedItem
	lists    []madeList
}

// take adds an item of the operation "once".
func (s *summary) take(i onceItem) {
	switch {
	case i.Receipt != nil:
		if i.Receipt.Known {
			s.known++
		}
		s.total = s.total.Add(i.Receipt.Counts)
		s.receipts = append(s.receipts, *i.Receipt)
	case i.Refused != "":
		s.refuse(i.Refused)
	case i.Quiet != nil:
		s.quiet = append(s.quiet, &events.Fault{Kind: events.ErrUnavailable, What: i.Quiet.Text, Hints: i.Quiet.Hints})
	case i.Fed != nil:
		s.feeds = append(s.feeds, *i.Fed)
	case i.Made != nil:
		s.lists = append(s.lists, *i.Made)
	case i.Held > 0:
		s.held = i.Held
	case i.Waits > 0:
		s.waits = i.Waits
	}
}

// mostRefused is how many held records of a pass are told one by one.
const mostRefused = 10

func (s *summary) refuse(held string) {
	if len(s.refused) == mostRefused {
		s.more++
		return
	}
	s.refused = append(s.refused, held)
}

// print tells what was done, whatever err then was, and returns err.
func (s *summary) print(err error) error {
	if err != nil && len(s.receipts)+len(s.feeds)+len(s.refused) == 0 {
		return err
	}
	return errors.Join(err, s.tell())
}

func (s *summary) tell() error {
	if s.json {
		for _, r := range s.receipts {
			if err := s.app.line(r); err != nil {
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
	if s.barns > 0 {
		s.app.printf("%s not read: barns call a hub that runs (%s)\n", plural(s.barns, "barn was", "barns were"), s.app.hint("run"))
	}
	for _, f := range s.feeds {
		s.app.printf("%s\n", safe(f.String()))
	}
	for _, l := range s.lists {
		s.app.printf("list %s: %s in %s\n", l.List, plural(l.Rows, "animal", "animals"), safe(l.File))
	}
	for _, err := range s.quiet {
		report(s.app.stdout, err)
	}
	if s.held > 0 {
		s.app.printf("%s: %s\n", plural(s.held, "record is held", "records are held"), s.app.hint("held list"))
	}
	s.app.waiting(s.waits)
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
