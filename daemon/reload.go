package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	httpx "dewclaw/adapters/http"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
)

// reloadCommand has the running daemon read its config and mappings anew. They are
// checked first; with a mistake in them the daemon goes on as it was.
type reloadCommand struct{}

// A configItem tells which config is in force.
type configItem struct {
	Version string `json:"version"` // of the config and its mappings
	Since   string `json:"since,omitempty"`
	Sources int    `json:"sources"`
	Feeds   int    `json:"feeds"`
	Same    bool   `json:"same,omitempty"` // as answer to reload: nothing has changed
}

// reloadPatience is how long the daemon may take to go on with a new config: it
// finishes what it is at, and opens its data folder anew.
const reloadPatience = time.Minute

// startPatience is how long a daemon is waited for that may be starting.
const startPatience = 3 * time.Second

func (c *reloadCommand) Run(a *app) error {
	p, err := a.load()
	if err != nil {
		return err
	}
	want, err := askDaemon(a, p, "reload")
	for end := time.Now().Add(startPatience); errors.Is(err, events.ErrNotFound) && time.Now().Before(end); { // it may be starting
		if err := pause(a.ctx, 50*time.Millisecond); err != nil {
			return err
		}
		want, err = askDaemon(a, p, "reload")
	}
	if err != nil {
		return err
	}
	if want.Same {
		a.printf("config %s is in force already\n", want.Version)
		return nil
	}
	for end := time.Now().Add(reloadPatience); ; {
		got, err := askDaemon(a, p, "config")
		switch {
		case err == nil && got.Version == want.Version:
			a.printf("config %s is in force since %s: %s, %s\n", got.Version, got.Since,
				plural(got.Sources, "source", "sources"), plural(got.Feeds, "feed", "feeds"))
			return nil
		case time.Now().After(end):
			return &events.Fault{
				Kind: events.ErrUnavailable, Who: "reload", What: "config in force", Wanted: want.Version, Got: got.Version + " still", Cause: err,
				Hints: []string{"see what the daemon says"},
			}
		}
		if err := pause(a.ctx, 50*time.Millisecond); err != nil {
			return err
		}
	}
}

// askDaemon asks the running daemon, never the folder.
func askDaemon(a *app, p *project, op string) (item configItem, err error) {
	c, err := a.dial(p)
	if err != nil {
		return item, &events.Fault{
			Kind: events.ErrNotFound, Who: "reload", Where: p.config.Data, What: "no daemon answers on its socket",
			Hints: []string{"a daemon that starts reads the config by itself: " + a.hint("run")},
		}
	}
	err = c.Ask(a.ctx, op, struct{}{}, func(raw json.RawMessage) error { return json.Unmarshal(raw, &item) })
	return item, err
}

// version names a config with its mappings: 12 digits of the SHA-256 of all of
// them.
func (p *project) version() string {
	h := sha256.New()
	h.Write(p.raw)
	for _, path := range slices.Sorted(maps.Keys(p.text)) {
		fmt.Fprintf(h, "\x00%s\x00%d\x00", path, len(p.text[path]))
		h.Write(p.text[path])
	}
	return hex.EncodeToString(h.Sum(nil))[:12]
}

// candidate reads config and mappings anew and checks that a daemon could go on
// with them, and with what instead has in the place of files. The error joins all
// mistakes.
func (d *daemon) candidate(instead map[string][]byte) (*project, error) {
	p, err := d.app.load()
	if err != nil {
		return nil, err
	}
	if err := p.mappings(instead); err != nil {
		return nil, err
	}
	old := d.e.project.config
	if p.config.Data != old.Data || p.config.Log != old.Log {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: "reload", What: "data and log", Wanted: "those the daemon works with", Got: "others",
			Hints: []string{"stop the daemon and start it with the new config"},
		}
	}
	_, err = delivery.New(delivery.Options{Config: p.config, Encoders: encoders, Writers: writers, Getenv: d.e.getenv})
	_, rerr := ruleSettings(p.config.Settings)
	return p, errors.Join(err, rerr, d.canListen(p))
}

// canListen tries the port and the certificate of a config, if they are others.
func (d *daemon) canListen(p *project) error {
	l, was := p.config.Listen, d.e.project.config.Listen
	if l.Address == "" {
		return nil
	}
	o := httpx.ServerOptions{Address: l.Address, Cert: l.Cert, Key: l.Key, Logger: d.e.logger}
	if l.Address == was.Address {
		o.Address = "127.0.0.1:0" // the port is ours; the certificate may be another
	}
	s, err := httpx.Listen(o)
	if err != nil {
		return err
	}
	return s.Close(context.Background())
}

// reload is the operation of that name: the new config comes into force when the
// answer is out.
func (d *daemon) reload(_ context.Context, _ struct{}, emit func(any) error) error {
	p, err := d.candidate(nil)
	if err != nil {
		return err
	}
	item := configItem{Version: p.version(), Sources: len(p.config.Sources), Feeds: len(p.config.Feeds), Same: p.version() == d.e.project.version()}
	if !item.Same {
		select {
		case d.next <- p:
		default:
			return &events.Fault{Kind: events.ErrUnavailable, Who: "reload", What: "another one is under way", Hints: []string{"try again"}}
		}
	}
	return emit(item)
}

// tellConfig is the operation "config".
func (d *daemon) tellConfig(_ context.Context, _ struct{}, emit func(any) error) error {
	c := d.e.project.config
	return emit(configItem{Version: d.e.project.version(), Since: events.FormatTime(d.since), Sources: len(c.Sources), Feeds: len(c.Feeds)})
}

// hangUps reloads at every SIGHUP, as daemons do (common practice, no source), until
// ctx ends.
func (d *daemon) hangUps(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-d.app.hangUp:
		}
		err := d.reload(ctx, struct{}{}, func(item any) error {
			if item.(configItem).Same {
				d.e.logger.Info("config is as it was", "version", item.(configItem).Version)
			}
			return nil
		})
		if err != nil {
			d.e.logger.Error("config is not taken over; the old one stays in force", "version", d.e.project.version(), "why", err.Error(), "hints", events.Hints(err))
		}
	}
}
