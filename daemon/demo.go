package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"time"

	"dewclaw/daemon/internal/demo"
	"dewclaw/daemon/internal/intake"
	"dewclaw/daemon/internal/quarantine"
	"dewclaw/events"
)

// demoCommand makes a project folder with two invented farms and takes it all
// the way: reads everything, corrects one event, feeds two recipients. Over a
// folder it has made already it adds nothing.
type demoCommand struct {
	Dir string `default:"dewclaw-demo" type:"path" placeholder:"DIR" help:"The folder; made if it is not there."`
}

func (c *demoCommand) Run(a *app) error {
	began := a.now()
	plan, err := demo.Write(c.Dir, demo.Seed)
	if err != nil {
		return err
	}
	a.config = filepath.Join(c.Dir, "dewclaw.yaml")
	if here, err := filepath.Abs("."); err == nil {
		if short, err := filepath.Rel(here, a.config); err == nil && filepath.IsLocal(short) {
			a.config = short // as one would type it
		}
	}
	p, err := a.load()
	if err != nil {
		return err
	}
	e, err := a.openPatiently(p, openOptions{work: true, level: slog.LevelWarn})
	if err != nil {
		return a.held(p, err)
	}
	s := &showing{app: a, plan: plan, e: e}
	err = s.work()
	if err == nil {
		err = s.tell(a.now().Sub(began))
	}
	return errors.Join(err, e.close(context.WithoutCancel(a.ctx)))
}

// A showing is one run of the demo.
type showing struct {
	app    *app
	plan   *demo.Plan
	e      *engine
	total  events.Counts
	fed    []fedItem
	figure string // id of one that was told
	wrong  string // id of the event that was corrected, "" if it was before
}

func (s *showing) work() error {
	before, err := s.e.fedSoFar(s.app.ctx)
	if err != nil {
		return err
	}
	err = s.e.readAll(s.app.ctx, func(r intake.Receipt) {
		s.total = s.total.Add(r.Counts)
	})
	if err == nil {
		err = s.putRight()
	}
	if err == nil {
		err = s.e.feedAll(s.app.ctx, before, func(f fedItem) { s.fed = append(s.fed, f) })
	}
	return err
}

// putRight corrects the lesion that was written down for the wrong foot, unless
// that was done before.
func (s *showing) putRight() error {
	w := s.plan.Wrong
	q := eventsQuery{Farm: w.Farm, Kind: string(events.KindLesion), Animal: w.Animal, From: w.Day, To: w.Day, Current: true}
	target := ""
	err := s.e.listEvents(s.app.ctx, q, func(item any) error {
		var ev cloudEvent
		if err := json.Unmarshal(item.(eventItem).Event, &ev); err != nil {
			return err
		}
		p, err := events.DecodePayload(ev.kind(), ev.Data)
		if l, ok := p.(*events.Lesion); ok && l.Foot == w.Foot && l.Code == w.Code {
			target = ev.ID
		}
		return err
	})
	if err != nil || target == "" {
		return err
	}
	_, err = s.e.quarantine.Correct(s.app.ctx, quarantine.Correction{
		Target: target, Action: events.ActionSwapFoot, Foot: w.Right, Who: "demo", Why: "the trimmer had written down the other hind foot",
	})
	s.wrong = target
	return err
}

func (s *showing) tell(took time.Duration) error {
	a, c := s.app, s.total
	a.printf("%d invented farms, %d cows, a year of trimming and scoring: %d files of 4 devices, a barn diary and a roster, in %s\n\n",
		s.plan.Farms, s.plan.Cows, s.plan.Files, filepath.Dir(a.config))
	if c.Read == 0 && s.wrong == "" {
		a.printf("Every file was read before: running it again adds nothing.\n\n")
	} else {
		a.printf("%6d records read in %.1f s\n", c.Read, took.Seconds())
		a.printf("%6d accepted: they said something new\n", c.Accepted)
		a.printf("%6d doubled: one device exported two months again, and what was known counts once\n", c.Duplicate)
		a.printf("%6d amended: a grade or score was changed later; what was said before stays in the log\n", c.Amended)
		a.printf("%6d held: something in them cannot be right; nothing of them was lost or guessed%s\n", c.Held, s.twice())
		a.printf("%6d ignored by a rule: total lines\n\n", c.Ignored)
		if s.wrong != "" {
			a.printf("One lesion was corrected by hand: it had been written down for the wrong foot.\n\n")
		}
	}
	if err := s.tellHeld(); err != nil {
		return err
	}
	for _, f := range s.fed {
		a.printf("%s\n", safe(f.String()))
	}
	a.printf("\n")
	if err := s.lists(); err != nil {
		return err
	}
	if err := s.figures(); err != nil {
		return err
	}
	a.printf("What to try next:\n")
	for _, next := range s.next() {
		a.printf("  %s:\n    %s\n", next[0], next[1])
	}
	return nil
}

// twice explains why fewer records are held than were refused: one that is read
// again and refused again is still one.
func (s *showing) twice() string {
	held, err := s.e.index.CountHeld("")
	if n := s.total.Held - held; err == nil && n > 0 {
		return fmt.Sprintf(";\n       %d of them came twice, in the months exported again, so that %d stay held", n, held)
	}
	return ""
}

// tellHeld tells how many records are held and why, the most frequent reasons first.
func (s *showing) tellHeld() error {
	type why struct {
		field, example string
		n              int
	}
	count := map[string]*why{}
	held := 0
	for item, err := range s.e.quarantine.List(s.app.ctx, quarantine.Filter{}) {
		if err != nil {
			return err
		}
		held++
		for _, r := range item.Reasons {
			if count[r.Field] == nil {
				count[r.Field] = &why{field: r.Field, example: r.String()}
			}
			count[r.Field].n++
		}
	}
	var list []*why
	for _, w := range count {
		list = append(list, w)
	}
	slices.SortFunc(list, func(a, b *why) int { return cmp.Or(cmp.Compare(b.n, a.n), cmp.Compare(a.field, b.field)) })
	s.app.printf("%d records are held; %d had been made rotten beforehand. The most frequent reasons:\n", held, s.plan.Rotten)
	t := newSheet(">times", "about", "for example")
	for _, w := range list[:min(3, len(list))] {
		t.row(w.n, w.field, w.example)
	}
	if err := t.print(s.app.stdout); err != nil {
		return err
	}
	s.app.printf("\n")
	return nil
}

// next lists commands that work as they are printed.
func (s *showing) next() [][2]string {
	a := s.app
	held, event := "ID", s.wrong
	for item, err := range s.e.quarantine.List(a.ctx, quarantine.Filter{}) {
		if err == nil {
			held = item.ID
		}
		break
	}
	if event == "" {
		event = s.anyEvent()
	}
	return [][2]string{
		{"what is held, and why", a.hint("held list")},
		{"one held record, whole", a.hint("held show " + held)},
		{"a lesion back to the line it came from", a.hint("trace " + event)},
		{"all of one cow", a.hint("events --animal " + shellQuote(s.plan.Wrong.Animal))},
		{"what is due at a farm, for its trimmer", a.hint("worklist --farm " + demo.Aulnaie + " --date " + demo.LastDay)},
		{"the same for the vet, as a page to print", a.hint("worklist --farm " + demo.PebbleYard + " --date " + demo.LastDay + " --for vet --format html")},
		{"the report of a visit", a.hint("worklist visit --farm " + demo.Aulnaie + " --date " + demo.LastDay)},
		{"how a herd stands, and how far that is from elsewhere", a.hint("measure lameness --farm " + demo.PebbleYard + " --on 2025-12-03")},
		{"a figure back to its events and lines", a.hint("trace " + s.figure)},
		{"who was fed what", a.hint("feed list")},
		{"work out everything again from the originals", a.hint("verify")},
		{"what a mapping makes of a file", a.hint("try " + shellQuote(filepath.Join(a.dir(), "mappings", "gait.yaml")) + " " +
			shellQuote(filepath.Join(a.dir(), "in", "gait", "scores-2025-01.ndjson")))},
	}
}

// anyEvent returns the id of the newest lesion of the demo's corrected cow.
func (s *showing) anyEvent() string {
	id := ""
	q := eventsQuery{Farm: s.plan.Wrong.Farm, Kind: string(events.KindLesion), Animal: s.plan.Wrong.Animal, Current: true}
	_ = s.e.listEvents(s.app.ctx, q, func(item any) error {
		var ev cloudEvent
		err := json.Unmarshal(item.(eventItem).Event, &ev)
		id = ev.ID
		return err
	})
	return id
}
