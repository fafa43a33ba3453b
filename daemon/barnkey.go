package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

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
		public, public, safe(c.File))
	return nil
}
