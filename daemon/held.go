package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"

	"dewclaw/daemon/internal/quarantine"
	"dewclaw/events"
	"dewclaw/events/index"
)

// heldCommand is about held records: what was refused, why, and what a person
// does about it.
type heldCommand struct {
	List    heldListCommand    `cmd:"" help:"List held records."`
	Show    heldShowCommand    `cmd:"" help:"Show one whole: every reason, and the record as it was read."`
	Fix     heldFixCommand     `cmd:"" help:"Put values of one right; it stays held until it is released."`
	Release heldReleaseCommand `cmd:"" help:"Read held records in, by their fix or a changed mapping."`
	Drop    heldDropCommand    `cmd:"" help:"Say that a record stays out; it is kept all the same."`
}

type heldListCommand struct {
	Farm   string `help:"Only of this farm."`
	Source string `help:"Only from this source."`
	State  string `enum:"held,released,dropped,all" default:"held" help:"held (nobody has settled it), released, dropped or all."`
	Waits  bool   `help:"Instead, retractions that wait for a person: what a complete source no longer has."`
	JSON   bool   `name:"json" help:"One JSON object a line."`
}

type heldShowCommand struct {
	ID   string `arg:"" help:"The record: h- and 12 characters."`
	JSON bool   `name:"json" help:"As one JSON object."`
}

// heldQuery is the input of the operation "held.list".
type heldQuery struct{ Farm, Source, State, ID string }

// heldWhere tells file and line of a held record the way people look them up.
func heldWhere(h *quarantine.Item) string {
	if h.Message != "" {
		return h.Name + " message " + h.Message
	}
	name := h.Name
	if h.Member != "" {
		name += " in it " + h.Member
	}
	return name + " " + lines("", h.Line, h.LastLine)
}

func (c *heldListCommand) Run(a *app) error {
	if c.Waits {
		return c.listWaits(a)
	}
	q := heldQuery{Farm: c.Farm, Source: c.Source, State: c.State}
	if c.JSON {
		return items(a, "held.list", q, func(raw json.RawMessage) error { return a.rawLine(raw) })
	}
	n := 0
	err := items(a, "held.list", q, func(h quarantine.Item) error {
		n++
		c.print(a, &h)
		return nil
	})
	if err != nil {
		return err
	}
	if n == 0 {
		a.printf("No records %s.\n", map[string]string{"held": "are held", "all": "were ever held"}[c.State]+stateWord(c.State))
	} else {
		a.printf("\n%s. One whole: %s\n", plural(n, "record", "records"), a.hint("held show ID"))
	}
	if c.State != index.StillHeld.String() {
		return nil
	}
	return c.alsoWait(a)
}

func (c *heldListCommand) print(a *app, h *quarantine.Item) {
	state := ""
	if c.State == "all" {
		state = ", " + h.State
	}
	a.printf("%s  source %s: %s%s\n", safe(h.ID), safe(h.Source), safe(heldWhere(h)), state)
	if h.Urgent != "" {
		a.printf("    may be urgent: %s\n", safe(h.Urgent))
	}
	for _, r := range h.Reasons {
		printReason(a, "    ", r)
	}
}

func stateWord(state string) string {
	if state == "released" || state == "dropped" {
		return "were " + state
	}
	return ""
}

func (c *heldShowCommand) Run(a *app) error {
	return items(a, "held.list", heldQuery{ID: c.ID}, func(raw json.RawMessage) error {
		if c.JSON {
			return a.rawLine(raw)
		}
		var h quarantine.Item
		if err := json.Unmarshal(raw, &h); err != nil {
			return err
		}
		printHeld(a, &h)
		return nil
	})
}

// printReason prints one reason, broken where it is too wide.
func printReason(a *app, indent string, r events.Reason) {
	for i, part := range fold(safe(r.String()), lineWidth-len(indent)-2) {
		a.printf("%s%s%s\n", indent, strings.Repeat("  ", min(i, 1)), part)
	}
}

func printHeld(a *app, h *quarantine.Item) {
	farm := h.Farm
	if farm == "" && len(h.Maybe) > 0 {
		farm = "cannot be read: one of " + join(h.Maybe)
	}
	facts(a.stdout, "", "id", h.ID, "state", h.State, "source", h.Source, "farm", farm, "where", heldWhere(h), "original", h.Archive,
		"received", h.Received, "log position", fmt.Sprint(h.Position), "urgent", h.Urgent,
		"animal as read", h.Seen.Animal, "day", h.Seen.Date, "foot", h.Seen.Foot, "words", h.Seen.Words)
	a.printf("\n%s:\n", plural(len(h.Reasons), "reason", "reasons"))
	for _, r := range h.Reasons {
		printReason(a, "  ", r)
	}
	switch {
	case h.Large > 0:
		a.printf("\nthe record is large (%d bytes) and stands in the archive, original %s\n", h.Large, h.Archive)
	case h.Raw != "":
		a.printf("\nas read:\n  %s\n", safe(h.Raw))
	case len(h.RawBytes) > 0:
		a.printf("\nas read (bytes):\n  %s\n", safe(string(h.RawBytes)))
	}
	if h.Fixed != "" {
		a.printf("\nas fixed:\n  %s\n", safe(h.Fixed))
	}
	for _, d := range h.History {
		a.printf("\n%s at log position %d, %s\n", safe(d.Action), d.Position, safe(d.Time))
		var set []string
		for _, x := range d.Set {
			set = append(set, fmt.Sprintf("%s %s -> %s", x.Field, quoteEmpty(x.From), quoteEmpty(x.To)))
		}
		facts(a.stdout, "  ", "by", d.Who, "why", d.Why, "set", strings.Join(set, "; "))
	}
	switch barn := events.OfBarn(h.ID); {
	case h.State != index.StillHeld.String():
	case barn != "":
		a.printf("\nwhat becomes of it is decided at barn %s: dewclaw held show %s\n", safe(barn), safe(strings.TrimPrefix(h.ID, events.BarnKey(barn))))
	case h.Large > 0 || len(h.RawBytes) > 0:
		a.printf("\nas it should read: %s\nread it in:        %s\nleave it out:      %s\n",
			a.hint("held fix "+h.ID+" --raw FILE --who WHO --why WHY"),
			a.hint("held release "+h.ID+" --who WHO --why WHY"), a.hint("held drop "+h.ID+" --who WHO --why WHY"))
	default:
		a.printf("\nput a value right: %s\nread it in:        %s\nleave it out:      %s\n",
			a.hint("held fix "+h.ID+" --set COLUMN=VALUE --who WHO --why WHY"),
			a.hint("held release "+h.ID+" --who WHO --why WHY"), a.hint("held drop "+h.ID+" --who WHO --why WHY"))
	}
}

// listHeld is the operation "held.list": one record by its id, or those in a state.
func (e *engine) listHeld(ctx context.Context, q heldQuery, emit func(any) error) error {
	if q.ID != "" {
		item, err := e.quarantine.Show(ctx, q.ID)
		if err != nil {
			return err
		}
		return emit(item)
	}
	if err := e.named(ctx, q.Farm, q.Source); err != nil {
		return err
	}
	state := q.State
	if state == "all" {
		state = quarantine.AnyState
	}
	for item, err := range e.quarantine.List(ctx, quarantine.Filter{Source: q.Source, State: state}) {
		if err != nil {
			return err
		}
		if !isOf(&item, q.Farm) {
			continue
		}
		if err := emit(item); err != nil {
			return err
		}
	}
	return nil
}
