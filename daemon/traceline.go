package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
)

// traceLine leads a line of an original forward: the original is mapped again as
// it was read, and what its records became is looked up.
func (e *engine) traceLine(ctx context.Context, name string, line int, emit func(any) error) error {
	entries, err := e.readings(ctx, name)
	if err != nil {
		return err
	}
	if len(entries) == 0 {
		return &events.Fault{
			Kind: events.ErrNotFound, Who: "trace", Where: name, What: "no original of this name or hash was read",
			Hints: []string{"name it as the source told it (below the folder of the source), or by at least 6 digits of its hash"},
		}
	}
	found := false
	for _, entry := range entries {
		ok, err := e.traceIn(ctx, entry, line, emit)
		if err != nil {
			return err
		}
		found = found || ok
	}
	if !found {
		return &events.Fault{
			Kind: events.ErrNotFound, Who: "trace", Where: fmt.Sprintf("%s:%d", name, line), What: "no record stands at this line",
			Hints: []string{"lines count from 1, titles and header included"},
		}
	}
	return nil
}

// readings returns the first entry of each original that has the name, or whose
// hash begins with it; the newest reading of each.
func (e *engine) readings(ctx context.Context, name string) ([]*events.Entry, error) {
	var out []*events.Entry
	at := map[string]int{}
	hash := len(name) >= 6 && strings.Trim(name, "0123456789abcdef") == ""
	for entry, err := range e.log.Read(ctx, 1) {
		if err != nil {
			return nil, err
		}
		if entry.Cause != events.CauseChunk || entry.Archive == "" || entry.Mapping == "" {
			continue
		}
		if entry.Elsewhere() && !e.hasAll(entry) {
			continue
		}
		base := entry.Name[strings.LastIndexByte(entry.Name, '/')+1:]
		if entry.Name != name && base != name && !(hash && strings.HasPrefix(entry.Archive, name)) {
			continue
		}
		key := entry.SourceKey() + "\x00" + entry.Archive
		if i, seen := at[key]; seen {
			out[i] = entry
			continue
		}
		at[key] = len(out)
		out = append(out, entry)
	}
	return out, nil
}

// hasAll reports whether the archive has what an entry was made of.
func (e *engine) hasAll(entry *events.Entry) bool {
	for _, h := range entry.Originals() {
		if _, ok := e.archive.Has(h); !ok {
			return false
		}
	}
	return true
}

// traceIn maps one original again and emits the records at a line.
func (e *engine) traceIn(ctx context.Context, entry *events.Entry, line int, emit func(any) error) (bool, error) {
	x, err := e.original(ctx, entry.Archive, "", entry)
	if err != nil {
		return false, err
	}
	defer x.close()
	received, err := time.Parse(time.RFC3339, entry.Received)
	if err != nil {
		received = e.now()
	}
	job := mapping.Job{Source: entry.Source, Received: received, Rules: e.rules}
	switch s := e.intakeSource(entry.Source); {
	case entry.Barn != nil && x.mapping.FarmByRow():
		job.Farms = entry.Zones
	case entry.Barn != nil:
		job.Farm, job.Zone = entry.Defaults.Farm, entry.Zones[entry.Defaults.Farm]
	case s != nil:
		job.Farm, job.Zone, job.Farms = s.Farm, s.Zone, s.Farms
	default:
		job.Farm = entry.Defaults.Farm
	}
	t := &lineTrace{e: e, entry: entry, line: line, emit: emit, texts: map[int]string{}}
	for m, err := range unpack(x.at, x.size, x.name) {
		if err != nil || m.Reader == nil {
			continue
		}
		t.mapper, t.run = nil, nil
		err := x.rows(m.Name, func(head adapters.Head, rows []adapters.Row) error { return t.take(ctx, x.mapping, job, head, rows) })
		if err == nil {
			err = t.flush(ctx)
		}
		if err != nil {
			return t.found, err
		}
	}
	return t.found, nil
}

// A lineTrace maps an original and picks the records at one line.
type lineTrace struct {
	e      *engine
	entry  *events.Entry
	line   int
	emit   func(any) error
	run    *mapping.Run
	mapper *mapping.Mapper
	texts  map[int]string // by line, near the one that is looked for
	found  bool
}

func (t *lineTrace) take(ctx context.Context, m *mapping.Inward, job mapping.Job, head adapters.Head, rows []adapters.Row) error {
	if t.mapper == nil {
		run, err := m.Start(job, head)
		if err != nil {
			return err
		}
		t.run, t.mapper = run, run.Mapper()
	}
	for i := range rows {
		if d := rows[i].Line - t.line; d > -events.MaxEntryRecords*2 && d < events.MaxEntryRecords*2 {
			t.texts[rows[i].Line] = rowText(&rows[i])
		}
	}
	for _, r := range t.mapper.Map(rows, nil) {
		if err := t.pick(ctx, &r); err != nil {
			return err
		}
	}
	return nil
}

func (t *lineTrace) flush(ctx context.Context) error {
	if t.mapper == nil {
		return nil
	}
	for _, r := range t.mapper.Flush(nil) {
		if err := t.pick(ctx, &r); err != nil {
			return err
		}
	}
	return nil
}

func (t *lineTrace) pick(ctx context.Context, r *adapters.Record) error {
	if t.line < r.Line || t.line > max(r.Line, r.LastLine) {
		return nil
	}
	t.found = true
	l := &traceLine{
		Source: t.entry.SourceKey(), Name: t.entry.Name, Archive: t.entry.Archive, Mapping: t.entry.Mapping,
		Member: r.Member, Line: r.Line, LastLine: r.LastLine, Why: r.Why,
	}
	for n := r.Line; n <= max(r.Line, r.LastLine); n++ {
		if s, ok := t.texts[n]; ok {
			l.Raw = append(l.Raw, s)
		}
	}
	switch r.Outcome {
	case adapters.Ignored:
		l.Outcome = "ignored"
	case adapters.Held:
		l.Outcome, l.Held, l.Why = "held", t.entry.HeldKey(r.Held.ID), r.Held.Reasons[0].String()
		if t.e.index == nil {
			break
		}
		if h, ok, err := t.e.index.Held(l.Held); err == nil && ok {
			l.Outcome = h.State.String()
		}
	default:
		l.Outcome = "events"
		for i := range r.Drafts {
			if err := t.e.addEvent(ctx, l, r.Drafts[i].Entity); err != nil {
				return err
			}
		}
	}
	return t.emit(traceItem{Line: l})
}

// addEvent adds the newest revision of an entity to a line's trace.
func (e *engine) addEvent(ctx context.Context, l *traceLine, entity events.Entity) error {
	at, _, err := e.newest(ctx, entity)
	if isNotFound(err) {
		return nil
	}
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
	says := string(ev.Kind) + " " + say(p)
	if ev.Change == events.Retracted {
		says = "retracted: " + says
	}
	l.Events, l.Says = append(l.Events, ev.ID()), append(l.Says, says)
	return nil
}

func isNotFound(err error) bool { return errors.Is(err, events.ErrNotFound) }
