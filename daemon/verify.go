package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/backup"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/schema/rules"
)

// verifyCommand reads every original of the archive again, works out what must
// have come of it, and holds the log to that. Adding up stored counts would
// prove nothing.
type verifyCommand struct {
	JSON   bool   `name:"json" help:"As one JSON object."`
	Backup string `type:"path" placeholder:"PATH" help:"Verify a backup instead: checksums, chain and, of a folder, the books."`
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
	each := func(i verifyItem) error {
		if report = i.Report; report == nil {
			p.at(int64(i.Done), int64(i.Total))
		}
		return nil
	}
	var err error
	if c.Backup != "" {
		err = a.verifyBackup(a.ctx, c.Backup, each)
	} else {
		err = items(a, "verify", struct{}{}, each)
	}
	p.end()
	if err != nil {
		return err
	}
	if c.Backup != "" && !c.JSON {
		a.printf("%s: every file has its checksum, every entry its place in the chain\n", safe(c.Backup))
	}
	if report == nil {
		return nil
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
		if r.Repeated > 0 {
			a.printf("%s repeat what barns have, byte for byte by their hashes.\n", plural(r.Repeated, "entry", "entries"))
		}
		if r.Returned > 0 {
			a.printf("%s came back from the hub, as they were by their hashes.\n", plural(r.Returned, "entry", "entries"))
		}
		if r.Absent > 0 {
			a.printf("%s named there %s not in this archive: kept at a barn, not here yet, or lost with a data folder.\n",
				plural(r.Absent, "original or mapping", "originals and mappings"), map[bool]string{true: "is", false: "are"}[r.Absent == 1])
		}
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

// backupBooks works out the books of a backup in a folder.
func (a *app) backupBooks(ctx context.Context, path string, b *backup.Backup, each func(verifyItem) error) error {
	settings, err := backupSettings(b)
	if err != nil {
		return err
	}
	tmp, err := os.MkdirTemp("", "dewclaw-verify-")
	if err != nil {
		return fmt.Errorf("verify: %w: %w", err, events.ErrUnavailable)
	}
	defer func() { _ = os.RemoveAll(tmp) }()
	originals, err := archive.OpenReadOnly(filepath.Join(path, archiveFolder))
	if errors.Is(err, events.ErrNotFound) && b.Originals == 0 {
		return nil // nothing was ever read
	}
	if err != nil {
		return err
	}
	report, err := intake.Verify(ctx, intake.VerifyDeps{
		Log: b.View(), Archive: originals, Decoders: decoders, Unpack: unpack, Rules: settings, Dir: tmp,
		Progress: func(done, total int) { _ = each(verifyItem{Done: done, Total: total}) },
	})
	if err != nil {
		return err
	}
	return each(verifyItem{Report: &report})
}

// backupSettings reads the thresholds of the config in a backup: they are part
// of what its records were judged by.
func backupSettings(b *backup.Backup) (*rules.Settings, error) {
	files, err := b.Files()
	if err != nil {
		return nil, err
	}
	for _, f := range files {
		if f.Name != b.Config {
			continue
		}
		c, err := config.Parse(f.Name, f.Data, nil)
		if err != nil {
			return nil, err
		}
		return ruleSettings(c.Settings)
	}
	return rules.Defaults(), nil
}
