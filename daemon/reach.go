package main

import (
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"dewclaw/daemon/internal/api"
	"dewclaw/events"
)

// ask runs the operation name: in the daemon that holds the data folder if one
// answers, else in this process on the folder itself. Both go through the same
// table; the caller cannot tell which it was.
func (a *app) ask(name string, in any, each func(json.RawMessage) error) error {
	p, err := a.load()
	if err != nil {
		return err
	}
	if c, err := a.dial(p); err == nil {
		return c.Ask(a.ctx, name, in, each)
	}
	if _, err := os.Stat(p.config.Data); errors.Is(err, fs.ErrNotExist) {
		return &events.Fault{
			Kind: events.ErrNotFound, Where: p.config.Data, What: "no data folder yet: nothing was read so far",
			Hints: []string{"read what waits: " + a.hint("once"), "or start the daemon: " + a.hint("run")},
		}
	}
	e, err := a.openPatiently(p, openOptions{level: slog.LevelWarn})
	if errors.Is(err, events.ErrLocked) {
		// A daemon that was just starting may answer by now.
		if c, derr := a.dial(p); derr == nil {
			return c.Ask(a.ctx, name, in, each)
		}
	}
	if err != nil {
		return a.held(p, err)
	}
	err = e.operations().Ask(a.ctx, name, in, each)
	return errors.Join(err, e.close(context.WithoutCancel(a.ctx)))
}

// dial finds the daemon of the data folder, which answers only who goes by its config.
func (a *app) dial(p *project) (*api.Client, error) {
	c, err := api.Dial(a.ctx, p.config.Data)
	if err != nil {
		return nil, err
	}
	return c.As(whereIs(p.config.Path)), nil
}

// whereIs returns the absolute path of a file, without symbolic links if they can be followed.
func whereIs(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	return path
}

// admits refuses who asks by another config than the daemon works by: they would be
// answered by other sources, feeds and farms than they named.
func (d *daemon) admits(config string) error {
	own := whereIs(d.e.project.config.Path)
	if config == own {
		return nil
	}
	a, aerr := os.Stat(config)
	b, berr := os.Stat(own)
	if aerr == nil && berr == nil && os.SameFile(a, b) {
		return nil
	}
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "config", Where: config, What: "data",
		Wanted: "a data folder in which no daemon works by another config", Got: d.e.project.config.Data + ", whose daemon works by " + own,
		Hints: []string{
			"nothing was done; to ask that daemon: dewclaw --config " + shellQuote(own) + " COMMAND",
			"for another herd, name another folder as data in " + config,
		},
	}
}

// items asks for an operation and decodes its items.
func items[T any](a *app, name string, in any, each func(T) error) error {
	return a.ask(name, in, func(raw json.RawMessage) error {
		var item T
		if err := json.Unmarshal(raw, &item); err != nil {
			return err
		}
		return each(item)
	})
}

// hint returns a command of ours as it can be pasted, with the config it needs.
func (a *app) hint(command string) string {
	if a.config == "dewclaw.yaml" {
		return a.self + " " + command
	}
	return a.self + " --config " + shellQuote(a.config) + " " + command
}

// lockPatience is how long a folder that is held may stay so: another command,
// which ends soon, may have it.
const lockPatience = 3 * time.Second

// openPatiently opens the data folder like open, and waits a moment for another
// command to let go of it. It does not wait for a daemon that answers.
func (a *app) openPatiently(p *project, o openOptions) (*engine, error) {
	for end := time.Now().Add(lockPatience); ; {
		e, err := a.open(p, o)
		if !errors.Is(err, events.ErrLocked) || time.Now().After(end) {
			return e, err
		}
		if _, derr := api.Dial(a.ctx, p.config.Data); derr == nil {
			return nil, err
		}
		if pause(a.ctx, 50*time.Millisecond) != nil {
			return nil, err
		}
	}
}

// held explains that the data folder is in use; other errors stay as they are.
func (a *app) held(p *project, err error) error {
	if !errors.Is(err, events.ErrLocked) {
		return err
	}
	f := &events.Fault{Kind: events.ErrLocked, Where: p.config.Data, Cause: err}
	if _, derr := api.Dial(a.ctx, p.config.Data); derr == nil {
		f.What = "data folder: a daemon works in it and reads by itself"
		f.Hints = []string{"see what it does: " + a.hint("feed list"), "or stop it first"}
		return f
	}
	f.What = "data folder: another process holds it and no daemon answers on its socket"
	f.Hints = []string{"a command that is just running (once, demo, verify) will end: try again", "a daemon that hangs: stop it; what it had committed stands"}
	return f
}
