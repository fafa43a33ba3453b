package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"dewclaw/events"
)

// eventsCommand lists events of the log, oldest first.
type eventsCommand struct {
	Farm    string `help:"Only of this farm."`
	Source  string `help:"Only from this source."`
	Kind    string `help:"Only of this kind: visit, examination, lesion, treatment, taken-off, check, locomotion, claw-measure, claw, order, group, animal, decision."`
	Animal  string `placeholder:"ID" help:"Only of the animal with this identifier, as given or normalized."`
	From    string `type:"day" placeholder:"DAY" help:"Only what occurred on this day or later."`
	To      string `type:"day" placeholder:"DAY" help:"Only what occurred on this day or earlier."`
	After   uint64 `placeholder:"POSITION" help:"Only from entries behind this log position."`
	Current bool   `help:"Only the newest revision of each, and none that was retracted."`
	Limit   int    `help:"Stop after so many."`
	JSON    bool   `name:"json" help:"One CloudEvent a line."`
}

// eventsQuery is the input of the operation "events".
type eventsQuery struct {
	Farm, Source, Kind, Animal, From, To string
	After                                events.Position
	Current                              bool
	Limit                                int
}

// eventItem is an event of an answer: the whole CloudEvent and where it stands.
type eventItem struct {
	Place events.Place    `json:"place"`
	Event json.RawMessage `json:"event"`
}

// cloudEvent is what is read of a CloudEvent for people.
type cloudEvent struct {
	ID       string          `json:"id"`
	Type     string          `json:"type"`
	Farm     string          `json:"farm"`
	Source   string          `json:"source"`
	Subject  string          `json:"subject"`
	Change   events.Change   `json:"change"`
	Revision int             `json:"revision"`
	Recorded string          `json:"recordedtime"`
	Data     json.RawMessage `json:"data"`
}

func (e *cloudEvent) kind() events.Kind {
	return events.Kind(strings.TrimSuffix(strings.TrimPrefix(e.Type, "dewclaw."), ".v1"))
}

func (c *eventsCommand) Run(a *app) error {
	if c.Kind != "" && events.Kind(c.Kind).New() == nil {
		return refuse(fmt.Sprintf("--kind: wanted one of %s, got %q", kindNames(), c.Kind))
	}
	q := eventsQuery{c.Farm, c.Source, c.Kind, c.Animal, c.From, c.To, events.Position(c.After), c.Current, c.Limit}
	if c.JSON {
		return items(a, "events", q, func(i eventItem) error { return a.rawLine(i.Event) })
	}
	s := newSheet("when", "animal", "what", "id")
	s.fold = 2
	n := 0
	err := items(a, "events", q, func(i eventItem) error {
		n++
		cells, err := eventCells(i.Event)
		if err == nil {
			s.row(cells...)
		}
		return err
	})
	if errors.Is(err, events.ErrNotFound) {
		return err
	}
	hidden := heldQuery{Farm: c.Farm, Source: c.Source}
	if uerr := items(a, "unseen", hidden, func(u unseenItem) error { u.open(a); return nil }); err == nil {
		err = uerr
	}
	if n > 0 {
		if perr := s.print(a.stdout); perr != nil {
			return perr
		}
	}
	if err == nil {
		a.printf("%s\n", plural(n, "event", "events"))
	}
	return err
}

// eventCells makes a row of the table: when, animal, what, id.
func eventCells(raw json.RawMessage) ([]any, error) {
	var e cloudEvent
	if err := json.Unmarshal(raw, &e); err != nil {
		return nil, err
	}
	p, err := events.DecodePayload(e.kind(), e.Data)
	if err != nil {
		return nil, err
	}
	what := string(e.kind()) + " " + say(p)
	if e.Change != events.Recorded {
		what = string(e.Change) + ": " + what
	}
	return []any{when(p.Base().Occurred), animalOf(e.Subject), what, e.ID}, nil
}

// animalOf shortens a subject to what stands on the animal.
func animalOf(subject string) string {
	if _, id, ok := strings.Cut(subject, ":"); ok {
		return id
	}
	return subject
}

func kindNames() string {
	var names []string
	for _, k := range events.Kinds() {
		names = append(names, string(k))
	}
	return join(names)
}

// listEvents is the operation "events".
func (e *engine) listEvents(ctx context.Context, q eventsQuery, emit func(any) error) error {
	if err := e.named(ctx, q.Farm, q.Source); err != nil {
		return err
	}
	n := 0
	for entry, err := range e.log.Read(ctx, q.After+1) {
		if err != nil {
			return err
		}
		if q.Source != "" && entry.Source != q.Source && entry.SourceKey() != q.Source {
			continue
		}
		for ev, err := range entry.All() {
			if err != nil {
				return err
			}
			ok, err := e.matches(ctx, &q, &ev)
			if err != nil {
				return err
			}
			if !ok {
				continue
			}
			if err := emit(eventItem{ev.Place, withBarn(entry, ev.AppendCloudEvent(nil))}); err != nil {
				return err
			}
			if n++; n == q.Limit {
				return nil
			}
		}
	}
	return nil
}

// withBarn adds, at a hub, where a CloudEvent stands in the log of its barn.
func withBarn(entry *events.Entry, b []byte) []byte {
	if entry.Barn == nil {
		return b
	}
	more, err := json.Marshal(struct {
		Barn string          `json:"barn"`
		Log  string          `json:"barnlog"`
		At   events.Position `json:"barnposition"`
	}{entry.Barn.ID, entry.Barn.Log, entry.Barn.At})
	if err != nil {
		return b
	}
	return append(append(b[:len(b)-1], ','), more[1:]...)
}

func (e *engine) matches(ctx context.Context, q *eventsQuery, ev *events.Event) (bool, error) {
	if q.Farm != "" && ev.Farm != q.Farm || q.Kind != "" && ev.Kind != events.Kind(q.Kind) {
		return false, nil
	}
	if q.From != "" || q.To != "" || q.Animal != "" {
		p, err := ev.Payload()
		if err != nil {
			return false, err
		}
		day := p.Base().Occurred.Date
		if q.From != "" && (day == "" || day < q.From) || q.To != "" && (day == "" || day > q.To) {
			return false, nil
		}
		if q.Animal != "" && !names(p.Base(), q.Animal) {
			return false, nil
		}
	}
	if q.Current {
		return e.isNewest(ctx, ev)
	}
	return true, nil
}

// names reports whether the identifier, with or without its scheme before it,
// is one of the animal's, as given or normalized, but for spaces, points,
// hyphens and case.
func names(c *events.Common, id string) bool {
	scheme, value, ok := strings.Cut(id, ":")
	if !ok {
		scheme, value = "", id
	}
	value = events.Compact(value)
	for _, list := range [][]events.Identifier{c.Animal, c.Derived.Animal} {
		for _, i := range list {
			if (scheme == "" || i.Scheme == scheme) && events.Compact(i.Value) == value {
				return true
			}
		}
	}
	return false
}
