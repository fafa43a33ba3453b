package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/adapters/nats"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// Bounds of one batch of messages: one commit, one fsync.
const (
	batchMessages = 512
	batchWait     = 10 * time.Millisecond
	onceWait      = 2 * time.Second // how long "once" waits for a first message
)

// A reader takes what one source hands over: the way in, from the beat next to
// the beat acknowledge. Not for use by several goroutines at once.
type reader struct {
	e       *engine
	config  *config.Source
	source  *intake.Source
	once    bool
	receipt func(intake.Receipt) // told of every original, from the reader's goroutine
	errands *errands             // what others ask of it; may be nil

	open io.Closer // the adapter, once it is open
	from adapters.Source
}

func (e *engine) reader(s *config.Source, once bool, receipt func(intake.Receipt)) *reader {
	return &reader{e: e, config: s, source: e.intakeSource(s.ID), once: once, receipt: receipt}
}

func (r *reader) part() string { return "source " + r.config.ID }

// run takes originals until ctx ends or, with once, nothing waits any more. What
// is unavailable is tried again with back-off; the state is told once. It
// returns an error only if intake must stop: stored bytes are damaged, or a bug;
// with once also what could not be taken.
func (r *reader) run(ctx context.Context) error {
	defer r.errands.end(errReaderOver)
	wait := backoff{first: time.Second, most: r.config.Again}
	finished := false
	var missed error // once: a file that was not taken is not handed over again
	for {
		err := r.runErrands(ctx)
		asked, cancel := r.errands.until(ctx)
		if err == nil && !finished {
			if err = r.finish(ctx); err == nil {
				finished = true
			}
		}
		look, stop := asked, func() {}
		if r.config.HTTP != nil && r.e.health.wrong(r.part()) != "" { // the next body may come tomorrow
			look, stop = context.WithTimeout(asked, min(wait.next(), mostBetweenLooks))
		}
		if err == nil {
			err = r.next(ctx, look)
		}
		woken := asked.Err() != nil && ctx.Err() == nil // by somebody who asks
		idle := look.Err() != nil && !woken
		stop()
		cancel()
		switch {
		case err == nil:
			r.e.health.say(r.part(), nil)
			wait.reset()
			continue
		case errors.Is(err, io.EOF):
			return missed
		case ctx.Err() != nil:
			return nil
		case woken && errors.Is(err, context.Canceled):
			continue
		case idle && errors.Is(err, context.DeadlineExceeded) && !r.once:
			if r.e.takes(ctx) == nil {
				r.e.health.say(r.part(), nil)
				wait.reset()
			}
			continue
		case errors.Is(err, events.ErrCorrupt), !errors.Is(err, events.ErrUnavailable):
			r.e.health.fail(r.part(), err)
			return fmt.Errorf("%s: %w", r.part(), err)
		}
		r.e.health.say(r.part(), err)
		if r.once && wait.tries >= 2 {
			return err
		}
		if r.once && r.config.Folder != "" && r.from != nil {
			missed = err
		}
		asked, cancel = r.errands.until(ctx)
		perr := pause(asked, wait.next())
		cancel()
		if perr != nil && ctx.Err() != nil {
			return nil
		}
	}
}

// mostBetweenLooks bounds how long a source whose next body cannot be foreseen is
// told to be out of order after what stopped it has passed.
const mostBetweenLooks = 10 * time.Second

// takes returns nil if an entry and its original could be written now: the log
// answers, and the disk has room for a small file.
func (e *engine) takes(ctx context.Context) error {
	if err := e.log.Refresh(ctx); err != nil {
		return err
	}
	if err := os.MkdirAll(e.data("tmp"), 0o700); err != nil {
		return err
	}
	f, err := os.CreateTemp(e.data("tmp"), "room-*")
	if err != nil {
		return err
	}
	_, err = f.Write(make([]byte, 64<<10))
	return errors.Join(err, f.Sync(), f.Close(), os.Remove(f.Name()))
}

// finish takes to their ends the originals a crash left half read, of this daemon
// or of the one that had the source before.
func (r *reader) finish(ctx context.Context) error {
	if err := r.e.upToDate(ctx); err != nil {
		return err
	}
	receipts, err := r.e.intake.Finish(ctx, r.source)
	for _, c := range receipts {
		r.receipt(c)
	}
	return err
}

// upToDate brings the index up to what other daemons have appended: what was heard
// of them may be behind when a source changes hands.
func (e *engine) upToDate(ctx context.Context) error {
	if err := e.log.Refresh(ctx); err != nil {
		return err
	}
	return e.intake.CatchUp(ctx)
}

// next takes one original, or one batch of messages. It waits under wait and
// works under ctx. A source that must count anew is opened anew.
func (r *reader) next(ctx, wait context.Context) error {
	err := r.nextOf(ctx, wait)
	if errors.Is(err, intake.ErrRecount) {
		err = errors.Join(err, r.close())
		r.from, r.open = nil, nil
	}
	return err
}

func (r *reader) nextOf(ctx, wait context.Context) error {
	if r.from == nil {
		if err := r.connect(); err != nil {
			return err
		}
	}
	if r.once && r.config.Folder == "" {
		short, cancel := context.WithTimeout(ctx, onceWait)
		defer cancel()
		err := r.take(ctx, short)
		if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
			return io.EOF
		}
		return err
	}
	return r.take(ctx, wait)
}

// take waits under wait and works under ctx: a commit is not cut short because
// nothing more came.
func (r *reader) take(ctx, wait context.Context) error {
	if b, ok := r.from.(adapters.Batcher); ok {
		r.e.beat("next")
		list, err := b.NextBatch(wait, batchMessages, batchWait)
		if err != nil {
			return err
		}
		c, err := r.e.intake.TakeBatch(ctx, r.source, list)
		if err == nil {
			r.receipt(c)
		}
		return err
	}
	r.e.beat("next")
	d, err := r.from.Next(wait)
	if err != nil {
		return err
	}
	c, err := r.e.intake.Take(ctx, r.source, d, intake.Options{Progress: r.e.progress(d)})
	if err == nil {
		r.receipt(c)
	}
	return err
}

// connect opens the adapter.
func (r *reader) connect() error {
	switch {
	case r.config.Stream != nil:
		return r.adopt(r.stream())
	case r.config.MQTT != nil:
		return r.adopt(r.mqtt())
	case r.config.Watermill != nil:
		return r.adopt(r.watermill())
	case r.config.Devices != nil:
		return r.onPort()
	case r.config.HTTP != nil && r.once:
		return io.EOF // nobody can ask
	case r.config.HTTP != nil:
		r.from = r.e.bodies[r.config.ID] // which closes it
		return nil
	default:
		return r.adopt(r.folder())
	}
}

// adopt keeps an adapter that was opened.
func (r *reader) adopt(s interface {
	adapters.Source
	io.Closer
}, err error) error {
	if err == nil {
		r.from, r.open = s, s
	}
	return err
}

func (r *reader) folder() (*folder.Source, error) {
	c := r.config
	return folder.Open(folder.Options{
		Who: r.part(), Dir: c.Folder, Patterns: c.Files, Recursive: c.Below, Rest: max(c.Rest, 1), Scan: c.Scan, // 0s in the config is no time; 0 would be the default
		After: folderAfter[c.After], MoveTo: c.MoveTo, Once: r.once, Now: r.e.now,
		Known: func(f folder.File) bool {
			archive, err := r.e.index.File(c.ID, f.Name, f.Size, f.Modified.UnixNano())
			return err == nil && archive != ""
		},
		Report: r.tell,
	})
}

var folderAfter = map[config.After]folder.After{config.Keep: folder.Keep, config.Move: folder.Move, config.Delete: folder.Delete}

func (r *reader) stream() (*nats.Source, error) {
	s := r.config.Stream
	return nats.OpenSource(nats.SourceOptions{
		Who: r.part(), Server: natsServer(&s.Server, "dewclaw source "+r.config.ID, r.e.getenv),
		Stream: s.Stream, Subject: s.Subject, Durable: s.Consumer,
		After: func(stream string) (uint64, bool) {
			n, known, err := r.e.index.Newest(r.config.ID, stream)
			return n, known && err == nil
		},
		Report: r.tell,
	})
}

func natsServer(s *config.Server, name string, getenv func(string) string) nats.Server {
	return nats.Server{
		URL: s.URL, Name: name, Creds: s.Creds, NKey: s.NKey, User: nats.Secret(s.User), Password: nats.Secret(s.Password),
		Token: nats.Secret(s.Token), CA: s.CA, Cert: s.Cert, Key: s.Key, Getenv: getenv,
	}
}

// login is how the log shows its server who it is.
func (e *engine) login(s *config.Server) streamlog.Login {
	value := func(of config.Secret) func() (string, error) {
		if of.IsZero() {
			return nil
		}
		return func() (string, error) {
			b, err := of.Value(e.getenv, os.ReadFile)
			return string(b), err
		}
	}
	return streamlog.Login{
		Creds: s.Creds, NKey: s.NKey, User: value(s.User), Password: value(s.Password), Token: value(s.Token),
		CA: s.CA, Cert: s.Cert, Key: s.Key,
	}
}

// tell is for what people should know of a source; it spoils nothing.
func (r *reader) tell(f *events.Fault) {
	r.e.logger.Warn("source has something to say", "source", r.config.ID, "what", f.Error(), "hints", f.Hints)
}

func (r *reader) close() error {
	if r.open == nil {
		return nil
	}
	return r.open.Close()
}

// fileDelivery is one file handed over by name, to be read as new.
func fileDelivery(s *config.Source, path string, now time.Time) (*adapters.Delivery, error) {
	st, err := os.Stat(path)
	if err != nil || !st.Mode().IsRegular() {
		return nil, &events.Fault{
			Kind: events.ErrNotFound, Who: "source " + s.ID, Where: path, What: "file to read again", Wanted: "a file that is there", Got: "none",
		}
	}
	name := filepath.Base(path)
	if rel, err := filepath.Rel(s.Folder, path); err == nil && filepath.IsLocal(rel) {
		name = filepath.ToSlash(rel)
	}
	return &adapters.Delivery{
		Name: name, Received: now, Modified: st.ModTime(), Size: st.Size(),
		Open:   func(context.Context) (io.ReadCloser, error) { return os.Open(path) },
		Settle: func(context.Context, adapters.Verdict) error { return nil },
	}, nil
}

// logReceipt tells the log of a daemon what became of one original.
func logReceipt(l *slog.Logger, r intake.Receipt) {
	attrs := []any{"source", r.Source, "name", r.Name, "archive", r.Archive, "counts", r.Counts.String()}
	switch {
	case r.Known:
		l.Debug("read before, nothing changed", attrs...)
	case r.Counts.Held > 0:
		l.Warn("taken, with held records", append(attrs, "hint", "dewclaw held list")...)
	default:
		l.Info("taken", attrs...)
	}
	for _, n := range r.Notices {
		l.Warn("notice", "source", r.Source, "name", r.Name, "what", n)
	}
}
