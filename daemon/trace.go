package main

import (
	"encoding/json"
	"fmt"
	"strings"

	"dewclaw/daemon/internal/quarantine"
	"dewclaw/events"
)

// traceCommand leads a figure back to its events, an event back to the line it was
// read from, or a line forward to what became of it.
type traceCommand struct {
	ID   string `arg:"" help:"An event id or entity; a figure (figure:…); a held record (h-…); or FILE:LINE or HASH:LINE of an original."`
	JSON bool   `name:"json" help:"One JSON object a line."`
}

// traceQuery is the input of the operation "trace".
type traceQuery struct{ ID string }

// traceItem is one item of the answer; one of its members is set.
type traceItem struct {
	Event    *traceEvent      `json:"event,omitempty"`    // newest revision, first of its trace
	Revision *traceRevision   `json:"revision,omitempty"` // each, newest first
	Decision *traceDecision   `json:"decision,omitempty"` // about the event, with or without a revision
	Fed      *traceFed        `json:"fed,omitempty"`      // a feed that carries it
	Line     *traceLine       `json:"line,omitempty"`     // a record an original has at the line
	Held     *quarantine.Item `json:"held,omitempty"`
	Figure   *traceFigure     `json:"figure,omitempty"` // first of its trace
	Part     *tracePart       `json:"part,omitempty"`   // an event the figure is made of
}

type traceEvent struct {
	ID     string          `json:"id"`
	Source string          `json:"source"`
	Event  json.RawMessage `json:"event"`
}

// A traceRevision is one revision and where it came from.
type traceRevision struct {
	ID       string          `json:"id"`
	Change   events.Change   `json:"change"`
	Place    events.Place    `json:"place"`
	Recorded string          `json:"recorded"`
	Cause    events.Cause    `json:"cause"`
	Says     string          `json:"says"`
	Name     string          `json:"name,omitempty"`    // file or subject as the source told it
	Archive  string          `json:"archive,omitempty"` // SHA-256 of the original
	Mapping  string          `json:"mapping,omitempty"` // SHA-256 of the mapping that read it
	Member   string          `json:"member,omitempty"`
	Message  string          `json:"message,omitempty"`
	Path     string          `json:"path,omitempty"`
	Line     int             `json:"line,omitempty"`
	LastLine int             `json:"lastLine,omitempty"`
	Raw      []string        `json:"raw,omitempty"`   // the line or lines themselves, from the archive
	Barn     *events.Barn    `json:"barn,omitempty"`  // at a hub: whose log has it, and where
	Fault    string          `json:"fault,omitempty"` // why they cannot be shown
	Data     json.RawMessage `json:"data"`
}

type traceDecision struct {
	ID       string          `json:"id"`
	Position events.Position `json:"position"`
	Recorded string          `json:"recorded"`
	Says     string          `json:"says"`
}

type traceFed struct {
	Feed      string `json:"feed"`
	Recipient string `json:"recipient"`
	Revision  int    `json:"revision,omitempty"` // of which it tells; 0 for the newest
	State     string `json:"state"`
}

// A traceLine is one record at a line, and what became of it.
type traceLine struct {
	Source   string   `json:"source"`
	Name     string   `json:"name"`
	Archive  string   `json:"archive"`
	Mapping  string   `json:"mapping"`
	Member   string   `json:"member,omitempty"`
	Line     int      `json:"line"`
	LastLine int      `json:"lastLine,omitempty"`
	Raw      []string `json:"raw,omitempty"`
	Outcome  string   `json:"outcome"` // events, held or ignored
	Why      string   `json:"why,omitempty"`
	Held     string   `json:"held,omitempty"` // id of the held record
	Events   []string `json:"events,omitempty"`
	Says     []string `json:"says,omitempty"` // of each event, as it stands now
}

func (c *traceCommand) Run(a *app) error {
	if c.JSON {
		return items(a, "trace", traceQuery{c.ID}, func(raw json.RawMessage) error { return a.rawLine(raw) })
	}
	fed := false
	return items(a, "trace", traceQuery{c.ID}, func(i traceItem) error {
		switch {
		case i.Event != nil:
			return i.Event.print(a)
		case i.Revision != nil:
			i.Revision.print(a)
		case i.Decision != nil:
			a.printf("\ndecision at log position %d, %s\n", i.Decision.Position, i.Decision.Recorded)
			facts(a.stdout, "  ", "says", i.Decision.Says, "id", i.Decision.ID)
		case i.Fed != nil:
			if !fed {
				a.printf("\n")
			}
			fed = true
			of := ""
			if i.Fed.Revision > 0 {
				of = fmt.Sprintf(", revision %d", i.Fed.Revision)
			}
			a.printf("feed %s to %s%s: %s\n", safe(i.Fed.Feed), safe(i.Fed.Recipient), of, safe(i.Fed.State))
		case i.Line != nil:
			i.Line.print(a)
		case i.Held != nil:
			printHeld(a, i.Held)
		case i.Figure != nil:
			i.Figure.print(a)
		case i.Part != nil:
			i.Part.print(a)
		}
		return nil
	})
}

func (t *traceEvent) print(a *app) error {
	var e cloudEvent
	if err := json.Unmarshal(t.Event, &e); err != nil {
		return err
	}
	p, err := events.DecodePayload(e.kind(), e.Data)
	if err != nil {
		return err
	}
	var ids words
	for _, i := range p.Base().Animal {
		ids.add(i.Scheme + " " + i.Value)
	}
	says := say(p)
	if e.Change == events.Retracted {
		says = "retracted: " + says
	}
	facts(a.stdout, "", string(e.kind()), says, "id", e.ID, "farm", e.Farm, "animal", join(ids), "occurred", when(p.Base().Occurred))
	return nil
}

func (r *traceRevision) print(a *app) {
	_, rev, _ := strings.Cut(r.ID, ".")
	a.printf("\nrevision %s, %s at log position %d, %s\n", rev, r.Change, r.Place.Position, r.Recorded)
	where := r.Name
	if r.Member != "" {
		where += " in it " + r.Member
	}
	if l := lines("", r.Line, r.LastLine); l != "" {
		where += " " + l
	}
	if r.Message != "" {
		where += " message " + r.Message
	}
	raw := r.Raw
	if r.Fault != "" {
		raw = append(raw, "("+r.Fault+")")
	}
	pairs := []string{"says", r.Says, "because of", string(r.Cause), "read from", where, "at", r.Path, "original", r.Archive, "mapping", r.Mapping}
	if r.Barn != nil {
		pairs = append(pairs, "barn", r.Barn.ID, "log there", r.Barn.Log, "position there", fmt.Sprint(r.Barn.At))
	}
	for i, l := range raw {
		pairs = append(pairs, map[bool]string{true: "as read", false: " "}[i == 0], l)
	}
	facts(a.stdout, "  ", pairs...)
}

func (t *traceLine) print(a *app) {
	where := t.Name
	if t.Member != "" {
		where += " in it " + t.Member
	}
	a.printf("%s %s: %s%s\n", safe(where), lines("", t.Line, t.LastLine), t.Outcome, colon(safe(t.Why)))
	pairs := []string{"source", t.Source, "original", t.Archive, "mapping", t.Mapping, "held as", t.Held}
	for i, l := range t.Raw {
		pairs = append(pairs, map[bool]string{true: "as read", false: " "}[i == 0], l)
	}
	facts(a.stdout, "  ", pairs...)
	for i, id := range t.Events {
		a.printf("  %s  %s\n", safe(id), safe(t.Says[i]))
	}
	a.printf("\n")
}

// splitLine takes FILE:LINE apart; ok is false if it has not that form.
func splitLine(s string) (name string, line int, ok bool) {
	i := strings.LastIndexByte(s, ':')
	if i < 1 {
		return "", 0, false
	}
	if _, err := fmt.Sscanf(s[i+1:]+"\n", "%d\n", &line); err != nil || line < 1 {
		return "", 0, false
	}
	return s[:i], line, true
}
