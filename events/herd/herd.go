package herd

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"os"
	"strconv"
	"sync"
	"time"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A Log is what the herd follows.
type Log interface {
	// ID returns the id of the log.
	ID() string
	// Last returns the newest acknowledged position, 0 if there is none, and the
	// hash of its entry.
	Last() (events.Position, string)
	// Read yields the entries from a position to the newest one at the time of
	// the call, in order. It ends with the first error.
	Read(ctx context.Context, from events.Position) iter.Seq2[*events.Entry, error]
	// Wait blocks until Last is behind a position, or ctx ends.
	Wait(ctx context.Context, after events.Position) error
}

// Options say where the herd is and how it counts.
type Options struct {
	Path     string            // file of the read model; its folder must exist
	Log      Log               // the truth
	GapDays  int               // see [Case]; 0 is 42
	Now      func() time.Time  // for how often progress is told; nil is never
	Logger   *slog.Logger      // nil is none
	Progress func(Progress)    // called while much is read, about twice a second; may be nil
	Beat     func(name string) // told when a beat begins; may be nil
}

// The beats of following the log, as [Options.Beat] names them. A crash in any of
// them leaves a file that is built anew, or goes on from what it committed.
const (
	BeatRead   = "herd-read"   // a stretch of entries is applied
	BeatSettle = "herd-settle" // what follows from them is worked out
	BeatCommit = "herd-commit" // both are committed
	BeatFinish = "herd-finish" // a file that was built becomes the one that queries read
)

// Beats returns all of them, in their order.
func Beats() []string { return []string{BeatRead, BeatSettle, BeatCommit, BeatFinish} }

// DefaultGapDays is the gap of [Case] where none is set (common practice, no source).
const DefaultGapDays = 42

// Progress tells how far a herd is.
type Progress struct {
	At, Last events.Position
	Events   int  // events read since the beginning of this run
	Building bool // the read model is being built anew
	Working  bool // everything is read; what follows from it is being worked out
}

// A Herd is the read model of one log. Its queries may be used by any number of
// goroutines, beside one that calls CatchUp or Follow.
type Herd struct {
	o Options

	following sync.Mutex // held by CatchUp and Follow
	w         *db
	f         *follower

	mu     sync.Mutex
	reader *reader // nil while the file is being built
	at     events.Position
	news   chan struct{} // closed when at moves
	closed bool
	bad    bool   // a query found the file damaged
	wake   func() // ends the wait of Follow; nil if it does not wait
}

// Open takes hold of the read model. A file that is missing, damaged, of another
// log, ahead of its log or of another form is thrown away; the first CatchUp or
// Follow builds it anew. Errors are of kind [events.ErrInvalid] for options that
// make no sense and [events.ErrUnavailable] if the file cannot be used. It
// starts no goroutine; a file has one Herd at a time, which the lock of the data
// folder sees to.
func Open(ctx context.Context, o Options) (*Herd, error) {
	if o.GapDays == 0 {
		o.GapDays = DefaultGapDays
	}
	if o.GapDays < 1 {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: "herd", What: "gap between records of one case", Wanted: "28, 42 or 60 days, or another number from 1", Got: fmt.Sprint(o.GapDays)}
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Beat == nil {
		o.Beat = func(string) {}
	}
	h := &Herd{o: o, news: make(chan struct{})}
	why, err := h.take(ctx)
	if err == nil && why != "" {
		o.Logger.Info("the herd is built anew", "why", why)
		err = h.anew()
	}
	if err != nil {
		return nil, errors.Join(err, h.Close())
	}
	return h, nil
}

// settings tells what the results of a file depend on beside the log.
func (h *Herd) settings() string {
	return fmt.Sprintf("form %d, gap %d, lesions %d, kinds %v", form, h.o.GapDays, codes.Lesions().Version, events.Kinds())
}

// Pragmas of a file that is whole, and of one that is being built: that one is
// thrown away if anything happens. Caches are small because the whole process
// must stay below 300 MiB; what does not fit, the operating system's cache has.
var (
	wholePragmas = []string{"journal_mode=wal", "synchronous=normal", "cache_size=-12288", "wal_autocheckpoint=4000", "busy_timeout=10000"}
	buildPragmas = []string{"page_size=8192", "journal_mode=off", "synchronous=off", "cache_size=-24576", "locking_mode=exclusive"}
)

// take opens the file as it is. why is not empty if it must be built anew.
func (h *Herd) take(ctx context.Context) (why string, err error) {
	info, err := os.Stat(h.o.Path)
	if errors.Is(err, os.ErrNotExist) {
		return "there is no file", nil
	}
	if err != nil {
		return "", fmt.Errorf("herd: %w: %w", err, events.ErrUnavailable)
	}
	w, err := openDB(h.o.Path, wholePragmas...)
	if err == nil {
		h.w = w
		why, err = h.inspect(ctx, info.Size())
	}
	if errors.Is(err, errDamaged) {
		return "the file is damaged", nil
	}
	if err != nil || why != "" {
		return why, err
	}
	return "", h.whole()
}

// checkBelow is the size up to which a file that was not closed is checked whole
// when it is opened (5 GB took some 5 s). SQLite brings it back to its last commit
// in any case; damage that has another cause is found by the query that meets it.
const checkBelow = 256 << 20

// inspect tells why the file cannot be used, or "".
func (h *Herd) inspect(ctx context.Context, size int64) (string, error) {
	var n int64
	row, err := h.w.prepared("SELECT count(*) FROM sqlite_schema WHERE name='meta'").first()
	if err != nil {
		return "", err
	}
	if n = intOf(row[0]); n == 0 {
		return "the file is empty", nil
	}
	meta := map[string]string{}
	err = h.w.prepared("SELECT key, value FROM meta").each(func(row []value) error {
		meta[textOf(row[0])] = textOf(row[1])
		return nil
	})
	if err != nil {
		return "", err
	}
	position, _ := strconv.ParseUint(meta[metaPosition], 10, 63)
	at := events.Position(position)
	last, _ := h.o.Log.Last()
	switch {
	case meta[metaForm] != h.settings():
		return "the file has another form or settings", nil
	case meta[metaLog] != h.o.Log.ID():
		return "the file belongs to another log", nil
	case meta[metaBuilt] != "yes":
		return "the file was not finished", nil
	case at > last:
		return "the file is ahead of the log", nil
	}
	if meta[metaClean] != "yes" && size < checkBelow {
		row, err := h.w.prepared("PRAGMA quick_check(1)").first()
		if err != nil || len(row) == 0 || textOf(row[0]) != "ok" {
			return "the file was not closed and is damaged", nil
		}
	}
	same, err := h.sameEntry(ctx, at, meta[metaEntry])
	if err == nil && !same {
		return "the log went another way since", nil
	}
	return "", err
}

// sameEntry reports whether the entry at a position is the one the file read.
func (h *Herd) sameEntry(ctx context.Context, at events.Position, mark string) (bool, error) {
	if at == 0 {
		return true, nil
	}
	for e, err := range h.o.Log.Read(ctx, at) {
		if err != nil {
			return false, err
		}
		return entryMark(e) == mark, nil
	}
	return false, nil
}

// whole makes the open file the one that queries read.
func (h *Herd) whole() error {
	f, err := newFollower(h.w, false)
	if err != nil {
		return err
	}
	position, err := h.w.meta(metaPosition)
	if err != nil {
		return err
	}
	n, _ := strconv.ParseUint(position, 10, 63)
	if err := h.w.setMeta(metaClean, "no"); err != nil {
		return err
	}
	reader, err := openReader(h.o.Path)
	if err != nil {
		return err
	}
	h.f = f
	h.mu.Lock()
	defer h.mu.Unlock()
	h.reader = reader
	h.move(events.Position(n))
	return nil
}

// move notes a new position; mu is held.
func (h *Herd) move(at events.Position) {
	if at == h.at {
		return
	}
	h.at = at
	close(h.news)
	h.news = make(chan struct{})
}

// anew throws the file away and begins another.
func (h *Herd) anew() error {
	if err := h.letGo(); err != nil {
		h.o.Logger.Debug("close what is thrown away", "error", err)
	}
	h.mu.Lock()
	h.at = 0
	h.mu.Unlock()
	for _, suffix := range []string{"", "-wal", "-shm", "-journal"} {
		if err := os.Remove(h.o.Path + suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("herd: remove %s: %w: %w", h.o.Path+suffix, err, events.ErrUnavailable)
		}
	}
	w, err := openDB(h.o.Path, buildPragmas...)
	if err != nil {
		return err
	}
	h.w = w
	if err := w.script(context.Background(), schema); err != nil {
		return err
	}
	for key, value := range map[string]string{metaForm: h.settings(), metaLog: h.o.Log.ID(), metaPosition: "0", metaBuilt: "no", metaClean: "no"} {
		if err := w.setMeta(key, value); err != nil {
			return err
		}
	}
	h.f, err = newFollower(w, true)
	return err
}

// finish turns a file that is built into one that is whole.
func (h *Herd) finish() error {
	h.o.Beat(BeatFinish)
	if err := h.w.setMeta(metaBuilt, "yes"); err != nil {
		return err
	}
	if err := h.w.close(); err != nil {
		return err
	}
	h.w = nil
	if err := syncFile(h.o.Path); err != nil {
		return err
	}
	w, err := openDB(h.o.Path, wholePragmas...)
	if err != nil {
		return err
	}
	h.w = w
	return h.whole()
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err == nil {
		err = errors.Join(f.Sync(), f.Close())
	}
	if err != nil {
		return fmt.Errorf("herd: %w: %w", err, events.ErrUnavailable)
	}
	return nil
}

// letGo closes what is open.
func (h *Herd) letGo() error {
	h.mu.Lock()
	reader := h.reader
	h.reader = nil
	h.mu.Unlock()
	var err error
	if reader != nil {
		err = reader.close()
	}
	if h.w != nil {
		h.w.rollback()
		err = errors.Join(err, h.w.close())
		h.w = nil
	}
	return err
}

// At returns the newest position that queries see; 0 while the herd is being
// built.
func (h *Herd) At() events.Position {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.at
}

// WaitFor blocks until queries see a position, or ctx ends; then it returns the
// error of ctx. After Close it returns an error of kind [events.ErrUnavailable].
func (h *Herd) WaitFor(ctx context.Context, position events.Position) error {
	for {
		h.mu.Lock()
		at, news, closed := h.at, h.news, h.closed
		h.mu.Unlock()
		if at >= position && (position > 0 || h.ready()) {
			return nil
		}
		if closed {
			return fmt.Errorf("herd: closed at log position %d: %w", at, events.ErrUnavailable)
		}
		select {
		case <-news:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// spoiled notes that a query found the file damaged, if err says so: whoever
// follows builds it anew.
func (h *Herd) spoiled(err error) error {
	if errors.Is(err, errDamaged) {
		h.mu.Lock()
		h.bad = true
		if h.wake != nil {
			h.wake()
		}
		h.mu.Unlock()
	}
	return err
}

func (h *Herd) ready() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.reader != nil
}

// Close lets the file go. It waits for a running CatchUp or Follow, which the
// caller ends by its context, and ends open views.
func (h *Herd) Close() error {
	h.following.Lock()
	defer h.following.Unlock()
	var err error
	if h.w != nil && h.ready() {
		err = h.w.setMeta(metaClean, "yes")
	}
	err = errors.Join(err, h.letGo())
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.closed {
		h.closed = true
		close(h.news)
	}
	return err
}
