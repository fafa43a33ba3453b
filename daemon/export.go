package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"io"
	"path/filepath"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// exportCommand writes every event of the log, all revisions, as CloudEvents,
// one a line: of all farms or of one. With a file it also writes FILE.sha256 in
// the form sha256sum -c reads, and neither is there before it is whole. With
// --whole it writes all there is of one farm, to leave with.
type exportCommand struct {
	Out   string `placeholder:"FILE" type:"path" xor:"to" help:"Write into this file, with its checksum beside it; without it to standard output."`
	Farm  string `placeholder:"FARM" help:"Only of this farm."`
	Whole string `placeholder:"DIR" type:"path" xor:"to" help:"With --farm: a new folder with its events, held records, originals, mappings, code lists and schemas."`
}

// exportQuery is the input of the operation "export".
type exportQuery struct{ Farm string }

// exportItem is one item of its answer.
type exportItem struct {
	Line json.RawMessage `json:"line"`
}

func (c *exportCommand) Run(a *app) error {
	if c.Whole != "" {
		if c.Farm == "" {
			return refuse("--whole: wanted --farm with it: one farm, whole")
		}
		return a.exportFarm(c.Farm, c.Whole)
	}
	if c.Out == "" {
		n, _, err := a.export(a.stdout, c.Farm)
		if err == nil {
			fmt.Fprintf(a.stderr, "%s\n", plural(n, "event", "events"))
		}
		return err
	}
	f, err := pending(c.Out)
	if err != nil {
		return fmt.Errorf("write export: %w: %w", err, events.ErrUnavailable)
	}
	defer f.Cleanup() //nolint:errcheck // what is left of it has no name
	n, sum, err := a.export(f, c.Farm)
	if err != nil {
		return err
	}
	if err := f.CloseAtomicallyReplace(); err != nil {
		return fmt.Errorf("write export: %w: %w", err, events.ErrUnavailable)
	}
	digest := hex.EncodeToString(sum.Sum(nil))
	line := fmt.Sprintf("%s  %s\n", digest, filepath.Base(c.Out))
	if err := replace(c.Out+".sha256", []byte(line), 0o600); err != nil {
		return fmt.Errorf("write checksum: %w: %w", err, events.ErrUnavailable)
	}
	a.printf("%s in %s\nsha256 %s\n", plural(n, "event", "events"), safe(c.Out), digest)
	return nil
}

// A pendingFile takes its name when it is whole, and leaves nothing otherwise.
type pendingFile interface {
	io.Writer
	Cleanup() error
	CloseAtomicallyReplace() error
}

// export writes the events to w and returns how many, and the hash of what was
// written. On a terminal characters that it would obey are escaped.
func (a *app) export(w io.Writer, farm string) (int, hash.Hash, error) {
	sum := sha256.New()
	out := io.MultiWriter(w, sum)
	shown := isTerminal(w)
	p := newProgress(a.stderr, "export", a.now)
	defer p.end()
	n := 0
	err := items(a, "export", exportQuery{farm}, func(i exportItem) error {
		n++
		p.at(int64(n), 0)
		line := []byte(i.Line)
		if shown {
			line = safeJSON(line)
		}
		_, err := out.Write(append(line, '\n'))
		return err
	})
	return n, sum, err
}

// exportEvents is the operation "export".
func (e *engine) exportEvents(ctx context.Context, q exportQuery, emit func(any) error) error {
	if err := e.named(ctx, q.Farm, ""); err != nil {
		return err
	}
	for entry, err := range e.log.Read(ctx, 1) {
		if err != nil {
			return err
		}
		for ev, err := range entry.All() {
			if err != nil {
				return err
			}
			if q.Farm != "" && ev.Farm != q.Farm {
				continue
			}
			if err := emit(exportItem{intake.ExportLine(entry, &ev)}); err != nil {
				return err
			}
		}
	}
	return nil
}
