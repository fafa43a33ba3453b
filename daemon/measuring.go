package main

import (
	"context"
	"fmt"
	"time"

	"dewclaw/events"
	"dewclaw/events/measures"
)

// measureQuery is the input of the operation "measure".
type measureQuery struct {
	Name     string
	Question measures.Question // farm "" is every farm the log tells of, to "" today, from "" a year before
	Shared   int               // least number of animals shown; 0 is not for others
}

// measureItem is one item of the answer: a report without its figures, then each
// of them.
type measureItem struct {
	Report *measures.Report `json:"report,omitempty"`
	Figure *figureItem      `json:"figure,omitempty"`
}

// figureItem is a figure with all it takes to understand it.
type figureItem struct {
	Measure    string               `json:"measure"`
	Farm       string               `json:"farm"`
	From       string               `json:"from"`
	To         string               `json:"to"`
	Position   events.Position      `json:"position"`
	Definition string               `json:"definition"`
	Parameters []measures.Parameter `json:"parameters"`
	measures.Figure
}

// measure is the operation "measure": the reports of one measure, farm by farm.
func (e *engine) measure(ctx context.Context, q measureQuery, emit func(any) error) error {
	farms := []string{q.Question.Farm}
	if q.Question.Farm == "" {
		var err error
		if farms, err = e.farms(ctx); err != nil {
			return err
		}
	}
	for _, farm := range farms {
		q.Question.Farm = farm
		r, err := e.report(ctx, q.Name, e.dated(q.Question))
		if err != nil {
			return err
		}
		if err := emitReport(r, q.Shared, emit); err != nil {
			return err
		}
	}
	return nil
}

// farms returns the farms the log tells of.
func (e *engine) farms(ctx context.Context) ([]string, error) {
	v, err := e.herdView(ctx)
	if err != nil {
		return nil, err
	}
	defer v.Close()
	farms, err := v.Farms(ctx)
	if err == nil && len(farms) == 0 {
		err = &events.Fault{Kind: events.ErrNotFound, Who: "measure", What: "the log tells of no farm yet: nothing was read so far"}
	}
	return farms, err
}

// dated fills in the period that is meant where none is asked for: the year up to
// today on the farm.
func (e *engine) dated(q measures.Question) measures.Question {
	if q.To == "" {
		now := e.now()
		if f := e.project.config.Farm(q.Farm); f != nil {
			if zone, err := time.LoadLocation(f.Zone); err == nil {
				now = now.In(zone)
			}
		}
		q.To = now.Format(time.DateOnly)
	}
	if t, err := time.Parse(time.DateOnly, q.To); err == nil && q.From == "" {
		q.From = t.AddDate(-1, 0, 1).Format(time.DateOnly)
	}
	return q
}

// report works out one measure for one farm.
func (e *engine) report(ctx context.Context, name string, q measures.Question) (*measures.Report, error) {
	if e.herd == nil {
		return nil, e.damage
	}
	v, err := e.herdView(ctx)
	if err != nil {
		return nil, err
	}
	defer v.Close()
	q.Lists = e.lists
	d, err := measures.Load(ctx, v, q, name)
	if err != nil {
		return nil, err
	}
	return measures.Work(d, q, name)
}

func emitReport(r *measures.Report, shared int, emit func(any) error) error {
	if shared > 0 {
		r = measures.Share(r, shared)
	}
	head := *r
	head.Figures = nil
	if err := emit(measureItem{Report: &head}); err != nil {
		return err
	}
	for i := range r.Figures {
		f := figureItem{
			Measure: r.Measure, Farm: r.Question.Farm, From: r.Question.From, To: r.Question.To, Position: r.Position,
			Definition: r.Definition, Parameters: r.Parameters, Figure: r.Figures[i],
		}
		f.Events, f.Base = nil, nil // trace tells them
		if err := emit(measureItem{Figure: &f}); err != nil {
			return err
		}
	}
	return nil
}

// traceFigure emits a figure as it is worked out now, then the events it is made
// of, each with its line.
func (e *engine) traceFigure(ctx context.Context, text string, emit func(any) error) error {
	id, err := measures.ParseID(text)
	if err != nil {
		return err
	}
	r, err := e.report(ctx, id.Measure, id.Question)
	if err != nil {
		return err
	}
	f := r.Figure(id.Key)
	if f == nil {
		return &events.Fault{
			Kind: events.ErrNotFound, Who: "trace", Where: fmt.Sprintf("log position %d", r.Position),
			What:  fmt.Sprintf("measure %s of %s has no figure %q now; if it had one at position %d, what the log says has changed since", id.Measure, id.Question.Farm, id.Key, id.At),
			Hints: []string{"see what there is: dewclaw measure " + id.Measure + " --farm " + id.Question.Farm + " --from " + id.Question.From + " --to " + id.Question.To},
		}
	}
	now, err := measures.ParseID(f.ID)
	if err != nil {
		return err
	}
	head := traceFigure{
		Asked: text, ID: f.ID, Title: r.Title, Same: now.Digest == id.Digest, Was: id.At, Question: r.Question,
		Position: r.Position, Definition: r.Definition, Parameters: r.Parameters, Figure: *f,
	}
	head.Counted, head.Rest = len(f.Events), len(f.Base)
	head.Figure.Events = nil
	if err := emit(traceItem{Figure: &head}); err != nil {
		return err
	}
	if err := e.traceParts(ctx, f.Events, "counted", emit); err != nil {
		return err
	}
	return e.traceParts(ctx, f.Base, "rest", emit)
}

// traceParts emits events with the lines they come from.
func (e *engine) traceParts(ctx context.Context, list []events.Entity, role string, emit func(any) error) error {
	for _, entity := range list {
		at, source, err := e.newest(ctx, entity)
		if err != nil {
			return err
		}
		entry, err := e.log.Get(ctx, at.Position)
		if err != nil {
			return err
		}
		ev, err := entry.Event(at.Index)
		if err != nil {
			return err
		}
		p, err := ev.Payload()
		if err != nil {
			return err
		}
		o := p.Base().Origin
		part := tracePart{
			Role: role, ID: ev.ID(), Source: source, When: when(p.Base().Occurred), Says: string(ev.Kind) + " " + say(p),
			Name: entry.Name, Archive: o.Archive, Member: o.Member, Message: o.Message, Line: o.Line, LastLine: o.LastLine,
		}
		for _, i := range p.Base().Animal {
			part.Animal = i.Value
			break
		}
		if err := emit(traceItem{Part: &part}); err != nil {
			return err
		}
	}
	return nil
}
