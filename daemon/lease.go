package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"dewclaw/daemon/internal/metrics"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// leases say which sources and feeds are this daemon's, of several daemons on one
// log. A nil one says that all of them are: an embedded log has one daemon. Safe
// for use by several goroutines at once.
type leases struct {
	*streamlog.Leases
	log    *slog.Logger
	health *health

	mu   sync.Mutex
	held map[string]bool   // by key
	told map[string]string // whom the log was told of, by key
}

// Keys of leases.
func sourceLease(id string) string { return "source." + id }
func feedLease(id string) string   { return "feed." + id }

// openLeases opens the leases of a log by URL.
func (e *engine) openLeases(ctx context.Context, _ openOptions) error {
	c := &e.project.config.Log
	if c.URL == "" {
		return nil
	}
	name := c.Daemon
	if name == "" {
		host, err := os.Hostname()
		if name = cmp.Or(host, "unnamed"); err != nil {
			e.logger.Warn("this machine has no name; log.daemon gives one", "error", err)
		}
	}
	id, err := archiveID(e.archiveDir(), e.log.NewID)
	if err != nil {
		return err
	}
	s, err := e.log.Leases(ctx, streamlog.Holder{Name: name, Archive: id}, c.Lease)
	if err != nil {
		return err
	}
	e.leases = &leases{Leases: s, log: e.logger, health: e.health, held: map[string]bool{}, told: map[string]string{}}
	return nil
}

// archiveID returns the text that names an archive, so that daemons that share a log
// can tell whether they share that too.
func archiveID(dir string, random func() (string, error)) (string, error) {
	path := filepath.Join(dir, "id")
	id, err := random()
	if err != nil {
		return "", err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o440)
	if err == nil {
		_, err = f.WriteString(id)
		err = errors.Join(err, f.Sync(), f.Close())
	}
	var b []byte
	if err == nil || errors.Is(err, os.ErrExist) {
		b, err = os.ReadFile(path)
	}
	if err != nil {
		return "", fmt.Errorf("name the archive: %w: %w", err, events.ErrUnavailable)
	}
	return string(b), nil
}

// ours reports whether this daemon has a lease.
func (l *leases) ours(key string) bool {
	if l == nil {
		return true
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.held[key]
}

// elsewhere returns the name of another daemon that has a lease, or "".
func (l *leases) elsewhere(ctx context.Context, key string) (string, error) {
	if l.ours(key) {
		return "", nil
	}
	h, err := l.Who(ctx, key)
	if err != nil || h.ID == l.Holder().ID {
		return "", err
	}
	return h.Name, nil
}

// A lease is renewed this often in its time, and is given up while a part of it is
// left: whoever holds it has been told to stop before anybody else can take it. A
// process that was stopped in between does not hear of it; then the log and the
// bucket of cursors refuse what it writes.
const (
	leaseRenewals = 4
	leaseMargin   = 5 // a fifth of its time
)

// hold waits until this daemon has the lease, and returns a context that ends when
// it has it no more. release gives it back; it must be called when nothing goes on
// under the lease any more.
func (l *leases) hold(ctx context.Context, key string) (held context.Context, release func(), err error) {
	if l == nil {
		return ctx, func() {}, nil
	}
	for {
		until, by, err := l.try(ctx, key)
		if ctx.Err() != nil {
			return nil, nil, ctx.Err()
		}
		if err != nil && !errors.Is(err, events.ErrUnavailable) {
			return nil, nil, err
		}
		l.health.say("lease "+key, err)
		if err == nil {
			l.waits(key, by)
		}
		if !until.IsZero() {
			held, release := l.keep(ctx, key, until)
			return held, release, nil
		}
		if err := pause(ctx, l.TTL()/leaseRenewals); err != nil {
			return nil, nil, err
		}
	}
}

// now takes the lease if it is free, for what a command does by itself. The error
// names who has it.
func (l *leases) now(ctx context.Context, key string) (held context.Context, release func(), err error) {
	if l == nil {
		return ctx, func() {}, nil
	}
	until, by, err := l.try(ctx, key)
	if err != nil {
		return nil, nil, err
	}
	if until.IsZero() {
		return nil, nil, &events.Fault{
			Kind: events.ErrUnavailable, What: key + ": daemon " + cmp.Or(by.Name, "unknown") + " has the lease",
			Hints: []string{"that daemon reads and delivers by itself; who has what: dewclaw leases"},
		}
	}
	held, release = l.keep(ctx, key, until)
	return held, release, nil
}

// try takes or renews the lease and returns until when this daemon may count on it;
// zero, and who has it, if another one has.
func (l *leases) try(ctx context.Context, key string) (until time.Time, by streamlog.Holder, err error) {
	began := time.Now() // its monotonic reading counts, no clock of a machine does
	ctx, cancel := context.WithTimeout(ctx, l.TTL()/2)
	defer cancel()
	held, by, err := l.Take(ctx, key)
	if err != nil || !held {
		return time.Time{}, by, err
	}
	return began.Add(l.TTL() - l.TTL()/leaseMargin), by, nil
}

// waits tells the log, once, who has the lease, and whether that daemon keeps its
// originals where this one finds them.
func (l *leases) waits(key string, by streamlog.Holder) {
	me := l.Holder()
	l.mu.Lock()
	was := l.told[key]
	l.told[key] = by.ID
	l.mu.Unlock()
	if by.ID != "" && by.ID != was && by.ID != me.ID {
		l.log.Info("another daemon has the lease", "lease", key, "daemon", by.Name)
	}
	var err error
	if by.ID != "" && by.Archive != me.Archive {
		err = &events.Fault{
			Kind: events.ErrUnavailable, What: "archive", Wanted: "the one of daemon " + by.Name + ", which is on the same log", Got: "another one",
			Hints: []string{"config: archive: a folder on a share, the same for every daemon on the log"},
		}
	}
	l.health.say("archive (lease "+key+")", err)
}

// keep renews the lease until it is lost, ctx ends or it is released.
func (l *leases) keep(ctx context.Context, key string, until time.Time) (held context.Context, release func()) {
	held, lost := context.WithCancel(ctx)
	l.set(key, true)
	l.log.Info("this daemon has the lease", "lease", key)
	var renewing sync.WaitGroup
	renewing.Go(func() {
		defer lost()
		for {
			wait := min(l.TTL()/leaseRenewals, time.Until(until))
			if pause(held, wait) != nil {
				return
			}
			if !time.Now().Before(until) {
				l.log.Warn("the lease has run out", "lease", key)
				return
			}
			sure, cancel := context.WithDeadline(held, until)
			next, by, err := l.try(sure, key)
			cancel()
			switch {
			case !next.IsZero():
				until = next
			case err == nil:
				l.log.Warn("the lease is lost", "lease", key, "daemon", by.Name)
				return
			}
		}
	})
	return held, sync.OnceFunc(func() {
		lost()
		renewing.Wait()
		l.set(key, false)
		give, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		if err := l.Drop(give, key); err != nil { // it ends by itself
			l.log.Debug("give back the lease", "lease", key, "error", err)
		}
	})
}

func (l *leases) set(key string, held bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.held[key] = held
	l.told[key] = ""
}

// heldLeases tells which sources and feeds are this daemon's; nil if all must be.
func (e *engine) heldLeases() []metrics.Lease {
	if e.leases == nil {
		return nil
	}
	var list []metrics.Lease
	for _, s := range e.project.config.Sources {
		list = append(list, metrics.Lease{What: "source", ID: s.ID, Held: e.leases.ours(sourceLease(s.ID))})
	}
	for _, f := range e.project.config.Feeds {
		list = append(list, metrics.Lease{What: "feed", ID: f.ID, Held: e.leases.ours(feedLease(f.ID))})
	}
	return list
}

// leasesCommand tells which daemon on the log reads and feeds what.
type leasesCommand struct {
	JSON bool `name:"json" help:"One JSON object a line."`
}

// leaseItem is who has one source or feed of the config.
type leaseItem struct {
	What   string `json:"what"` // source or feed
	ID     string `json:"id"`
	Daemon string `json:"daemon,omitempty"` // "" for none
	Here   bool   `json:"here"`             // it is the one that answers
	Heard  string `json:"heard,omitempty"`  // when it was renewed last, RFC 3339
}

func (c *leasesCommand) Run(a *app) error {
	s := newSheet("what", "id", "daemon", "renewed")
	err := items(a, "leases", struct{}{}, func(i leaseItem) error {
		if c.JSON {
			return a.line(i)
		}
		name := cmp.Or(i.Daemon, "none")
		if i.Here {
			name += " (this one)"
		}
		s.row(i.What, i.ID, name, i.Heard)
		return nil
	})
	if err != nil || c.JSON {
		return err
	}
	return s.print(a.stdout)
}

// tellLeases is the operation "leases".
func (e *engine) tellLeases(ctx context.Context, _ struct{}, emit func(any) error) error {
	var list []leaseItem
	for _, s := range e.project.config.Sources {
		list = append(list, leaseItem{What: "source", ID: s.ID})
	}
	for _, f := range e.project.config.Feeds {
		list = append(list, leaseItem{What: "feed", ID: f.ID})
	}
	for _, i := range list {
		i.Daemon, i.Here = "the only one", true
		if e.leases != nil {
			h, err := e.leases.Who(ctx, i.What+"."+i.ID)
			if err != nil {
				return err
			}
			i.Daemon, i.Here = h.Name, h.ID == e.leases.Holder().ID
			if h.ID != "" {
				i.Heard = events.FormatTime(h.Since)
			}
		}
		if err := emit(i); err != nil {
			return err
		}
	}
	return nil
}
