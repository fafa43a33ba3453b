package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"dewclaw/daemon/internal/backup"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
)

// restoreCommand makes a data folder of a backup: that of the config, which must
// not be there, or with --into a whole project with config and mappings.
type restoreCommand struct {
	Backup string `arg:"" type:"path" help:"A backup: a folder or a .tar file."`
	Into   string `type:"path" placeholder:"DIR" help:"Make a new folder with config, mappings and data; without it the data folder of the config is made."`
	To     string `placeholder:"POSITION|TIME" help:"Only up to this log position, or to the last entry made by this time (RFC 3339)."`
	Moved  bool   `help:"Nothing ran after the backup, as when it moves to another machine: feeds go on; else each waits for feed resume."`
}

func (c *restoreCommand) Run(a *app) (err error) {
	if c.Moved && c.To != "" {
		return refuse("--moved: wanted the whole backup, got --to "+c.To, "what was behind that may have been sent: without --moved each feed waits for feed resume")
	}
	b, err := backup.Open(c.Backup)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	through, err := c.through(a, b)
	if err != nil {
		return err
	}
	r := &restoring{app: a, backup: b, through: through, moved: c.Moved}
	if c.Into != "" {
		return r.project(c.Into)
	}
	return r.data()
}

// through reads --to.
func (c *restoreCommand) through(a *app, b *backup.Backup) (events.Position, error) {
	if c.To == "" {
		return b.Position, nil
	}
	if n, err := strconv.ParseUint(c.To, 10, 64); err == nil && n > 0 {
		return events.Position(n), nil
	}
	t, err := time.Parse(time.RFC3339, c.To)
	if err != nil {
		return 0, refuse(fmt.Sprintf("--to: wanted a log position from 1 or a time such as 2026-03-02T18:00:00Z, got %q", c.To))
	}
	end, err := b.EndAt(a.ctx, t)
	if err == nil && end == 0 {
		err = &events.Fault{Kind: events.ErrInvalid, Who: "restore", What: "--to", Wanted: "a time at or after the first entry", Got: c.To}
	}
	return end, err
}

// A restoring is one restore under way.
type restoring struct {
	app     *app
	backup  *backup.Backup
	through events.Position
	moved   bool          // nothing ran after the backup
	feeds   []config.Feed // of the config
	halted  []delivery.Halted
}

// data restores the data folder of the config.
func (r *restoring) data() error {
	p, err := r.app.load()
	if err != nil {
		return err
	}
	if p.config.Log.URL != "" {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "restore", Where: p.config.Path, What: "log.url", Wanted: "none: a log is restored into the data folder", Got: p.config.Log.URL,
			Hints: []string{"a stream of a NATS server is restored with the means of that server; or restore beside it: " + r.app.self + " restore BACKUP --into DIR"},
		}
	}
	dir := p.config.Data
	r.feeds = p.config.Feeds
	building, err := backup.Begin("restore", dir)
	if err != nil {
		return err
	}
	done, err := r.fill(building)
	if err != nil {
		return err
	}
	if err := r.place(building, dir); err != nil {
		return err
	}
	r.tell(done, dir, p.config, r.app)
	return nil
}

// project restores a whole folder: config and mappings as they were, and data.
func (r *restoring) project(dir string) error {
	building, err := backup.Begin("restore", dir)
	if err != nil {
		return err
	}
	files, err := r.backup.Files()
	if err != nil {
		return err
	}
	for _, f := range files {
		name := filepath.Join(building, filepath.FromSlash(f.Name)) // checked to stay below by Open
		if err := errors.Join(os.MkdirAll(filepath.Dir(name), 0o700), os.WriteFile(name, f.Data, 0o600)); err != nil {
			return fmt.Errorf("write config: %w: %w", err, events.ErrUnavailable)
		}
	}
	cfg, rel := r.where(building)
	if cfg != nil {
		r.feeds = cfg.Feeds
	}
	done, err := r.fill(filepath.Join(building, rel))
	if err != nil {
		return err
	}
	if err := r.place(building, dir); err != nil {
		return err
	}
	there := *r.app
	there.config = filepath.Join(dir, r.backup.Config)
	r.tell(done, dir, cfg, &there)
	if cfg == nil || cfg.Data != filepath.Join(building, rel) {
		r.app.printf("the config names another data folder: set data: %s in it, or DEWCLAW_DATA\n", rel)
	}
	return nil
}

// where returns the config as it was, nil if it cannot be read here, and the
// data folder below the new folder.
func (r *restoring) where(building string) (*config.Config, string) {
	if r.backup.Config == "" {
		return nil, "data"
	}
	cfg, err := config.Load(filepath.Join(building, r.backup.Config), func(string) string { return "" })
	if err != nil {
		return nil, "data"
	}
	if rel, err := filepath.Rel(building, cfg.Data); err == nil && filepath.IsLocal(rel) && rel != "." {
		return cfg, rel
	}
	return cfg, "data"
}

// fill makes log, archive and cursors below dir.
func (r *restoring) fill(dir string) (*backup.Restored, error) {
	a := r.app
	p := newProgress(a.stderr, "restore", a.now)
	defer p.end()
	return r.backup.Restore(a.ctx, backup.RestoreOptions{
		LogDir: filepath.Join(dir, logFolder), ArchiveDir: filepath.Join(dir, archiveFolder), Through: r.through,
		Adjust: r.adjust, Now: a.now, Logger: a.logger(slog.LevelWarn), Beat: a.beats,
		Progress: func(_ string, done, total int) { p.at(int64(done), int64(total)) },
	})
}

// adjust makes the cursors of feeds fit the end of the log.
func (r *restoring) adjust(v backup.Values, end events.Position) (backup.Values, error) {
	feeds, halted, err := delivery.Restored(v[bucketName], delivery.RestoredOptions{End: end, Now: r.app.now(), Feeds: r.feeds, Moved: r.moved})
	r.halted = halted
	return backup.Values{bucketName: feeds}, err
}

func (r *restoring) place(building, dir string) error {
	if r.app.beats != nil {
		r.app.beats(backup.BeatRename)
	}
	return backup.Place(building, dir)
}

// tell says what was made and what a person must know before it runs.
func (r *restoring) tell(done *backup.Restored, dir string, cfg *config.Config, there *app) {
	a := r.app
	a.printf("restored log %s up to position %d of %d in %s\n", r.backup.Log, done.Position, r.backup.Position, safe(dir))
	facts(a.stdout, "  ", "newest entry", done.Time, "originals", fmt.Sprint(done.Originals))
	if n := len(done.Missing); n > 0 {
		a.printf("%s not in the backup, the first is %s\n", plural(n, "original that entries name is", "originals that entries name are"), done.Missing[0])
	}
	r.tellFeeds(there)
	a.printf("What was read after that entry is not in here: put those files into the folders of their sources again; what is known changes nothing.\n")
	if cfg != nil && cfg.Hub.URL != "" {
		a.printf("This is a barn with a hub. If it ran after this backup, do not start it so: the hub refuses a log that goes on from an older point, and takes nothing more of it. "+
			"Put the data folder aside and start with an empty one and the same key: the hub gives back the log: %s\n", there.hint("run"))
	}
	if cfg != nil {
		for _, s := range cfg.Sources {
			if s.Stream != nil {
				a.printf("source %s: the server will not send again what was acknowledged since: delete consumer %s there, and all is sent; what is known changes nothing\n",
					safe(s.ID), safe(s.Stream.Consumer))
			}
		}
	}
	a.printf("Let only one of two copies run: each would send to the recipients.\nto prove the books: %s\n", there.hint("verify"))
}

// tellFeeds says which feeds wait, and what recipients may have got.
func (r *restoring) tellFeeds(there *app) {
	a := r.app
	for _, h := range r.halted {
		if h.Ahead {
			a.printf("feed %s had sent up to position %d: it is paused at the end of the log; the recipient may have events that are no longer in it\n", safe(h.Feed), h.From)
		} else {
			a.printf("feed %s is paused at position %d; the recipient may have more\n", safe(h.Feed), h.From)
		}
		a.printf("hint: to go on from there: %s; to send everything once more first: %s\n", there.hint("feed resume "+h.Feed), there.hint("feed rewind "+h.Feed+" --to 1"))
	}
	if r.moved || len(r.halted) == 0 {
		return
	}
	a.printf("What was sent after that entry is no longer in the log, and its ids may be given out again with other content: tell recipients who keep events, before their feed goes on.\n")
	a.printf("If nothing ran after the backup, as in a move to another machine, restore it with --moved: feeds then go on by themselves.\n")
}

// verifyBackup holds a backup to its checksums and, if it is a folder, works out
// its books again.
func (a *app) verifyBackup(ctx context.Context, path string, each func(verifyItem) error) (err error) {
	b, err := backup.Open(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, b.Close()) }()
	if err := b.Check(ctx, func(done, total int) { _ = each(verifyItem{Done: done, Total: total}) }); err != nil {
		return err
	}
	if fi, serr := os.Stat(path); serr == nil && fi.IsDir() {
		return a.backupBooks(ctx, path, b, each)
	}
	return nil
}
