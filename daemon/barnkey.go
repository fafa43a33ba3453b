package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// barnKeyCommand makes the key by which a hub knows a barn. The secret stays at the
// barn; the hub's config has the public part.
type barnKeyCommand struct {
	File string `arg:"" help:"Where the secret goes; there must be no such file yet."`
}

func (c *barnKeyCommand) Run(a *app) error {
	seed, public, err := streamlog.NewBarnKey()
	if err != nil {
		return err
	}
	f, err := os.OpenFile(c.File, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return &events.Fault{Kind: events.ErrInvalid, Who: "barn-key", Where: c.File, What: "file", Wanted: "none yet", Got: "one that is there"}
	}
	if err != nil {
		return fmt.Errorf("make %s: %w: %w", c.File, err, events.ErrUnavailable)
	}
	_, err = f.Write(append(seed, '\n'))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w: %w", c.File, err, events.ErrUnavailable)
	}
	a.printf("%s\n\nThis is the public part. In the hub's config, under hub.barns: ID: {farms: [FARM], nkey: %s}\nIn the barn's, under hub: nkey: %s\n",
		public, public, safe(a.fromConfig(c.File)))
	return nil
}

// fromConfig names a file as the config names it: from its own folder, if the
// file lies in there or beside it.
func (a *app) fromConfig(path string) string {
	dir, err := filepath.Abs(a.dir())
	if err != nil {
		return path
	}
	whole, err := filepath.Abs(path)
	if err != nil {
		return path
	}
	if _, err := os.Stat(filepath.Join(filepath.Dir(whole), filepath.Base(a.config))); err == nil {
		return filepath.Base(whole) // a config stands beside the key: it is that one's
	}
	if rel, err := filepath.Rel(dir, whole); err == nil {
		return rel
	}
	return whole
}
