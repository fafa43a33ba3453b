package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
	"path/filepath"

	"github.com/google/renameio/v2"

	"dewclaw/events"
)

// exportCommand writes every event of the log, all revisions, as CloudEvents,
// one a line. With a file it also writes FILE.sha256 in the form sha256sum -c
// reads, and neither is there before it is whole.
type exportCommand struct {
	Out string `placeholder:"FILE" type:"path" help:"Write into this file, with its checksum beside it; without it to standard output."`
}

func (c *exportCommand) Run(a *app) error {
	if c.Out == "" {
		n, _, err := a.export(a.stdout)
		if err == nil {
			fmt.Fprintf(a.stderr, "%s\n", plural(n, "event", "events"))
		}
		return err
	}
	f, err := renameio.NewPendingFile(c.Out, renameio.WithPermissions(0o600))
	if err != nil {
		return fmt.Errorf("write export: %w: %w", err, events.ErrUnavailable)
	}
	defer f.Cleanup()
	n, sum, err := a.export(f)
	if err != nil {
		return err
	}
	if err := f.CloseAtomicallyReplace(); err != nil {
		return fmt.Errorf("write export: %w: %w", err, events.ErrUnavailable)
	}
	digest := hex.EncodeToString(sum.Sum(nil))
	line := fmt.Sprintf("%s  %s\n", digest, filepath.Base(c.Out))
	if err := renameio.WriteFile(c.Out+".sha256", []byte(line), 0o600); err != nil {
		return fmt.Errorf("write checksum: %w: %w", err, events.ErrUnavailable)
	}
	a.printf("%s in %s\nsha256 %s\n", plural(n, "event", "events"), safe(c.Out), digest)
	return nil
}

// export writes the events to w and returns how many, and the hash of what was
// written.
func (a *app) export(w io.Writer) (int, hash.Hash, error) {
	sum := sha256.New()
	out := io.MultiWriter(w, sum)
	p := newProgress(a.stderr, "export", a.now)
	defer p.end()
	n := 0
	err := items(a, "events", eventsQuery{}, func(i eventItem) error {
		n++
		p.at(int64(n), 0)
		_, err := out.Write(append([]byte(i.Event), '\n'))
		return err
	})
	return n, sum, err
}
