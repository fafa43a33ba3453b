package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"

	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/backup"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/events/streamlog"
)

// importCommand makes the data folder of the config of what another log
// exported: the same entities, revisions and contents.
type importCommand struct {
	File      string `arg:"" type:"path" help:"A file that export wrote, with FILE.sha256 beside it."`
	Unchecked bool   `help:"Take a file without a checksum beside it."`
}

func (c *importCommand) Run(a *app) error {
	p, err := a.load()
	if err != nil {
		return err
	}
	if p.config.Log.URL != "" {
		return &events.Fault{Kind: events.ErrInvalid, Who: "import", Where: p.config.Path, What: "log.url", Wanted: "none: a log is imported into the data folder", Got: p.config.Log.URL}
	}
	if err := c.checksum(); err != nil {
		return err
	}
	building, err := backup.Begin("import", p.config.Data)
	if err != nil {
		return err
	}
	done, err := c.into(a, p, building)
	if err != nil {
		return errors.Join(err, os.RemoveAll(building))
	}
	if err := backup.Place(building, p.config.Data); err != nil {
		return err
	}
	a.printf("%s in %s, from %s\n", plural(done.Events, "event", "events"), plural(done.Entries, "entry", "entries"), safe(c.File))
	a.printf("Not in an export: held records, originals and which of them were read, where complete sources stand. For those: %s\nto hold the log to the file: %s\n",
		a.hint("restore BACKUP"), a.hint("verify"))
	return nil
}

// checksum holds the file to the checksum beside it.
func (c *importCommand) checksum() error {
	b, err := os.ReadFile(c.File + ".sha256")
	if errors.Is(err, fs.ErrNotExist) && c.Unchecked {
		return nil
	}
	if err != nil {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "import", Where: c.File + ".sha256", What: "checksum", Wanted: "the file that export wrote beside it", Got: "none that can be read",
			Hints: []string{"copy it too; or, if nothing can have changed the file on its way: --unchecked"},
		}
	}
	want, _, _ := strings.Cut(string(b), " ")
	f, err := os.Open(c.File)
	if err != nil {
		return fmt.Errorf("read %s: %w: %w", c.File, err, events.ErrUnavailable)
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return fmt.Errorf("read %s: %w: %w", c.File, err, events.ErrUnavailable)
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != want {
		return &events.Fault{
			Kind: events.ErrCorrupt, Who: "import", Where: c.File, What: "checksum", Wanted: want, Got: got,
			Hints: []string{"the file is not what was exported: copy it again; nothing was imported"},
		}
	}
	return nil
}

// into imports into a folder that is not yet the data folder.
func (c *importCommand) into(a *app, p *project, dir string) (done *intake.Imported, err error) {
	f, err := os.Open(c.File)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w: %w", c.File, err, events.ErrUnavailable)
	}
	defer f.Close()
	l, err := streamlog.Open(a.ctx, streamlog.Options{Dir: filepath.Join(dir, logFolder), Now: a.now, Logger: a.logger(slog.LevelWarn)})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	store, err := archive.Open(filepath.Join(dir, archiveFolder))
	if err != nil {
		return nil, err
	}
	ix, err := index.Open(context.WithoutCancel(a.ctx), index.Options{Path: filepath.Join(dir, filepath.FromSlash(indexFile)), Log: l, Now: a.now})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, ix.Close()) }()
	bar := newProgress(a.stderr, "import: events", a.now)
	defer bar.end()
	return intake.Import(a.ctx, intake.ImportDeps{
		Log: l, Index: ix, Archive: store, Name: filepath.Base(c.File), Beat: a.beats,
		Progress: func(n int) { bar.at(int64(n), 0) },
		Farm:     func(id string) bool { return p.config.Farm(id) != nil },
	}, f)
}
