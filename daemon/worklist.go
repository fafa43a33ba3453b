package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/worklist"
)

// worklistCommand prints lists of what is due, and reports of visits.
type worklistCommand struct {
	List  worklistListCommand  `cmd:"" default:"withargs" help:"What is due on a farm on a day (also without the word list)."`
	Visit worklistVisitCommand `cmd:"" help:"The report of a visit: the paper left on the farm the same hour."`
}

// worklistListCommand prints what is due on a farm on a day.
type worklistListCommand struct {
	Farm     string          `help:"The farm; may be left out where there is one."`
	Date     string          `type:"day" placeholder:"YYYY-MM-DD" help:"The day of the list; default today, as the farm has it."`
	For      worklist.Reader `enum:"trimmer,milkers,vet,manager,everyone" default:"trimmer" help:"Who reads it: trimmer, milkers, vet, manager or everyone."`
	Order    string          `enum:"urgency,chute" default:"urgency" help:"urgency, or chute: heifers and clean feet first, digital dermatitis last."`
	Capacity int             `placeholder:"N" help:"Places on the chute. The first two tiers are never left out."`
	Next     string          `type:"day" placeholder:"YYYY-MM-DD" help:"The next visit; default as the setting next-visit says."`
	Format   string          `enum:"table,csv,json,html" default:"table" help:"table, csv, json, or html: a page to print."`
	Paper    string          `enum:"a4,letter" default:"a4" help:"Paper of the page: a4 or letter."`
}

// worklistQuery is the input of the operation "worklist".
type worklistQuery struct {
	Farm, Date, Next string
	For              worklist.Reader
	Chute            bool
	Capacity         int
}

func (c *worklistListCommand) Run(a *app) error {
	if c.Capacity < 0 {
		return refuse(fmt.Sprintf("--capacity: wanted a number over 0, got %d", c.Capacity), a.self+" worklist --help")
	}
	q := worklistQuery{Farm: c.Farm, Date: c.Date, Next: c.Next, For: c.For, Chute: c.Order == "chute", Capacity: c.Capacity}
	return items(a, "worklist", q, func(l worklist.List) error { return a.printList(&l, c.Format, c.Paper) })
}

func (a *app) printList(l *worklist.List, format, paper string) error {
	if format == "table" {
		return listText(a, l)
	}
	return writeList(a.stdout, l, format, paper)
}

// writeList writes a list as csv, json or html.
func writeList(w io.Writer, l *worklist.List, format, paper string) error {
	switch format {
	case "csv":
		return listCSV(w, l)
	case "html":
		return listPage(w, l, paper)
	}
	return json.NewEncoder(w).Encode(l)
}

// worklist is the operation "worklist": one list.
func (e *engine) worklist(ctx context.Context, q worklistQuery, emit func(any) error) error {
	farm, err := e.farmOf(q.Farm)
	if err != nil {
		return err
	}
	in, err := e.listInput(ctx, farm, q.Date)
	if err != nil {
		return err
	}
	if q.Next != "" && q.Next <= in.Day {
		return &events.Fault{Kind: events.ErrInvalid, What: "--next", Wanted: "a day after " + in.Day, Got: q.Next}
	}
	in.NextVisit = q.Next
	return emit(worklist.Make(in, worklist.Options{For: q.For, Chute: q.Chute, Capacity: q.Capacity}))
}

// farmOf returns the farm that is asked for; the only one if none is named.
func (e *engine) farmOf(id string) (*config.Farm, error) {
	c := e.project.config
	if id == "" && len(c.Farms) == 1 {
		return &c.Farms[0], nil
	}
	if f := c.Farm(id); f != nil {
		return f, nil
	}
	var ids []string
	for _, f := range c.Farms {
		ids = append(ids, f.ID)
	}
	if id == "" {
		return nil, &events.Fault{Kind: events.ErrInvalid, What: "--farm", Wanted: "one of " + join(ids), Got: "nothing"}
	}
	return nil, &events.Fault{
		Kind: events.ErrNotFound, What: "--farm", Wanted: "a farm of the config", Got: fmt.Sprintf("%q", id), Hints: []string{"there are " + join(ids)},
	}
}

// listInput gathers what lists of a farm are made of, at the end of a day; today
// as the farm has it with day "".
func (e *engine) listInput(ctx context.Context, f *config.Farm, day string) (*worklist.Input, error) {
	in, v, err := e.listView(ctx, f, day)
	if err != nil {
		return nil, err
	}
	return in, v.Close()
}

// listView is listInput with the view it was made from, which the caller closes.
func (e *engine) listView(ctx context.Context, f *config.Farm, day string) (*worklist.Input, *herd.View, error) {
	zone, err := time.LoadLocation(f.Zone)
	if err != nil {
		return nil, nil, fmt.Errorf("zone of farm %s: %w: %w", f.ID, err, events.ErrInvalid)
	}
	in := &worklist.Input{Farm: f.ID, Name: f.Name, Day: day, Now: e.now(), Zone: zone, Settings: e.lists}
	if in.Day == "" {
		in.Day = in.Now.In(zone).Format(time.DateOnly)
	}
	v, err := e.herdView(ctx)
	if err != nil {
		return nil, nil, err
	}
	in.Position = v.Position()
	if err = fill(ctx, v, in); err == nil {
		err = e.fillHeld(ctx, v, in)
	}
	if err != nil {
		return nil, nil, errors.Join(err, v.Close())
	}
	return in, v, nil
}

func fill(ctx context.Context, v *herd.View, in *worklist.Input) (err error) {
	if in.Standings, err = v.Standings(ctx, in.Farm, in.Day); err != nil {
		return err
	}
	if in.Roster, err = v.Roster(ctx, in.Farm); err != nil {
		return err
	}
	if in.Unmatched, err = v.Unmatched(ctx, in.Farm); err != nil {
		return err
	}
	if in.Conflicts, err = v.Contradictions(ctx, in.Farm); err != nil {
		return err
	}
	waiting, err := v.Waiting(ctx, in.Farm)
	in.Waiting = len(waiting)
	return err
}

// fillHeld counts the held records of a farm, keeps those that look urgent, and the
// newest of each animal of which animal and day can be read.
func (e *engine) fillHeld(ctx context.Context, v *herd.View, in *worklist.Input) error {
	return v.EachHeld(ctx, in.Farm, func(h herd.Held) error {
		in.Held++
		if h.Farm == "" {
			return e.fillMaybe(ctx, in, &h)
		}
		if k := worklist.HeldKey(h.Seen.Animal); k != "" && dayText(h.Seen.Date) && h.Seen.Date > in.HeldOf[k].Day {
			if in.HeldOf == nil {
				in.HeldOf = map[string]worklist.Held{}
			}
			in.HeldOf[k] = worklist.Held{ID: h.ID, Source: h.Source, Animal: h.Seen.Animal, Day: h.Seen.Date, Foot: h.Seen.Foot, Words: h.Seen.Words}
		}
		urgent, err := e.urgentOf(ctx, h.ID)
		if err != nil || urgent == "" {
			return err
		}
		in.Urgent = append(in.Urgent, worklist.Held{
			ID: h.ID, Source: h.Source, Animal: h.Seen.Animal, Day: h.Seen.Date, Foot: h.Seen.Foot, Words: h.Seen.Words, Urgent: urgent,
		})
		return nil
	})
}

// fillMaybe counts a held record that may be of the farm, as its own farm cannot be
// read: nothing of what it says is for a list, as it may be of another.
func (e *engine) fillMaybe(ctx context.Context, in *worklist.Input, h *herd.Held) error {
	i := slices.IndexFunc(in.Maybe, func(m worklist.Maybe) bool { return m.Source == h.Source })
	if i < 0 {
		i = len(in.Maybe)
		in.Maybe = append(in.Maybe, worklist.Maybe{Source: h.Source})
	}
	in.Maybe[i].Held++
	urgent, err := e.urgentOf(ctx, h.ID)
	if urgent != "" {
		in.Maybe[i].Urgent++
	}
	return err
}

// dayText reports whether a text is a day, YYYY-MM-DD.
func dayText(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

// urgentOf tells what a held record may hide that cannot wait. Once it could be
// read only a fix changes it.
func (e *engine) urgentOf(ctx context.Context, id string) (string, error) {
	if s, ok := e.urgent.Load(id); ok {
		return s.(string), nil
	}
	urgent, read, err := e.quarantine.Urgent(ctx, id)
	if err == nil && read {
		e.urgent.Store(id, urgent)
	}
	return urgent, err
}
