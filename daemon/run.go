package main

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"sync"
	"syscall"
	"time"

	"dewclaw/daemon/internal/api"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/intake"
	"dewclaw/daemon/internal/metrics"
	"dewclaw/events"
)

// runCommand is the daemon: it reads sources, keeps the log and feeds
// recipients until it is told to stop, and answers on its socket.
type runCommand struct {
	Verbose bool `short:"v" help:"Say more: every original, also those read before."`
}

// stopTime is how long parts may take to stop; the process ends after [grace]
// whatever happens.
const stopTime = grace - 2*time.Second

func (c *runCommand) Run(a *app) error {
	p, err := a.load()
	if err != nil {
		return err
	}
	hup := make(chan os.Signal, 1) // from the start: else one that comes early ends the process
	signal.Notify(hup, syscall.SIGHUP)
	defer signal.Stop(hup)
	a.hangUp = hup
	level := slog.LevelInfo
	if c.Verbose {
		level = slog.LevelDebug
	}
	o := openOptions{work: true, whole: true, link: true, level: level}
	if a.awaitClock(a.logger(level)) != nil {
		return nil // told to stop while it waited
	}
	e, err := a.openPatiently(p, o)
	if a.ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return nil // told to stop while it was starting
	}
	if err != nil {
		return a.held(p, err)
	}
	for {
		next, err := a.work(e)
		if err != nil || next == nil {
			if err == nil {
				e.logger.Info("stopped")
			}
			return err
		}
		if e, err = a.swap(e, next, o); err != nil {
			return err
		}
	}
}

// work runs a daemon over an open engine, and closes that. It returns the project
// to go on with if another config is to come into force.
func (a *app) work(e *engine) (*project, error) {
	err := e.openBodies()
	if err == nil {
		err = e.openPort(a.ctx)
	}
	if err != nil {
		return nil, errors.Join(err, e.close(context.WithoutCancel(a.ctx)))
	}
	e.tellStrange()
	e.metrics = metrics.New(e.standing)
	d := newDaemon(a, e)
	err = d.run(a.ctx)
	stop, cancel := context.WithTimeout(context.WithoutCancel(a.ctx), stopTime)
	defer cancel()
	return d.project, errors.Join(err, e.close(stop))
}

// tellStrange warns of sources of the log that the config lacks: one that was given
// another id reads and sends everything a second time.
func (e *engine) tellStrange() {
	var strange []string
	for _, id := range e.index.Sources() {
		if !strings.Contains(id, "/") && e.project.config.Source(id) == nil { // the rest is of barns
			strange = append(strange, id)
		}
	}
	if len(strange) > 0 {
		e.logger.Warn("the log has sources that the config lacks", "sources", strings.Join(strange, ", "),
			"hint", "what they told stays; a source that was given another id takes everything in anew: give it its old one")
	}
}

// swap opens the data folder under another config; if that cannot be, under the
// one that was in force.
func (a *app) swap(old *engine, p *project, o openOptions) (*engine, error) {
	e, err := a.openPatiently(p, o)
	if err == nil {
		e.logger.Info("config is in force", "version", p.version(), "was", old.project.version())
		return e, nil
	}
	old.logger.Error("config is not taken over; the old one stays in force", "version", old.project.version(), "why", err.Error(), "hints", events.Hints(err))
	e, err = a.openPatiently(old.project, o)
	if err != nil {
		return nil, a.held(old.project, err)
	}
	return e, nil
}

// memoryLimit keeps the whole process below 300 MiB: the garbage collector works
// harder before what Go holds passes it. It does not count the page caches of
// SQLite (index 12 MiB and 8 MiB; read model 24 MiB while it is built, then 12 MiB
// and 4 MiB for each query that runs), as much again, for its allocator rounds a
// page with its header up to twice the page, and the program itself (36 MiB). The
// peak is measured by BenchmarkRun and BenchmarkGrowth.
const memoryLimit = 110 << 20

// limitMemory sets the limit unless the environment does.
func limitMemory(getenv func(string) string) {
	if getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(memoryLimit)
	}
}

// A daemon runs the parts of an open engine, each in goroutines of its own.
type daemon struct {
	e       *engine
	parts   []part
	held    *heldLog
	errands map[string]*errands // by source

	app     *app
	since   time.Time
	next    chan *project // one that is to come into force
	project *project      // it, once the parts are stopped for it; nil if they are stopped for good
}

// A part is something that runs until its context ends. Parts start in their
// order and are stopped in reverse, each only when those after it have ended.
type part struct {
	name string
	run  func(ctx context.Context) error
	stop context.CancelFunc
	done chan struct{}
}

func newDaemon(a *app, e *engine) *daemon {
	e.follows = true
	d := &daemon{e: e, held: &heldLog{log: e.logger}, errands: map[string]*errands{}, app: a, since: e.now(), next: make(chan *project, 1)}
	e.refused = d.held.tell
	for _, s := range e.project.config.Sources {
		d.errands[s.ID] = &errands{}
	}
	d.add("read model", d.readModel)
	d.add("index", d.followIndex)
	d.add("reading the log again", d.rereadLog)
	d.add("feeds", e.feeds.Run)
	d.add("sources", d.sources)
	d.add("replies", d.replies)
	d.add("lists", d.dailyLists)
	if e.project.config.Hub.Listen != "" {
		d.add("barns", d.barns)
	}
	if e.project.config.Hub.URL != "" {
		d.add("hub", d.watchHub)
		if e.project.config.Hub.Originals {
			d.add("originals for the hub", d.offerOriginals)
		}
		if len(e.project.config.Hub.Takes) > 0 {
			d.add("what the hub gives", d.takes)
		}
	}
	if e.port != nil {
		d.add("MQTT port", d.watchPort)
	}
	d.add("hang-ups", d.hangUps)
	d.add("socket", d.serve)
	d.add("requests", d.listen)
	return d
}

// readModel follows the log. A disk that is full or away is no reason to end: the
// log goes on without it, and it catches up when it can be written again.
func (d *daemon) readModel(ctx context.Context) error {
	wait := backoff{first: time.Second, most: time.Minute}
	for {
		err := d.e.herd.CatchUp(ctx)
		if err == nil {
			d.e.health.say(partReadModel, nil)
			wait.reset()
			err = d.e.herd.Follow(ctx)
		}
		if ctx.Err() != nil {
			return nil
		}
		if err == nil || errors.Is(err, events.ErrCorrupt) || !errors.Is(err, events.ErrUnavailable) {
			return err
		}
		d.e.health.say(partReadModel, err)
		if pause(ctx, wait.next()) != nil {
			return nil
		}
	}
}

// followIndex takes in what other daemons on the log write. Without one, what was
// appended is taken in with it.
func (d *daemon) followIndex(ctx context.Context) error {
	if d.e.leases == nil {
		<-ctx.Done()
		return nil
	}
	const part = "index"
	wait := backoff{first: time.Second, most: time.Minute}
	for {
		err := d.e.intake.CatchUp(ctx)
		if err == nil {
			err = d.e.log.Wait(ctx, d.e.index.Applied())
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case err == nil:
			wait.reset()
		case errors.Is(err, events.ErrCorrupt) || !errors.Is(err, events.ErrUnavailable):
			return err
		}
		d.e.health.say(part, err)
		if err != nil && pause(ctx, wait.next()) != nil {
			return nil
		}
	}
}

func (d *daemon) add(name string, run func(context.Context) error) {
	d.parts = append(d.parts, part{name: name, run: run})
}

// run starts the parts and waits until ctx ends or one of them fails; then it
// stops them in reverse. It returns what failed, nil after a clean stop.
func (d *daemon) run(ctx context.Context) error {
	under := context.WithoutCancel(ctx) // parts are stopped one by one, not all at once
	failed := make(chan error, len(d.parts))
	for i := range d.parts {
		p := &d.parts[i]
		var own context.Context
		own, p.stop = context.WithCancel(under)
		p.done = make(chan struct{})
		go func() {
			defer close(p.done)
			if err := p.run(own); err != nil {
				if p.name != "sources" { // which say it of each
					d.e.health.fail(p.name, err)
				}
				failed <- err
			}
		}()
	}
	d.e.logger.Info("running", "data", d.e.project.config.Data, "log position", first(d.e.log.Last()),
		"sources", len(d.e.project.config.Sources), "feeds", len(d.e.project.config.Feeds))
	var err error
	select {
	case <-ctx.Done():
		d.e.logger.Info("stopping")
	case err = <-failed:
	case d.project = <-d.next:
		d.e.logger.Info("another config comes into force", "version", d.project.version())
	}
	for i := len(d.parts) - 1; i >= 0; i-- {
		d.parts[i].stop()
		<-d.parts[i].done
	}
	close(failed)
	errs := []error{err}
	for e := range failed {
		errs = append(errs, e)
	}
	return errors.Join(errs...)
}

func first[A, B any](a A, _ B) A { return a }

// sources runs a reader for each source. The first that must stop stops all of
// them: what it met (damage, a bug) is no matter of one source.
func (d *daemon) sources(ctx context.Context) error {
	if err := d.e.comeBack(ctx); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	quiet, err := d.e.silences(ctx)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var wg sync.WaitGroup
	var mu sync.Mutex
	var errs []error
	wg.Go(func() { quiet.watch(ctx) })
	for i := range d.e.project.config.Sources {
		s := &d.e.project.config.Sources[i]
		wg.Go(func() {
			err := d.source(ctx, s, func(c intake.Receipt) {
				quiet.heard(s.ID)
				logReceipt(d.e.logger, c)
			})
			if err != nil {
				stop()
			}
			mu.Lock()
			defer mu.Unlock()
			errs = append(errs, err)
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// source reads one source, whenever it is this daemon's to read.
func (d *daemon) source(ctx context.Context, s *config.Source, receipt func(intake.Receipt)) error {
	errands := d.errands[s.ID]
	for {
		if d.e.leases != nil {
			errands.end(&events.Fault{
				Kind: events.ErrUnavailable, Who: "source " + s.ID, What: "it is not this daemon's to read",
				Hints: []string{"who reads it: dewclaw leases"},
			})
		}
		held, release, err := d.e.leases.hold(ctx, sourceLease(s.ID))
		if err != nil {
			errands.end(errReaderOver)
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
		errands.begin()
		r := d.e.reader(s, false, receipt)
		r.errands = errands
		err = errors.Join(r.run(held), r.close())
		over := held.Err() == nil
		release()
		if err != nil || over || ctx.Err() != nil {
			return err
		}
	}
}

// operations is what can be asked of an open data folder, and of a daemon alone.
func (d *daemon) operations() api.Operations {
	all := d.e.operations()
	all["once"] = api.Typed(d.once)
	all["reload"] = api.Typed(d.reload)
	all["config"] = api.Typed(d.tellConfig)
	return all
}

// serve answers on the socket.
func (d *daemon) serve(ctx context.Context) error {
	short := []string{os.TempDir()}
	if dir := d.e.getenv("XDG_RUNTIME_DIR"); dir != "" {
		short = append([]string{dir}, short...)
	}
	s, err := api.Listen(d.e.project.config.Data, api.Options{
		Operations: d.operations(), Admits: d.admits, Healthy: d.e.health.healthy, Ready: d.e.health.ready, Short: short, Logger: d.e.logger,
	})
	if err != nil {
		return err
	}
	served := make(chan error, 1)
	go func() { served <- s.Serve() }()
	select {
	case err = <-served:
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	cerr := s.Close(stop)
	if err == nil && ctx.Err() != nil {
		err = <-served
	}
	return errors.Join(err, cerr)
}

// A heldLog tells the log of a daemon of held records, the first ones of each
// original: a rotten file must not fill the disk with lines. Safe for use by
// several goroutines at once.
type heldLog struct {
	log *slog.Logger

	mu    sync.Mutex
	name  map[string]string // the original a source is at
	told  map[string]int    // how many were told of it
	also  map[int]func(heldNow)
	calls int
}

// listen has f told of every record that is held, until the result is called.
func (l *heldLog) listen(f func(heldNow)) (end func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.also == nil {
		l.also = map[int]func(heldNow){}
	}
	l.calls++
	key := l.calls
	l.also[key] = f
	return func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		delete(l.also, key)
	}
}

func (l *heldLog) tell(h heldNow) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, f := range l.also {
		f(h)
	}
	if l.name == nil {
		l.name, l.told = map[string]string{}, map[string]int{}
	}
	if l.name[h.Source] != h.Name {
		l.name[h.Source], l.told[h.Source] = h.Name, 0
	}
	switch l.told[h.Source]++; {
	case l.told[h.Source] <= mostRefused:
		l.log.Warn("held", "source", h.Source, "name", h.Name, "line", h.Line, "id", h.ID, "why", h.Reasons[0].String(),
			"reasons", len(h.Reasons), "hint", "dewclaw held show "+h.ID)
	case l.told[h.Source] == mostRefused+1:
		l.log.Warn("held: further records of it are not told one by one", "source", h.Source, "name", h.Name, "hint", "dewclaw held list")
	}
}
