package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/measures"
)

// trace is the operation "trace".
func (e *engine) trace(ctx context.Context, q traceQuery, emit func(any) error) error {
	if id := strings.TrimPrefix(q.ID, events.BarnKey(events.OfBarn(q.ID))); strings.HasPrefix(id, "h-") && !strings.Contains(id, ":") {
		return e.traceHeld(ctx, q.ID, emit)
	}
	if strings.HasPrefix(q.ID, measures.IDPrefix) {
		return e.traceFigure(ctx, q.ID, emit)
	}
	if name, line, ok := splitLine(q.ID); ok {
		return e.traceLine(ctx, name, line, emit)
	}
	entity, revision, err := events.ParseEventID(q.ID)
	if err != nil {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "trace", What: "what to trace",
			Wanted: "an event id, a figure (figure:…), a held record (h-…), or FILE:LINE or HASH:LINE", Got: fmt.Sprintf("%q", q.ID),
			Hints: []string{"ids of events: dewclaw events; of figures: dewclaw measure NAME --format csv; held records: dewclaw held list"},
		}
	}
	return e.traceEvent(ctx, entity, revision, emit)
}

// traceEvent emits the newest revision of an entity, then every revision with
// the line it came from, the decisions about it and the feeds that carry it; of a
// revision that was asked for and is not the newest also what became of that.
func (e *engine) traceEvent(ctx context.Context, entity events.Entity, revision int, emit func(any) error) error {
	newest, source, err := e.newest(ctx, entity)
	if err != nil {
		return err
	}
	first := true
	var older *events.Place
	for place := &newest; place != nil; {
		entry, err := e.log.Get(ctx, place.Position)
		if err != nil {
			return err
		}
		ev, err := entry.Event(place.Index)
		if err != nil {
			return err
		}
		if first {
			if err := emit(traceItem{Event: &traceEvent{ev.ID(), source, ev.AppendCloudEvent(nil)}}); err != nil {
				return err
			}
			first = false
		} else if ev.Revision == revision {
			older = place
		}
		rev, err := e.revision(ctx, entry, &ev)
		if err != nil {
			return err
		}
		if err := emit(traceItem{Revision: rev}); err != nil {
			return err
		}
		place = ev.Before
	}
	if err := e.decisionsAbout(ctx, entity, emit); err != nil {
		return err
	}
	if err := e.fedTo(ctx, newest, 0, emit); err != nil || older == nil {
		return err
	}
	return e.fedTo(ctx, *older, revision, emit)
}

// newest returns where the newest revision of an entity stands, and its source.
// Over a damaged log there is no index: what is whole is searched.
func (e *engine) newest(ctx context.Context, entity events.Entity) (events.Place, string, error) {
	none := &events.Fault{Kind: events.ErrNotFound, Who: "trace", What: fmt.Sprintf("no event %s is in the log", entity)}
	if e.index == nil {
		var at events.Place
		source := ""
		for entry, err := range e.log.Read(ctx, 1) {
			if err != nil {
				break // what is behind the damage cannot be seen; the operation ends with it
			}
			for ev, err := range entry.All() {
				if err == nil && ev.Entity == entity {
					at, source = ev.Place, ev.Source
				}
			}
		}
		if at == (events.Place{}) {
			return at, "", errors.Join(none, e.damage)
		}
		return at, source, nil
	}
	record, slot, err := entity.Split()
	if err != nil {
		return events.Place{}, "", err
	}
	source, known, err := e.index.Find(record)
	if err != nil {
		return events.Place{}, "", err
	}
	if s := known.Slot(slot); s != nil {
		return s.Place, source, nil
	}
	return events.Place{}, "", none
}

func (e *engine) revision(ctx context.Context, entry *events.Entry, ev *events.Event) (*traceRevision, error) {
	p, err := ev.Payload()
	if err != nil {
		return nil, err
	}
	o := p.Base().Origin
	r := &traceRevision{
		ID: ev.ID(), Change: ev.Change, Place: ev.Place, Recorded: entry.Time, Cause: entry.Cause, Says: say(p), Name: entry.Name,
		Archive: o.Archive, Mapping: entry.Mapping, Member: o.Member, Message: o.Message, Path: o.Path, Line: o.Line, LastLine: o.LastLine,
		Data: ev.Data,
	}
	r.Barn = entry.Barn
	if _, here := e.archive.Has(o.Archive); entry.Barn != nil && o.Archive != "" && !here {
		r.Fault = "the original is kept at the barn: dewclaw trace " + ev.ID() + " there"
		return r, nil
	}
	if entry.Import != nil {
		r.Fault = fmt.Sprintf("imported with %s from another log; the original stayed there", entry.Name)
		return r, nil
	}
	if o.Archive == "" {
		return r, nil
	}
	by, err := e.readBy(ctx, entry, ev, o.Archive)
	if err != nil {
		return nil, err
	}
	r.Name, r.Mapping = by.Name, by.Mapping
	r.Raw, err = e.rawLines(ctx, by, &o)
	if err != nil && entry.Elsewhere() && errors.Is(err, events.ErrNotFound) {
		r.Fault = "the original is not here: " + err.Error()
		return r, nil
	}
	if err != nil {
		r.Fault = err.Error()
		if errors.Is(err, events.ErrCorrupt) {
			return r, nil
		}
	}
	return r, nil
}

// readBy returns the entry that read an original for a revision. A decision and
// the end of a newer export make revisions without reading anything: their line
// is that of a revision before, or else of the original's newest reading.
func (e *engine) readBy(ctx context.Context, entry *events.Entry, ev *events.Event, archive string) (*events.Entry, error) {
	read := func(x *events.Entry) bool { return x.Archive == archive && x.Mapping != "" }
	source := entry.SourceKey()
	for before := ev.Before; !read(entry) && before != nil; {
		var err error
		if entry, err = e.log.Get(ctx, before.Position); err != nil {
			return nil, err
		}
		old, err := entry.Event(before.Index)
		if err != nil {
			return nil, err
		}
		before = old.Before
	}
	if read(entry) || e.index == nil {
		return entry, nil
	}
	if x, known, err := e.index.Original(source, archive); err != nil || known {
		if err != nil {
			return nil, err
		}
		return e.log.Get(ctx, x.Reading)
	}
	return entry, nil
}

// rawLines reads the lines of an origin again from the archive.
func (e *engine) rawLines(ctx context.Context, entry *events.Entry, o *events.Origin) ([]string, error) {
	x, err := e.original(ctx, o.Archive, o.Message, entry)
	if err != nil {
		return nil, err
	}
	defer x.close()
	var out []string
	err = x.rows(o.Member, func(_ adapters.Head, rows []adapters.Row) error {
		for i := range rows {
			if r := &rows[i]; r.Line >= o.Line && r.Line <= max(o.Line, o.LastLine) && (o.Path == "" || r.Path == "" || r.Path == o.Path) {
				out = append(out, rowText(r))
			}
			if rows[i].Line > max(o.Line, o.LastLine) {
				return errEnough
			}
		}
		return nil
	})
	return out, err
}

func rowText(r *adapters.Row) string {
	if r.Text == "" && len(r.Bytes) > 0 {
		return string(r.Bytes)
	}
	return r.Text
}

// decisionsAbout emits what people decided about an entity.
func (e *engine) decisionsAbout(ctx context.Context, entity events.Entity, emit func(any) error) error {
	for entry, err := range e.log.Read(ctx, 1) {
		if err != nil {
			return err
		}
		if entry.Cause != events.CauseDecision {
			continue
		}
		for ev, err := range entry.All() {
			if err != nil {
				return err
			}
			if ev.Kind != events.KindDecision {
				continue
			}
			p, err := ev.Payload()
			if err != nil {
				return err
			}
			if d := p.(*events.Decision); slices.Contains(d.Targets, entity) {
				if err := emit(traceItem{Decision: &traceDecision{ev.ID(), entry.At, entry.Time, say(d)}}); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// traceHeld emits a held record and, if it was released, the events it became.
func (e *engine) traceHeld(ctx context.Context, id string, emit func(any) error) error {
	item, err := e.quarantine.Show(ctx, id)
	if err != nil {
		return err
	}
	if err := emit(traceItem{Held: &item}); err != nil {
		return err
	}
	h, ok, err := e.index.Held(id)
	if err != nil || !ok || h.Settled == 0 {
		return err
	}
	entry, err := e.log.Get(ctx, h.Settled)
	if err != nil {
		return err
	}
	for ev, err := range entry.All() {
		if err != nil {
			return err
		}
		if ev.Kind == events.KindDecision {
			continue
		}
		if err := emit(traceItem{Event: &traceEvent{ev.ID(), ev.Source, ev.AppendCloudEvent(nil)}}); err != nil {
			return err
		}
	}
	return nil
}
