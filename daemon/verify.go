package main

import (
	"context"
	"fmt"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// verifyCommand reads every original of the archive again, works out what must
// have come of it, and holds the log to that. Adding up stored counts would
// prove nothing.
type verifyCommand struct {
	JSON bool `name:"json" help:"As one JSON object."`
}

// verifyItem is one item of the answer: progress, or the report at the end.
type verifyItem struct {
	Done   int            `json:"done,omitempty"`
	Total  int            `json:"total,omitempty"`
	Report *intake.Report `json:"report,omitempty"`
}

func (c *verifyCommand) Run(a *app) error {
	p := newProgress(a.stderr, "verify", a.now)
	var report *intake.Report
	err := items(a, "verify", struct{}{}, func(i verifyItem) error {
		if report = i.Report; report == nil {
			p.at(int64(i.Done), int64(i.Total))
		}
		return nil
	})
	p.end()
	if err != nil || report == nil {
		return err
	}
	if c.JSON {
		if err := a.line(report); err != nil {
			return err
		}
	} else {
		printReport(a, report)
	}
	return damaged(report)
}

func printReport(a *app, r *intake.Report) {
	a.printf("%s, %s, %s\n", plural(r.Entries, "entry", "entries"), plural(r.Events, "event", "events"), plural(r.Originals, "original", "originals"))
	a.printf("%v\n", r.Counts)
	if len(r.Differences) == 0 {
		a.printf("The books balance: every original was read again from the archive and gave what the log says.\n")
		return
	}
	for _, d := range r.Differences {
		where := fmt.Sprintf("log position %d", d.Position)
		if d.Name != "" {
			where += ", " + d.Name
		}
		if d.Line > 0 {
			where += fmt.Sprintf(" line %d", d.Line)
		}
		a.printf("%s\n", safe((&events.Fault{Who: d.Source, Where: where, What: d.What, Wanted: d.Wanted, Got: d.Got}).Error()))
	}
	if r.More > 0 {
		a.printf("and %d more\n", r.More)
	}
}

// damaged makes an error of differences.
func damaged(r *intake.Report) error {
	if n := len(r.Differences) + r.More; n > 0 {
		return &events.Fault{
			Kind: events.ErrCorrupt, Who: "verify", What: plural(n, "difference", "differences") + " between the archive and the log",
			Hints: []string{"keep the data folder as it is; what is whole can be read: dewclaw events, dewclaw trace, dewclaw export"},
		}
	}
	return nil
}

// verify is the operation "verify".
func (e *engine) verify(ctx context.Context, _ struct{}, emit func(any) error) error {
	report, err := intake.Verify(ctx, intake.VerifyDeps{
		Log: e.log, Archive: e.archive, Decoders: decoders, Unpack: unpack, Rules: e.rules, Dir: e.data("tmp"),
		Progress: func(done, total int) { _ = emit(verifyItem{Done: done, Total: total}) },
	})
	if err != nil {
		return err
	}
	return emit(verifyItem{Report: &report})
}
