package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"dewclaw/events"
)

// This file is both ends of the way back: a barn whose data folder was lost asks its
// hub for what it had, before it opens a source.

// askBack is what a barn asks: entries behind a position.
const askBack = "entries"

type backQuery struct {
	After events.Position `json:"after"`
}

// A backHead is the first line of the answer; each further line is an entry.
type backHead struct {
	Of events.Position `json:"of"` // how many there are in all
}

// giveBack answers a barn.
func (t *takeover) giveBack(ctx context.Context, b []byte) ([]byte, error) {
	var q backQuery
	if err := json.Unmarshal(b, &q); err != nil {
		return nil, err
	}
	back, err := t.e.intake.GiveBack(ctx, t.barn.ID, q.After)
	if err != nil {
		t.e.logger.Warn("entries cannot be given back to a barn", "barn", t.barn.ID, "why", err.Error())
		return nil, err
	}
	head, err := json.Marshal(backHead{back.Of})
	if err != nil {
		return nil, err
	}
	if q.After == 0 && back.Of > 0 {
		t.e.logger.Info("a barn begins with an empty log and gets back what is here", "barn", t.barn.ID, "entries", back.Of)
	}
	return bytes.Join(append([][]byte{head}, back.Entries...), []byte("\n")), nil
}

// lacksPast reports whether the log may lack what the hub has of this barn: it is
// empty and may not begin so, or was cut short while it came back.
func (e *engine) lacksPast(ctx context.Context) (bool, error) {
	h := &e.project.config.Hub
	last, _ := e.log.Last()
	if h.URL == "" || last == 0 {
		return h.URL != "" && !h.New, nil
	}
	newest, err := e.log.Get(ctx, last)
	if err != nil {
		return false, err
	}
	return newest.Returned != nil && newest.Returned.Of > last, nil
}

// comeBack takes back what the hub has of this barn, if the log may lack that. It waits
// for the hub as long as ctx lets it: records read before would be taken for new.
// A barn that no grant lets connect goes on alone.
func (e *engine) comeBack(ctx context.Context) error {
	lacks, err := e.lacksPast(ctx)
	if err != nil || !lacks || !e.linked {
		return err
	}
	if err := e.forgetTold(); err != nil { // what comes back may tell of other farms than the config
		return err
	}
	const part = "hub"
	wait := backoff{first: 100 * time.Millisecond, most: 5 * time.Second}
	for {
		last, _ := e.log.Last()
		of, err := e.takeBack(ctx, last)
		now, _ := e.log.Last()
		switch {
		case ctx.Err() != nil:
			return err
		case err == nil && now >= of:
			e.health.say(part, nil)
			if of > 0 {
				e.logger.Info("the hub gave back what it has of this barn", "entries", of)
			}
			return e.keepMappings(ctx)
		case err == nil:
			wait.reset()
			continue
		case errors.Is(err, events.ErrCorrupt), !errors.Is(err, events.ErrUnavailable):
			return err
		}
		e.health.say(part, err)
		if perr := pause(ctx, wait.next()); perr != nil {
			return err
		}
	}
}

// takeBack takes one part, and returns how many entries there are in all.
func (e *engine) takeBack(ctx context.Context, after events.Position) (events.Position, error) {
	q, err := json.Marshal(backQuery{after})
	if err != nil {
		return 0, err
	}
	b, err := e.log.AskHub(ctx, askBack, q)
	if err != nil {
		h := &e.project.config.Hub
		return 0, &events.Fault{
			Kind: events.ErrUnavailable, Who: "barn " + h.Barn, What: "log", Wanted: "an answer of the hub, whether it has entries of this barn that the log lacks", Got: "none yet", Cause: err,
			Hints: []string{
				"no source is read until then: what was read before a data folder was lost would count twice",
				"for a barn that never was at the hub, and must begin without network, add to hub: new: true",
			},
		}
	}
	lines := bytes.Split(b, []byte("\n"))
	var head backHead
	if err := json.Unmarshal(lines[0], &head); err != nil {
		return 0, fmt.Errorf("what the hub gives back: %w: %w", err, events.ErrInvalid)
	}
	if after > head.Of {
		return 0, &events.Fault{
			Kind: events.ErrInvalid, Who: "hub", What: "entries that it gives back", Wanted: fmt.Sprintf("more than the %d it gave", after), Got: fmt.Sprint(head.Of),
			Hints: []string{"the log of the hub was restored to an older point; stop this daemon, put its data folder aside and start again"},
		}
	}
	for _, body := range lines[1:] {
		if _, err := e.intake.TakeBack(ctx, body, head.Of); err != nil {
			return 0, err
		}
	}
	if len(lines) == 1 && after < head.Of {
		return 0, &events.Fault{Kind: events.ErrUnavailable, Who: "hub", What: "entries that it gives back", Wanted: fmt.Sprintf("those behind %d", after), Got: "none"}
	}
	return head.Of, nil
}

// keepMappings puts the mappings of the sources into the archive: entries that came
// back name them.
func (e *engine) keepMappings(ctx context.Context) error {
	for _, s := range e.project.config.Sources {
		if _, _, err := e.archive.Put(ctx, bytes.NewReader(e.project.text[s.Mapping])); err != nil {
			return err
		}
	}
	return nil
}
