package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"

	"dewclaw/daemon/internal/quarantine"
	"dewclaw/events"
)

// by is who decides and why; both stand in the log for ever.
type by struct {
	Who string `required:"" placeholder:"WHO" help:"Who decides: a name or pseudonym."`
	Why string `required:"" placeholder:"WHY" help:"Why, in words."`
}

type heldFixCommand struct {
	ID  string            `arg:"" help:"The record: h- and 12 characters."`
	Set map[string]string `placeholder:"COLUMN=VALUE" mapsep:"none" help:"A column or field and its right value; may be repeated."`
	Raw string            `placeholder:"FILE" help:"The whole record anew, from a file; - for standard input."`
	by
}

type heldReleaseCommand struct {
	ID     string `arg:"" optional:"" help:"The record; or --all."`
	All    bool   `help:"Every held record of the source that the mapping covers as it is now."`
	Source string `help:"The source, with --all."`
	by
}

type heldDropCommand struct {
	ID string `arg:"" help:"The record: h- and 12 characters."`
	by
}

// correctCommand corrects an accepted event. What the source says of it later is
// compared with what the source said before: a correction is not undone by it.
type correctCommand struct {
	ID       string            `arg:"" help:"An event id or entity."`
	Animal   string            `placeholder:"SCHEME:ID" help:"The animal it belongs to."`
	Foot     string            `placeholder:"FOOT" help:"The foot it was on: LF, RF, LH or RH."`
	Set      map[string]string `placeholder:"FIELD=VALUE" mapsep:"none" help:"A field and its right value; an empty value takes it away. May be repeated."`
	Withdraw bool              `help:"It is not so, whatever the source says."`
	Same     string            `placeholder:"SCHEME:ID" help:"Its animal and this one are the same animal."`
	NotSame  string            `placeholder:"SCHEME:ID" help:"Its animal and this one are two animals."`
	Confirm  bool              `help:"Its waiting retraction is right."`
	Refuse   bool              `help:"Its waiting retraction is wrong: the fact stays."`
	Whole    bool              `help:"All events of its examination, not this one alone."`
	by
}

// Inputs of the operations.
type (
	fixInput struct {
		ID       string
		Set      map[string]string
		Raw      *string
		Who, Why string
	}
	settleInput struct {
		ID, Source string
		All        bool
		Who, Why   string
	}
)

// resultItem is what followed from a decision.
type resultItem struct {
	Position events.Position `json:"position"`
	Events   []string        `json:"events,omitempty"`
	Counts   events.Counts   `json:"counts"`
	Known    bool            `json:"known,omitempty"` // it was decided before, at this position; nothing was added
}

func (c *heldFixCommand) Run(a *app) error {
	in := fixInput{ID: c.ID, Set: c.Set, Who: c.Who, Why: c.Why}
	if (len(c.Set) == 0) == (c.Raw == "") {
		return refuse("held fix: wanted either --set or --raw", a.self+" held fix --help")
	}
	if c.Raw != "" {
		raw, err := a.slurp(c.Raw)
		if err != nil {
			return err
		}
		raw = strings.TrimRight(raw, "\r\n")
		in.Raw = &raw
	}
	return items(a, "held.fix", in, func(h quarantine.Item) error {
		a.printf("%s is fixed and still held.\n", safe(h.ID))
		a.printf("read it in: %s\n", a.hint("held release "+h.ID+" --who "+shellQuote(c.Who)+" --why "+shellQuote(c.Why)))
		return nil
	})
}

func (c *heldReleaseCommand) Run(a *app) error {
	if (c.ID == "") != c.All || c.All != (c.Source != "") {
		return refuse("held release: wanted one ID, or --all with --source", a.self+" held release --help")
	}
	n := 0
	err := items(a, "held.release", settleInput{c.ID, c.Source, c.All, c.Who, c.Why}, func(r resultItem) error {
		n++
		return a.followed(r)
	})
	if err == nil && n == 0 {
		a.printf("Nothing was released: the mapping as it is now covers no held record of %s.\n", safe(c.Source))
	}
	return err
}

func (c *heldDropCommand) Run(a *app) error {
	return items(a, "held.drop", settleInput{ID: c.ID, Who: c.Who, Why: c.Why}, func(resultItem) error {
		a.printf("%s stays out; it is kept, and read again it counts as known.\n", safe(c.ID))
		return nil
	})
}

func (c *correctCommand) Run(a *app) error {
	in, err := c.correction()
	if err != nil {
		return err
	}
	return items(a, "correct", in, func(r resultItem) error { return a.followed(r) })
}

// correction makes the input; exactly one thing must be asked for.
func (c *correctCommand) correction() (quarantine.Correction, error) {
	in := quarantine.Correction{Target: c.ID, Whole: c.Whole, Who: c.Who, Why: c.Why}
	var asked []string
	ask := func(option string, given bool, action string) {
		if given {
			asked = append(asked, option)
			in.Action = action
		}
	}
	ask("--animal", c.Animal != "", events.ActionReassign)
	ask("--foot", c.Foot != "", events.ActionSwapFoot)
	ask("--set", len(c.Set) > 0, events.ActionChange)
	ask("--withdraw", c.Withdraw, events.ActionWithdraw)
	ask("--same", c.Same != "", events.ActionSame)
	ask("--not-same", c.NotSame != "", events.ActionNotSame)
	ask("--confirm", c.Confirm, events.ActionConfirm)
	ask("--refuse", c.Refuse, events.ActionRefuse)
	if len(asked) != 1 {
		got := join(asked)
		if got == "" {
			got = "none of them"
		}
		return in, refuse("correct: wanted one of --animal, --foot, --set, --withdraw, --same, --not-same, --confirm, --refuse; got "+got, "dewclaw correct --help")
	}
	in.Foot, in.Set = c.Foot, c.Set
	for option, id := range map[string]string{"--animal": c.Animal, "--same": c.Same, "--not-same": c.NotSame} {
		if id == "" {
			continue
		}
		scheme, value, ok := strings.Cut(id, ":")
		if !ok || scheme == "" || value == "" {
			return in, refuse(fmt.Sprintf("%s: wanted SCHEME:ID such as ear-tag:DE0941200731, got %q", option, id), "dewclaw codes schemes")
		}
		i := events.Identifier{Scheme: scheme, Value: value}
		if option == "--animal" {
			in.Animal = i
		} else {
			in.Other = i
		}
	}
	return in, nil
}

// followed tells what followed from a decision.
func (a *app) followed(r resultItem) error {
	if r.Known {
		a.printf("Nothing was added: that was decided before, at log position %d.\n", r.Position)
		return nil
	}
	a.printf("log position %d", r.Position)
	if len(r.Events) > 0 {
		a.printf(": %s", plural(len(r.Events), "event", "events"))
	}
	a.printf("\n")
	for _, id := range r.Events {
		a.printf("  %s\n", safe(id))
	}
	return nil
}

// slurp reads a file, or standard input for "-".
func (a *app) slurp(name string) (string, error) {
	if name == "-" {
		b, err := io.ReadAll(a.stdin)
		return string(b), err
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return "", fmt.Errorf("read %s: %w: %w", name, err, events.ErrNotFound)
	}
	return string(b), nil
}

// fixHeld is the operation "held.fix".
func (e *engine) fixHeld(ctx context.Context, in fixInput, emit func(any) error) error {
	defer e.urgent.Delete(in.ID)
	item, err := e.quarantine.Fix(ctx, in.ID, quarantine.Fix{Set: in.Set, Raw: in.Raw, Who: in.Who, Why: in.Why})
	if err != nil {
		return err
	}
	return emit(item)
}

// releaseHeld is the operation "held.release".
func (e *engine) releaseHeld(ctx context.Context, in settleInput, emit func(any) error) error {
	if !in.All {
		r, err := e.quarantine.Release(ctx, in.ID, in.Who, in.Why)
		if err != nil {
			return err
		}
		return emit(result(r))
	}
	if e.project.config.Source(in.Source) == nil {
		return missing("source", in.Source, sourceNames(e.project.config), "see the config")
	}
	list, err := e.quarantine.ReleaseAll(ctx, in.Source, in.Who, in.Why)
	for _, r := range list {
		if eerr := emit(result(r)); eerr != nil {
			return eerr
		}
	}
	return err
}

func result(r quarantine.Result) resultItem {
	return resultItem{r.Position, r.Events, r.Counts, r.Known}
}

// dropHeld is the operation "held.drop".
func (e *engine) dropHeld(ctx context.Context, in settleInput, emit func(any) error) error {
	if err := e.quarantine.Drop(ctx, in.ID, in.Who, in.Why); err != nil {
		return err
	}
	return emit(resultItem{})
}

// correct is the operation "correct".
func (e *engine) correct(ctx context.Context, in quarantine.Correction, emit func(any) error) error {
	r, err := e.quarantine.Correct(ctx, in)
	if err != nil {
		return err
	}
	return emit(result(r))
}
