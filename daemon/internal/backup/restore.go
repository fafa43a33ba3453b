package backup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"

	"dewclaw/daemon/internal/archive"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// RestoreOptions say what becomes of a backup.
type RestoreOptions struct {
	LogDir     string          // becomes the log folder; there must be none
	ArchiveDir string          // becomes the archive
	Through    events.Position // the last entry that is taken; 0 for all of them
	Adjust     func(v Values, end events.Position) (Values, error)
	Now        func() time.Time
	Logger     *slog.Logger
	Progress   func(what string, done, total int) // may be nil
	Beat       func(name string)                  // may be nil
}

// A Restored says what was made.
type Restored struct {
	Position  events.Position
	Hash      string
	Time      string // when its newest entry was made
	Originals int
	Missing   []string // originals that entries name and the backup lacks
}

// Restore fills a folder with log, archive and cursors up to o.Through. What is
// in the folder counts only when Restore has returned: see [Place]. Everything is
// held to its checksums on the way. Errors are of kind corrupt for a backup that
// is not what was written, invalid for a position it does not have, unavailable
// for the disk.
func (b *Backup) Restore(ctx context.Context, o RestoreOptions) (*Restored, error) {
	if o.Beat == nil {
		o.Beat = func(string) {}
	}
	if o.Progress == nil {
		o.Progress = func(string, int, int) {}
	}
	if o.Through == 0 {
		o.Through = b.Position
	}
	if o.Through > b.Position {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: "restore", Where: b.path, What: "position", Wanted: fmt.Sprintf("1 to %d", b.Position), Got: fmt.Sprint(o.Through),
		}
	}
	r := &Restored{Hash: events.NoEntry}
	values, err := b.Values()
	if err == nil && o.Adjust != nil {
		values, err = o.Adjust(values, o.Through)
	}
	if err != nil {
		return nil, err
	}
	if err := b.restoreArchive(ctx, &o, r); err != nil {
		return nil, err
	}
	return r, b.restoreLog(ctx, &o, r, values)
}

// restoreArchive puts the originals that are named up to o.Through into the archive.
func (b *Backup) restoreArchive(ctx context.Context, o *RestoreOptions, r *Restored) error {
	o.Beat(BeatArchive)
	want := map[string]bool{}
	for body, err := range b.Bodies(ctx, o.Through) {
		if err != nil {
			return err
		}
		e, err := events.ParseEntry(body)
		if err != nil {
			return err
		}
		for _, h := range e.Originals() {
			if b.sums[blobPath(h)] != "" || !e.Elsewhere() {
				want[h] = true
			}
		}
		r.Position, r.Hash, r.Time = e.At, events.EntryHash(body), e.Time
	}
	a, err := archive.Open(o.ArchiveDir)
	if err != nil {
		return err
	}
	for i, h := range slices.Sorted(maps.Keys(want)) {
		if b.sums[blobPath(h)] == "" {
			r.Missing = append(r.Missing, h)
			continue
		}
		if err := b.original(ctx, a, h); err != nil {
			return err
		}
		r.Originals++
		o.Progress("originals", i+1, len(want))
	}
	return nil
}

func (b *Backup) original(ctx context.Context, a *archive.Archive, hash string) error {
	name := blobPath(hash)
	f, _, err := b.store.open(name)
	if err != nil {
		return b.lost(name, err)
	}
	defer f.Close()
	got, _, err := a.Put(ctx, f)
	if err == nil && got != hash {
		err = corrupt(filepath.Join(b.path, name), "original", "the sum "+hash, got)
	}
	return err
}

// restoreLog makes the log, then the buckets beside it.
func (b *Backup) restoreLog(ctx context.Context, o *RestoreOptions, r *Restored, values Values) (err error) {
	o.Beat(BeatLog)
	n := 0
	l, err := streamlog.Restore(ctx, streamlog.Options{Dir: o.LogDir, Now: o.Now, Logger: o.Logger}, b.Log, func(yield func([]byte, error) bool) {
		for body, err := range b.Bodies(ctx, o.Through) {
			if !yield(body, err) {
				return
			}
			n++
			o.Progress("entries", n, int(o.Through))
		}
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Close()) }()
	if at, hash := l.Last(); at != r.Position || hash != r.Hash {
		return corrupt(b.path, "restored log", fmt.Sprintf("its end at %d %s", r.Position, r.Hash), fmt.Sprintf("%d %s", at, hash))
	}
	o.Beat(BeatCursors)
	for _, name := range slices.Sorted(maps.Keys(values)) {
		bucket, err := l.Bucket(ctx, name)
		if err != nil {
			return err
		}
		for _, key := range slices.Sorted(maps.Keys(values[name])) {
			if err := bucket.Put(ctx, key, values[name][key]); err != nil {
				return err
			}
		}
	}
	return nil
}

// Building is the end of the name of a folder that is being restored.
const Building = ".restoring"

// Begin makes the folder in which what will be dir is built, and removes what was
// left there by one that was cut short. dir itself must be empty or not there:
// the error is of kind invalid. who is the command, for messages.
func Begin(who, dir string) (building string, err error) {
	list, err := os.ReadDir(dir)
	switch {
	case err == nil && len(list) > 0:
		return "", &events.Fault{
			Kind: events.ErrInvalid, Who: who, Where: dir, What: "where to", Wanted: "a folder that is empty or not there", Got: "one with files in it",
			Hints: []string{"nothing was changed; to put this one away: mv " + dir + " " + dir + ".before"},
		}
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return "", unavailable(dir, "read the folder", err)
	}
	building = dir + Building
	if err := os.RemoveAll(building); err != nil {
		return "", unavailable(building, "remove what was left half made", err)
	}
	if err := os.MkdirAll(building, 0o700); err != nil {
		return "", unavailable(building, "make the folder", err)
	}
	return building, nil
}

// Place gives what was built its name, when all of it is on the disk.
func Place(building, dir string) error {
	err := filepath.WalkDir(building, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() || d.Type().IsRegular() {
			return syncFolder(p)
		}
		return nil
	})
	if err == nil {
		err = errors.Join(os.Rename(building, dir), syncFolder(filepath.Dir(dir)))
	}
	if err != nil {
		return unavailable(dir, "put what was made in its place", err)
	}
	return nil
}

// EndAt returns the newest position of which it and all before it were made at t
// or earlier; 0 if the first is later.
func (b *Backup) EndAt(ctx context.Context, t time.Time) (events.Position, error) {
	end := events.Position(0)
	for body, err := range b.Bodies(ctx, b.Position) {
		if err != nil {
			return 0, err
		}
		e, err := events.ParseEntry(body)
		if err != nil {
			return 0, err
		}
		made, err := time.Parse(time.RFC3339, e.Time)
		if err != nil {
			return 0, corrupt(b.path, fmt.Sprintf("entry %d", e.At), "a time", fmt.Sprintf("%q", e.Time))
		}
		if made.After(t) {
			break
		}
		end = e.At
	}
	return end, nil
}
