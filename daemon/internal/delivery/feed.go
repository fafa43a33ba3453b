package delivery

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// How a feed behaves when something does not answer, and how often it looks
// again by itself.
const (
	firstWait    = time.Second
	longestWait  = 5 * time.Minute
	onceAttempts = 3
	saveTimeout  = 30 * time.Second
	lookAgain    = time.Minute // for animals that have become known, and for grants
)

// A feed delivers to one recipient. Whoever holds turn owns everything below it.
type feed struct {
	d      *Desk
	cfg    *config.Feed
	store  store
	log    *slog.Logger
	lawyer *lawyer
	layout *layout
	wake   chan struct{}
	turn   chan struct{} // one token: who has it may change the feed

	loaded  bool
	state   state
	history history
	attic   *attic
	sink    adapters.Sink
	stream  *stream
	view    view      // of stream and batch
	batch   *batch    // in the making
	ready   *shipment // of state.Plan
	again   bool      // state.Plan comes from an earlier run: its bytes may differ
	known   map[string]bool
	looked  time.Time // when known animals were looked for
	roster  bool      // a roster statement went by since
	herdAt  events.Position
	fetched fetched                // of a feed that is fetched
	outrun  map[events.Entity]bool // of which a revision went while another waits: see tidy
	tidied  bool                   // all that stays behind was looked at since the start

	attempt int
	retry   time.Time
	failure error

	mu        sync.Mutex // guards what follows
	wanted    int        // commands that want their turn
	interrupt context.CancelFunc
	shown     State
	stood     standing

	ours    atomic.Bool // it is this daemon's to run, and it does
	replies replies     // has a lock of its own
}

func newFeed(d *Desk, cfg *config.Feed) (*feed, error) {
	f := &feed{
		d: d, cfg: cfg, store: store{d.o.Bucket, cfg.ID}, log: d.o.Logger.With("feed", cfg.ID),
		wake: make(chan struct{}, 1), turn: make(chan struct{}, 1), known: map[string]bool{}, outrun: map[events.Entity]bool{},
	}
	f.turn <- struct{}{}
	var source []byte
	var err error
	if cfg.Format == config.Mapped {
		if source, err = d.o.ReadFile(cfg.Mapping); err != nil {
			return nil, &events.Fault{Kind: events.ErrInvalid, Who: "feed " + cfg.ID, Where: cfg.Mapping, What: "mapping", Wanted: "a file that can be read", Cause: err}
		}
	}
	if f.layout, err = newLayout(&d.o, cfg, source); err != nil {
		return nil, err
	}
	kinds := f.layout.kinds(cfg.Kinds)
	if w := f.layout.writer; w != nil {
		for _, k := range kinds {
			if !slices.Contains(w.Kinds(), k) {
				return nil, &events.Fault{
					Kind: events.ErrInvalid, Who: "feed " + cfg.ID, What: "kinds",
					Wanted: fmt.Sprintf("kinds that %s has a form for: %v", cfg.Format, w.Kinds()), Got: string(k),
				}
			}
		}
	}
	switch {
	case len(kinds) == 0:
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: "feed " + cfg.ID, Where: cfg.Mapping, What: "kinds", Wanted: "one of the feed's kinds", Got: "others only"}
	case f.layout.byExamination() && !slices.Contains(kinds, events.KindExamination):
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: "feed " + cfg.ID, What: "kinds", Wanted: "examination among them, because a row is an examination", Got: fmt.Sprint(kinds),
		}
	}
	if f.lawyer, err = newLawyer(d.o.Config, cfg, kinds); err == nil && f.layout.writer != nil {
		f.lawyer.form = cfg.Format
	}
	return f, err
}

func (f *feed) now() time.Time { return f.d.o.Now() }

// poke lets the feed look again soon.
func (f *feed) poke() {
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// take waits for the feed's turn. Who only looks does not interrupt what runs.
func (f *feed) take(ctx context.Context, interrupt bool) error {
	if interrupt {
		f.want(1)
		defer f.want(-1)
	}
	select {
	case <-f.turn:
		return nil
	case <-ctx.Done():
		return &events.Fault{
			Kind: events.ErrUnavailable, Who: "feed " + f.cfg.ID, What: "it is busy sending and does not stop", Cause: ctx.Err(),
			Hints: []string{"try again"},
		}
	}
}

// want counts who wants to interrupt, and does so.
func (f *feed) want(n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.wanted += n; f.wanted > 0 && f.interrupt != nil {
		f.interrupt()
	}
}

func (f *feed) give() { f.turn <- struct{}{} }

// run works until ctx ends; with once until there is nothing to do.
func (f *feed) run(ctx context.Context, once bool) error {
	defer f.shut()
	f.retry, f.attempt = time.Time{}, 0
	for {
		p := f.round(ctx, once)
		switch {
		case ctx.Err() != nil:
			return nil
		case p.err != nil:
			return p.err
		case p.idle && once:
			return nil
		case !p.idle:
			continue
		}
		var timer <-chan time.Time
		if p.wait > 0 {
			timer = f.d.o.After(p.wait)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-f.wake:
		case <-timer:
		}
	}
}

// shut lets go of what a run held open.
func (f *feed) shut() {
	if f.take(context.Background(), false) != nil {
		return
	}
	defer f.give()
	f.reset()
	f.ready = nil
	f.closeSink()
}

// A pass says what a step of a feed came to.
type pass struct {
	idle bool          // nothing to do now
	wait time.Duration // until when; 0 until something happens
	err  error         // ends the feed
}

// round does one step in the feed's turn and weighs its error.
func (f *feed) round(ctx context.Context, once bool) pass {
	if f.take(ctx, false) != nil {
		return pass{}
	}
	defer f.give()
	if f.d.o.Hold != nil && !f.ours.Load() { // another daemon runs it
		return pass{idle: true}
	}
	step, cancel := context.WithCancel(ctx)
	defer cancel()
	f.mu.Lock()
	if f.interrupt = cancel; f.wanted > 0 {
		cancel()
	}
	f.mu.Unlock()
	p, err := f.step(ctx, step, once)
	switch {
	case ctx.Err() != nil:
	case err == nil:
		if f.failure != nil && f.attempt > 0 && f.state.Plan == nil {
			f.log.Info("feed delivers again")
			f.failure, f.attempt = nil, 0
		}
	case f.changedElsewhere(err):
		f.log.Warn("another daemon has gone on with the feed; it is read again where it stands", "error", err)
		p = f.backOff(err, once)
	case step.Err() != nil: // a command wants its turn
	case errors.Is(err, events.ErrCorrupt):
		f.failure = err
		f.log.Error("feed stops: stored bytes are damaged", "error", err)
		p.err = f.who(err)
	case errors.Is(err, events.ErrUnavailable):
		p = f.backOff(err, once)
	default:
		f.failure = err
		f.log.Error("feed stops", "error", err)
		p.err = f.who(err)
	}
	f.show()
	return p
}

// who names the feed in an error that does not say.
func (f *feed) who(err error) error {
	var fault *events.Fault
	if errors.As(err, &fault) && fault.Who != "" {
		return err
	}
	return fmt.Errorf("feed %s: %w", f.cfg.ID, err)
}

// backOff waits twice as long after each failure, up to a ceiling.
func (f *feed) backOff(err error, once bool) pass {
	f.attempt++
	f.closeSink()
	wait := min(firstWait<<min(f.attempt-1, 20), longestWait)
	wait += time.Duration(float64(wait) / 4 * f.d.o.Jitter())
	f.retry = f.now().Add(wait)
	changed := f.failure == nil || f.attempt == 1 || f.failure.Error() != err.Error()
	f.failure = err
	if once && f.attempt >= onceAttempts {
		return pass{err: f.trouble(wait, true)}
	}
	if changed {
		f.log.Warn(f.trouble(wait, false).Error())
	}
	return pass{idle: !once, wait: wait}
}

// trouble says what could not be done and that nothing is lost.
func (f *feed) trouble(wait time.Duration, last bool) error {
	what := "go on from position"
	if p := f.state.Plan; p != nil {
		what = fmt.Sprintf("send %s from position", count(p.Rows, "row"))
	}
	next := "next in " + wait.Round(time.Second/10).String()
	if last {
		next = "the last"
	}
	end, _ := f.d.o.Log.Last()
	behind := 0
	if end >= f.state.Cursor.Position {
		behind = int(end-f.state.Cursor.Position) + 1
	}
	return &events.Fault{
		Kind: events.ErrUnavailable, Who: "feed " + f.cfg.ID,
		What: fmt.Sprintf("%s %d: %v; attempt %d, %s; %s safely",
			what, f.state.Cursor.Position, f.failure, f.attempt, next, waiting(behind)),
		Hints: append(events.Hints(f.failure), "dewclaw feed show "+f.cfg.ID+"; to check the way: dewclaw feed test "+f.cfg.ID),
	}
}

// waiting tells how many entries wait.
func waiting(n int) string {
	if n == 1 {
		return "1 entry of the log waits"
	}
	return fmt.Sprint(n, " entries of the log wait")
}

// count writes a number with its noun.
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprint(n, " ", noun, "s")
}

func (f *feed) closeSink() {
	if f.sink == nil {
		return
	}
	if err := f.sink.Close(); err != nil {
		f.log.Warn("close the way to the recipient", "error", err)
	}
	f.sink = nil
}

// reset throws away what was made from the log and not planned.
func (f *feed) reset() {
	if f.stream != nil {
		f.stream.close()
		f.stream = nil
	}
	f.batch = nil
}
