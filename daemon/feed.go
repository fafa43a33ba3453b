package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
)

// feedCommand is about feeds: what each recipient has got, and what waits.
type feedCommand struct {
	List   feedListCommand   `cmd:"" help:"Where every feed stands."`
	Show   feedShowCommand   `cmd:"" help:"One feed, with what stays behind and why."`
	Rewind feedRewindCommand `cmd:"" help:"Send again from a log position on, under a new generation."`
	Pause  feedPauseCommand  `cmd:"" help:"Send nothing until it is resumed."`
	Resume feedResumeCommand `cmd:"" help:"Go on after a pause, or try at once."`
	Replay feedReplayCommand `cmd:"" help:"Try again to send what was refused."`
	Test   feedTestCommand   `cmd:"" help:"Try grant, recipient and layout; send nothing."`
}

type feedListCommand struct {
	JSON bool `name:"json" help:"One JSON object a line."`
}

type feedShowCommand struct {
	Feed string `arg:"" help:"Its id in the config."`
	JSON bool   `name:"json" help:"As one JSON object."`
}

type feedRewindCommand struct {
	Feed string `arg:"" help:"Its id in the config."`
	To   uint64 `required:"" placeholder:"POSITION" help:"The log position to begin again at; 1 is the first."`
}

type feedPauseCommand struct {
	Feed string `arg:"" help:"Its id in the config."`
	Why  string `placeholder:"WHY" help:"Why, in words."`
}

type feedResumeCommand struct {
	Feed string `arg:"" help:"Its id in the config."`
	Gap  bool   `help:"Send what was recorded while no grant was in force as well."`
}

type feedReplayCommand struct {
	Feed   string `arg:"" help:"Its id in the config."`
	Animal string `arg:"" optional:"" help:"Only of this animal, as feed show names it."`
	Farm   string `placeholder:"FARM" help:"Only of this farm."`
}

type feedTestCommand struct {
	Feed string `arg:"" help:"Its id in the config."`
	JSON bool   `name:"json" help:"As one JSON object."`
}

// feedInput is the input of the operations on feeds.
type feedInput struct {
	Feed, Why, Animal, Farm string
	To                      events.Position
	Gap                     bool
}

func (c *feedListCommand) Run(a *app) error {
	if c.JSON {
		return items(a, "feed.list", feedInput{}, func(raw json.RawMessage) error { return a.rawLine(raw) })
	}
	s := newSheet("feed", "to", "state", ">sent", ">behind", "and")
	err := items(a, "feed.list", feedInput{}, func(f delivery.State) error {
		s.row(f.Feed, f.Recipient, f.State, f.Rows+f.Deletes, behind(&f), aside(&f))
		return nil
	})
	if err != nil {
		return err
	}
	return s.print(a.stdout)
}

func behind(f *delivery.State) string {
	if f.More {
		return fmt.Sprintf("over %d", f.Behind)
	}
	return fmt.Sprint(f.Behind)
}

// aside tells in a few words what is not as it should be.
func aside(f *delivery.State) string {
	var w []string
	if f.Parked > 0 {
		w = append(w, fmt.Sprintf("%d parked", f.Parked))
	}
	if f.Refused > 0 {
		w = append(w, fmt.Sprintf("%d refused by the recipient", f.Refused))
	}
	if f.Waiting > 0 {
		w = append(w, fmt.Sprintf("%d wait for their animal", f.Waiting))
	}
	if f.Why != "" {
		w = append(w, f.Why)
	}
	if f.Error != "" {
		w = append(w, f.Error)
	}
	return strings.Join(w, "; ")
}

func (c *feedShowCommand) Run(a *app) error {
	return items(a, "feed.show", feedInput{Feed: c.Feed}, func(raw json.RawMessage) error {
		if c.JSON {
			return a.rawLine(raw)
		}
		var f delivery.State
		if err := json.Unmarshal(raw, &f); err != nil {
			return err
		}
		return printFeed(a, &f)
	})
}

func printFeed(a *app, f *delivery.State) error {
	attempt := ""
	if f.Attempt > 0 {
		attempt = fmt.Sprintf("%d failed, next %s", f.Attempt, f.Retry)
	}
	skipped := ""
	if f.Skipped > 0 {
		skipped = fmt.Sprintf("%s recorded without a grant in force; to send them: %s",
			plural(f.Skipped, "stretch of the log was", "stretches of the log were"), a.hint("feed resume "+f.Feed+" --gap"))
	}
	fetched := ""
	if f.Fetched > 0 {
		fetched = fmt.Sprintf("up to log position %d, %s", f.Fetched-1, f.FetchedAt)
	}
	said := ""
	if f.Confirmed+f.Refused > 0 {
		said = fmt.Sprintf("%d confirmed, %d refused by the recipient", f.Confirmed, f.Refused)
	}
	stands := fmt.Sprintf("the end of the log, position %d", f.End)
	if f.Position <= f.End {
		stands = fmt.Sprintf("log position %d of %d; %s events from there on wait safely in the log", f.Position, f.End, behind(f))
	}
	facts(a.stdout, "", "feed", f.Feed, "recipient", f.Recipient, "to", f.To, "state", f.State, "why", f.Why, "since", f.Since,
		"error", f.Error, "attempts", attempt, "generation", fmt.Sprint(f.Generation),
		"stands at", stands,
		"sent", fmt.Sprintf("%s, %s, %s", plural(f.Batches, "batch", "batches"), plural(f.Rows, "row", "rows"), plural(f.Deletes, "delete", "deletes")),
		"last", strings.TrimSpace(f.LastName+" "+f.LastSent), "fetched", fetched, "replies", said, "planned", f.Planned, "left out", skipped)
	if err := printRefusals(a, f); err != nil || len(f.Animals) == 0 {
		return err
	}
	a.printf("\nwhat stays behind:\n")
	s := newSheet("farm", "animal", "state", ">events", ">from", "why")
	for _, b := range f.Animals {
		state := "waits"
		if b.Parked {
			state = "parked"
		}
		if b.Urgent {
			state += ", urgent"
		}
		s.row(b.Farm, b.Subject, state, b.Events, b.First, b.Why)
	}
	return s.print(a.stdout)
}

// printRefusals lists what the recipient got and refused.
func printRefusals(a *app, f *delivery.State) error {
	if len(f.Refusals) == 0 {
		return nil
	}
	a.printf("\nwhat the recipient refused:\n")
	s := newSheet("animal", "event", "why", "and now")
	for _, x := range f.Refusals {
		now := "to be corrected: " + a.hint("correct "+x.ID)
		switch x.State {
		case "waits":
			now = "corrected; the correction is not sent yet"
		case "sent":
			now = "corrected, and sent as " + x.Newer
		case delivery.Confirmed, delivery.Refused:
			now = "corrected, and " + x.State + " as " + x.Newer
		}
		s.row(x.Subject, x.Kind+" "+x.ID, x.Reason, now)
	}
	return s.print(a.stdout)
}

// stands asks for a change of a feed and tells where it then stands.
func (a *app) stands(op string, in feedInput) error {
	return items(a, op, in, func(f delivery.State) error { return printFeed(a, &f) })
}

func (c *feedRewindCommand) Run(a *app) error {
	return a.stands("feed.rewind", feedInput{Feed: c.Feed, To: events.Position(c.To)})
}

func (c *feedPauseCommand) Run(a *app) error {
	return a.stands("feed.pause", feedInput{Feed: c.Feed, Why: c.Why})
}

func (c *feedResumeCommand) Run(a *app) error {
	return a.stands("feed.resume", feedInput{Feed: c.Feed, Gap: c.Gap})
}

func (c *feedReplayCommand) Run(a *app) error {
	return a.stands("feed.replay", feedInput{Feed: c.Feed, Animal: c.Animal, Farm: c.Farm})
}

func (c *feedTestCommand) Run(a *app) error {
	return items(a, "feed.test", feedInput{Feed: c.Feed}, func(raw json.RawMessage) error {
		if c.JSON {
			return a.rawLine(raw)
		}
		var t delivery.Trial
		if err := json.Unmarshal(raw, &t); err != nil {
			return err
		}
		return printTrial(a, &t)
	})
}

func printTrial(a *app, t *delivery.Trial) error {
	reach := t.Reach
	if reach == "" {
		reach = "answers"
	}
	facts(a.stdout, "", "feed", t.Feed, "grants in force", t.Grant, "grants lacking", t.Lacks, "recipient", reach,
		"looked at", plural(t.Events, "event", "events"), "would make", plural(t.Rows, "row", "rows"), "file", t.Name)
	for _, r := range t.Refused {
		a.printf("would be parked: %s\n", safe(r))
	}
	if t.Sample != "" {
		a.printf("\nas it would look:\n")
		for l := range strings.Lines(t.Sample) {
			a.printf("  %s\n", safe(strings.TrimRight(l, "\r\n")))
		}
	}
	a.printf("Nothing was sent.\n")
	return nil
}

// listFeeds is the operation "feed.list".
func (e *engine) listFeeds(ctx context.Context, _ feedInput, emit func(any) error) error {
	list, err := e.feeds.List(ctx)
	for _, f := range list {
		if err := emit(f); err != nil {
			return err
		}
	}
	return err
}

// onFeed makes an operation that changes a feed and tells where it then stands.
func (e *engine) onFeed(change func(context.Context, feedInput) error) func(context.Context, feedInput, func(any) error) error {
	return func(ctx context.Context, in feedInput, emit func(any) error) error {
		if err := change(ctx, in); err != nil {
			return err
		}
		f, err := e.feeds.Show(ctx, in.Feed)
		if err != nil {
			return err
		}
		return emit(f)
	}
}

func (e *engine) showFeed(context.Context, feedInput) error { return nil }
func (e *engine) rewindFeed(ctx context.Context, in feedInput) error {
	return e.feeds.Rewind(ctx, in.Feed, in.To)
}
func (e *engine) pauseFeed(ctx context.Context, in feedInput) error {
	return e.feeds.Pause(ctx, in.Feed, in.Why)
}
func (e *engine) resumeFeed(ctx context.Context, in feedInput) error {
	return e.feeds.Resume(ctx, in.Feed, in.Gap)
}
func (e *engine) replayFeed(ctx context.Context, in feedInput) error {
	_, err := e.feeds.Replay(ctx, in.Feed, in.Animal, in.Farm)
	return err
}

// testFeed is the operation "feed.test".
func (e *engine) testFeed(ctx context.Context, in feedInput, emit func(any) error) error {
	t, err := e.feeds.Test(ctx, in.Feed)
	if err != nil {
		return err
	}
	return emit(t)
}

// fedTo emits what became of an event in each feed.
func (e *engine) fedTo(ctx context.Context, p events.Place, revision int, emit func(any) error) error {
	if e.feeds == nil { // the log is damaged
		return nil
	}
	list, err := e.feeds.Sent(ctx, p)
	if err != nil {
		return err
	}
	for _, s := range list {
		f := e.project.config.Feed(s.Feed)
		if err := emit(traceItem{Fed: &traceFed{s.Feed, f.Recipient, revision, s.State + colon(s.Why)}}); err != nil {
			return err
		}
	}
	return nil
}

// fedSoFar tells where each feed stands.
func (e *engine) fedSoFar(ctx context.Context) (map[string]delivery.State, error) {
	list, err := e.feeds.List(ctx)
	if err != nil {
		return nil, err
	}
	out := map[string]delivery.State{}
	for _, f := range list {
		out[f.Feed] = f
	}
	return out, nil
}

// feedAll delivers what the log holds and tells what each feed then has done
// since before.
func (e *engine) feedAll(ctx context.Context, before map[string]delivery.State, told func(fedItem)) error {
	if !e.follows && slices.ContainsFunc(e.project.config.Feeds, func(f config.Feed) bool { return f.KnownAnimals }) {
		if err := e.herd.CatchUp(ctx); err != nil {
			return err
		}
	}
	deliver := e.feeds.Once
	if e.follows {
		deliver = e.feeds.Now
	}
	derr := deliver(ctx)
	list, err := e.feeds.List(context.WithoutCancel(ctx))
	if err != nil {
		return err
	}
	for _, f := range list {
		was := before[f.Feed]
		told(fedItem{
			Feed: f.Feed, Recipient: f.Recipient, Events: f.Rows + f.Deletes - was.Rows - was.Deletes, Batches: f.Batches - was.Batches,
			Waiting: f.Behind + f.Waiting + f.Parked, Why: aside(&f),
		})
	}
	return derr
}
