package delivery

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// A Knower answers whether a roster knows an animal: herd.Herd.
type Knower interface {
	// Known reports whether the identifiers name exactly one animal of a roster
	// of the farm on the day, YYYY-MM-DD or "".
	Known(ctx context.Context, farm string, ids []events.Identifier, day string) (bool, error)
	// WaitFor blocks until Known has seen the entry at p.
	WaitFor(ctx context.Context, p events.Position) error
}

// The beats of the way out, as [Options.Beat] names them when they begin.
const (
	BeatRead = "read" // a batch is made from the log
	BeatPlan = "plan" // its range is stored
	BeatSend = "send" // it is sent
	BeatSave = "save" // the cursor is stored
)

// Beats lists the beats of the way out in their order.
func Beats() []string { return []string{BeatRead, BeatPlan, BeatSend, BeatSave} }

// Options say what a [Desk] works with. Config must be set, and Encoders for
// mappings; whoever does more than [New] sets Log, Bucket and Sink too, and Known
// if a feed waits for known animals.
type Options struct {
	Config *config.Config
	Log    Log
	Bucket Bucket
	Finder Finder // for mappings that look at examination or visit; nil: they are found within one entry only
	Known  Knower

	// Sink opens the way to the recipient of a feed. It is called from the
	// feed's own goroutine, again after each failure, and may block.
	Sink     func(ctx context.Context, f *config.Feed) (adapters.Sink, error)
	Encoders map[string]adapters.NewEncoder // by format: csv, json, ndjson
	Writers  map[config.Format]WriterMaker  // by format; for formats that are of another standard

	// Hold waits until this daemon is the one that runs a feed, and returns a context
	// that ends when it no longer is, and what gives the feed back. nil: it is the
	// only one. The bucket must then write over nothing it has not read.
	Hold func(ctx context.Context, feed string) (held context.Context, release func(), err error)
	// Elsewhere returns the name of the daemon that runs a feed if it is another
	// one, else "". nil: there is no other.
	Elsewhere func(ctx context.Context, feed string) (string, error)

	Now         func() time.Time                       // nil means time.Now
	After       func(d time.Duration) <-chan time.Time // nil means time.After
	Jitter      func() float64                         // 0 to 1; nil means no jitter
	ReadFile    func(name string) ([]byte, error)      // mappings and keys; nil means os.ReadFile
	Getenv      func(string) string                    // keys; nil means none
	Logger      *slog.Logger                           // nil means none
	SendTimeout time.Duration                          // of one send; 0 means 2 minutes
	Beat        func(name string)                      // told when a beat begins; may be nil
}

// A Desk delivers: it runs the feeds of a config. All methods are safe for use
// by several goroutines at once.
type Desk struct {
	o     Options
	feeds []*feed

	mu      sync.Mutex
	running bool
}

// New compiles the feeds of the config. It opens nothing but the mappings and
// starts nothing. The error joins every mistake, each of kind invalid.
func New(o Options) (*Desk, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.After == nil {
		o.After = time.After
	}
	if o.Jitter == nil {
		o.Jitter = func() float64 { return 0 }
	}
	if o.ReadFile == nil {
		o.ReadFile = os.ReadFile
	}
	if o.Getenv == nil {
		o.Getenv = func(string) string { return "" }
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.SendTimeout == 0 {
		o.SendTimeout = 2 * time.Minute
	}
	if o.Beat == nil {
		o.Beat = func(string) {}
	}
	d := &Desk{o: o}
	var errs []error
	for i := range o.Config.Feeds {
		f, err := newFeed(d, &o.Config.Feeds[i])
		if err != nil {
			errs = append(errs, err)
			continue
		}
		d.feeds = append(d.feeds, f)
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return d, nil
}

// Run runs every feed until ctx ends, each in a goroutine of its own, and waits
// for them. It returns nil after ctx has ended, or what ended feeds before that:
// a damaged log (kind corrupt) ends all of them, a bug ends one.
func (d *Desk) Run(ctx context.Context) error {
	if err := d.begin(); err != nil {
		return err
	}
	defer d.end()
	bell, stop := context.WithCancel(ctx)
	var rings sync.WaitGroup
	rings.Go(func() { d.ring(bell) })
	err := d.each(func(f *feed) error { return f.runHeld(ctx, false) })
	stop()
	rings.Wait()
	return err
}

// Once delivers what the log holds now, batches that are not full included, and
// returns when every feed is done, paused or has failed three times. The error
// joins what kept feeds from delivering, of kind unavailable if a recipient
// cannot be reached.
func (d *Desk) Once(ctx context.Context) error {
	if err := d.begin(); err != nil {
		return err
	}
	defer d.end()
	return d.each(func(f *feed) error { return f.runHeld(ctx, true) })
}

func (d *Desk) begin() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.running {
		return errors.New("run feeds: they run already")
	}
	for _, f := range d.feeds {
		if f.cfg.KnownAnimals && d.o.Known == nil {
			return errors.New("feed " + f.cfg.ID + ": nothing to ask for known animals")
		}
	}
	d.running = true
	return nil
}

func (d *Desk) end() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.running = false
}

// each calls do for every feed at once and joins the errors.
func (d *Desk) each(do func(*feed) error) error {
	errs := make([]error, len(d.feeds))
	var wg sync.WaitGroup
	for i, f := range d.feeds {
		wg.Go(func() { errs[i] = do(f) })
	}
	wg.Wait()
	return errors.Join(errs...)
}

// ring wakes every feed when the log has grown.
func (d *Desk) ring(ctx context.Context) {
	last, _ := d.o.Log.Last()
	for ctx.Err() == nil {
		if err := d.o.Log.Wait(ctx, last); err != nil {
			select { // feeds that read the log see for themselves what is wrong
			case <-d.o.After(time.Second):
			case <-ctx.Done():
			}
		}
		last, _ = d.o.Log.Last()
		for _, f := range d.feeds {
			f.poke()
		}
	}
}

// feed returns the feed with the id; the error is of kind not found.
func (d *Desk) feed(id string) (*feed, error) {
	var known []string
	for _, f := range d.feeds {
		if f.cfg.ID == id {
			return f, nil
		}
		known = append(known, f.cfg.ID)
	}
	return nil, &events.Fault{
		Kind: events.ErrNotFound, What: "feed", Wanted: "a feed of the config", Got: fmt.Sprintf("%q", id),
		Hints: []string{"there are " + strings.Join(known, ", ")},
	}
}
