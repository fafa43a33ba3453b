package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/renameio/v2"

	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// This file is the barn's end of what flows back from its hub.

// takenBucket keeps beside the log of a barn what it has taken of each give.
const takenBucket = "taken"

// takeEvery is how often the barn asks the hub for what is new.
const takeEvery = 5 * time.Second

// mostMapping bounds a mapping that the hub gives.
const mostMapping = 1 << 20

// A taken is what the barn has of one give.
type taken struct {
	After   string `json:"after,omitempty"`   // name of the newest file
	SHA256  string `json:"sha256,omitempty"`  // of the newest file
	Refused string `json:"refused,omitempty"` // SHA-256 of a mapping that was not taken; another one is tried
	Time    string `json:"time,omitempty"`
}

// takes takes what the hub has for this barn until ctx ends.
func (d *daemon) takes(ctx context.Context) error {
	bucket, err := d.e.log.Bucket(ctx, takenBucket)
	if err != nil {
		return err
	}
	list := d.e.project.config.Hub.Takes
	for {
		for i := range list {
			if !d.e.log.HubLinked() {
				break
			}
			x := &list[i]
			err := d.take(ctx, bucket, x)
			if ctx.Err() != nil {
				return nil
			}
			d.e.health.say("take "+x.ID, err)
		}
		if pause(ctx, takeEvery) != nil {
			return nil
		}
	}
}

// take takes all that is new of one give.
func (d *daemon) take(ctx context.Context, bucket *streamlog.Bucket, x *config.Take) error {
	var have taken
	b, err := bucket.Get(ctx, x.ID)
	if err == nil {
		err = json.Unmarshal(b, &have)
	}
	if err != nil && !errors.Is(err, events.ErrNotFound) {
		return err
	}
	for {
		var o fileOffer
		if err := d.askFor(ctx, askFile, fileQuery{x.ID, have.After, have.SHA256}, &o); err != nil {
			return err
		}
		if o.Name == "" {
			return nil
		}
		if o.SHA256 == have.Refused {
			return &events.Fault{
				Kind: events.ErrInvalid, Who: "hub", Where: o.Name, What: "mapping", Wanted: "one that this daemon can go on with", Got: "SHA-256 " + o.SHA256 + ", which was refused",
				Hints: []string{"the old one stays in force; the mistake was told when it was refused; put the mapping right at the hub"},
			}
		}
		if o.Name != filepath.Base(o.Name) || strings.HasPrefix(o.Name, ".") || !filepath.IsLocal(o.Name) {
			return fmt.Errorf("file %q of the hub: wanted a name without a path: %w", o.Name, events.ErrInvalid)
		}
		now := taken{After: o.Name, SHA256: o.SHA256, Time: events.FormatTime(d.e.now())}
		var ferr error
		if x.Mapping != "" {
			ferr = d.takeMapping(ctx, x, &o)
		} else {
			ferr = d.takeFile(ctx, x, &o)
		}
		note := tookNote{Give: x.ID, Name: o.Name, SHA256: o.SHA256}
		if ferr != nil {
			if x.Mapping == "" || !errors.Is(ferr, events.ErrInvalid) {
				return ferr
			}
			note.Fault = ferr.Error()
			now = have
			now.Refused = o.SHA256
			d.e.logger.Error("a mapping of the hub is not taken over; the old one stays in force", "take", x.ID, "sha256", o.SHA256, "why", note.Fault, "hints", events.Hints(ferr))
		} else {
			d.e.logger.Info("taken from the hub", "take", x.ID, "name", o.Name, "sha256", o.SHA256)
		}
		if b, err = json.Marshal(now); err != nil {
			return err
		}
		if err := bucket.Put(ctx, x.ID, b); err != nil {
			return err
		}
		have = now
		if err := d.askFor(ctx, askTook, note, &struct{}{}); err != nil { // what was taken holds all the same
			d.e.logger.Warn("the hub was not told what became of what it gave", "take", x.ID, "sha256", o.SHA256, "why", err.Error())
		}
		if x.Mapping != "" {
			if ferr == nil {
				return d.useMapping(ctx)
			}
			return ferr
		}
	}
}

func (d *daemon) askFor(ctx context.Context, what string, q, out any) error {
	b, err := json.Marshal(q)
	if err != nil {
		return err
	}
	if b, err = d.e.log.AskHub(ctx, what, b); err != nil {
		return err
	}
	return json.Unmarshal(b, out)
}

// fetch writes the bytes of an offer to w, and holds them to size and hash.
func (d *daemon) fetch(ctx context.Context, give string, o *fileOffer, w io.Writer) error {
	h := sha256.New()
	for at := int64(0); at < o.Size; {
		q, err := json.Marshal(partQuery{give, o.Name, at})
		if err != nil {
			return err
		}
		b, err := d.e.log.AskHub(ctx, askPart, q)
		if err != nil {
			return err
		}
		if len(b) == 0 {
			break
		}
		h.Write(b)
		if _, err := w.Write(b); err != nil {
			return fmt.Errorf("keep %s: %w: %w", o.Name, err, events.ErrUnavailable)
		}
		at += int64(len(b))
	}
	if got := hex.EncodeToString(h.Sum(nil)); got != o.SHA256 {
		return &events.Fault{
			Kind: events.ErrUnavailable, Who: "take " + give, Where: o.Name, What: "file of the hub", Wanted: "SHA-256 " + o.SHA256, Got: got,
			Hints: []string{"nothing was kept of it; it is fetched again"},
		}
	}
	return nil
}

// takeFile puts a file into the folder of a take, whole or not at all. One that is
// there already under the name stays.
func (d *daemon) takeFile(ctx context.Context, x *config.Take, o *fileOffer) error {
	path := filepath.Join(x.Folder, o.Name)
	if _, err := os.Lstat(path); err == nil {
		return nil
	} else if !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("look at %s: %w: %w", path, err, events.ErrUnavailable)
	}
	f, err := renameio.NewPendingFile(path, renameio.WithPermissions(0o640))
	if err != nil {
		return fmt.Errorf("write %s: %w: %w", path, err, events.ErrUnavailable)
	}
	defer func() { _ = f.Cleanup() }()
	if err := d.fetch(ctx, x.ID, o, f); err != nil {
		return err
	}
	if err := f.CloseAtomicallyReplace(); err != nil {
		return fmt.Errorf("write %s: %w: %w", path, err, events.ErrUnavailable)
	}
	return nil
}

// takeMapping puts a mapping in the place of the one before if it is right and the
// daemon could go on with it; until then the file stays as it is. The error is of
// kind invalid if the mapping is to blame, and unavailable if it may be tried again.
func (d *daemon) takeMapping(ctx context.Context, x *config.Take, o *fileOffer) error {
	if o.Size > mostMapping {
		return fmt.Errorf("mapping %s: wanted at most %d bytes, got %d: %w", o.Name, mostMapping, o.Size, events.ErrInvalid)
	}
	var text bytes.Buffer
	if err := d.fetch(ctx, x.ID, o, &text); err != nil {
		return err
	}
	m, err := mapping.ParseInward(x.Mapping, text.Bytes())
	if err != nil {
		return fmt.Errorf("%w: %w", err, events.ErrInvalid)
	}
	for _, s := range d.e.project.config.Sources {
		if s.Mapping != x.Mapping {
			continue
		}
		if err := agreeOnFarm(&s, m); err != nil {
			return err
		}
	}
	if _, err := d.candidate(map[string][]byte{x.Mapping: text.Bytes()}); err != nil {
		return &events.Fault{ // not of kind invalid: the mapping is right, and is tried again
			Kind: events.ErrUnavailable, Who: "take " + x.ID, Where: o.Name, What: "mapping waits", Wanted: "config and other mappings without a mistake", Got: err.Error(),
			Hints: events.Hints(err),
		}
	}
	if err := renameio.WriteFile(x.Mapping, text.Bytes(), 0o640); err != nil {
		return fmt.Errorf("write %s: %w: %w", x.Mapping, err, events.ErrUnavailable)
	}
	return nil
}

// useMapping has the daemon go on with the mapping that was taken.
func (d *daemon) useMapping(ctx context.Context) error {
	err := d.reload(ctx, struct{}{}, func(any) error { return nil })
	if err != nil {
		d.e.logger.Warn("the mapping comes into force at the next reload", "why", err.Error())
	}
	return nil
}
