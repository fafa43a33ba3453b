package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/intake"
	"dewclaw/daemon/internal/metrics"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// This file is both ends of the way from a barn to its hub: the barn lets its log
// be read while grants are in force, the hub reads and repeats it.

// hubEvery is how often a barn looks at its grants and at the hub.
const hubEvery = 5 * time.Second

// watchHub ends the connection to the hub when a grant ends, and makes it when all
// are in force: the data folder is opened anew, as by a change of the config.
func (d *daemon) watchHub(ctx context.Context) error {
	log, told, linked := d.e.logger, "", false
	var wg sync.WaitGroup
	defer wg.Wait()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	wg.Go(func() { d.e.log.AnswerHub(ctx, askRefused, d.hearRefusal) })
	for {
		lack := d.e.hubLack()
		if lack != told && lack != "" {
			log.Warn("the hub may not read the log", "why", lack, "hint", "everything else goes on; renew the grant, put the farm back into the config with its grant, or take hub out of the config")
		}
		told = lack
		if (lack == "") != d.e.linked {
			select {
			case d.next <- d.e.project:
			case <-ctx.Done():
			}
			return nil
		}
		if now := d.e.log.HubLinked(); now != linked {
			linked = now
			if linked {
				log.Info("connected to the hub", "url", d.e.project.config.Hub.URL)
			} else {
				log.Info("the hub is away; everything waits safely in the log", "url", d.e.project.config.Hub.URL)
			}
		}
		if pause(ctx, hubEvery) != nil {
			return nil
		}
	}
}

// barns opens the leaf port and takes over what the barns have, each in a
// goroutine of its own.
func (d *daemon) barns(ctx context.Context) error {
	c := &d.e.project.config.Hub
	opt := streamlog.HubOptions{Listen: c.Listen, Cert: c.Cert, Key: c.Key, Certificate: d.e.certificate(c.Cert, c.Key), Logger: d.e.logger}
	for _, b := range c.Barns {
		opt.Barns = append(opt.Barns, streamlog.Barn{ID: b.ID, NKey: b.NKey})
	}
	const part = "leaf port"
	wait := backoff{first: time.Second, most: time.Minute}
	h, err := streamlog.OpenHub(ctx, opt)
	for ; errors.Is(err, events.ErrUnavailable); h, err = streamlog.OpenHub(ctx, opt) {
		d.e.health.say(part, err)
		if pause(ctx, wait.next()) != nil {
			return nil
		}
	}
	if err != nil {
		return err
	}
	d.e.health.say(part, nil)
	d.e.logger.Info("barns may connect", "address", h.Addr(), "barns", len(c.Barns))
	defer h.Close()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	g, err := d.e.gather(ctx)
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	var errs []error
	start := func(f func(context.Context) error) {
		wg.Go(func() {
			if err := f(ctx); err != nil {
				stop()
				mu.Lock()
				defer mu.Unlock()
				errs = append(errs, err)
			}
		})
	}
	start(g.run)
	for i := range c.Barns {
		t := &takeover{e: d.e, barn: barnOf(d.e.project.config, &c.Barns[i]), gives: c.Barns[i].Gives}
		if t.log, err = h.Open(t.barn.ID); err != nil {
			stop()
			errs = append(errs, err)
			break
		}
		defer t.log.Close()
		start(t.run)
		start(func(ctx context.Context) error { t.log.Answer(ctx, t.answers()); return nil })
		start(func(ctx context.Context) error { return t.fetch(ctx, g.of[t.barn.ID]) })
	}
	wg.Wait()
	return errors.Join(errs...)
}

// barnOf is a barn as the way in wants it. Sources of the hub itself, and those of
// other barns with a farm in common, must have other ids than its own.
func barnOf(c *config.Config, b *config.Barn) *intake.Barn {
	out := &intake.Barn{ID: b.ID, Farms: b.Farms}
	shares := func(farms []string) bool {
		for _, f := range farms {
			for _, own := range b.Farms {
				if f == own {
					return true
				}
			}
		}
		return false
	}
	for i := range c.Sources {
		if s := &c.Sources[i]; shares(s.Farms) || shares([]string{s.Farm}) {
			out.Others = append(out.Others, "")
			break
		}
	}
	for i := range c.Hub.Barns {
		if o := &c.Hub.Barns[i]; o.ID != b.ID && shares(o.Farms) {
			out.Others = append(out.Others, events.BarnKey(o.ID))
		}
	}
	return out
}

// A takeover repeats the log of one barn in that of the hub: the way in from the
// beat next to the beat acknowledge.
type takeover struct {
	e     *engine
	barn  *intake.Barn
	gives []config.Give
	log   *streamlog.BarnLog

	here    bool     // the barn answered last
	taken   bool     // the barn has heard that it is not refused
	refused sync.Map // what was told of files that are not given
}

func (t *takeover) part() string { return "barn " + t.barn.ID }

// run goes on until ctx ends. A barn that is away is no fault and is waited for;
// one whose log is not what it was, or that sends what it may not, is told of and
// tried again ever less often: it may be put right there. An error is one of the
// hub's own log.
func (t *takeover) run(ctx context.Context) error {
	t.e.barns.Store(t.barn.ID, metrics.Barn{ID: t.barn.ID})
	away := backoff{first: 100 * time.Millisecond, most: 5 * time.Second}
	full := backoff{first: time.Second, most: time.Minute}
	wrong := backoff{first: 2 * time.Second, most: 5 * time.Minute}
	for {
		err := t.entries(ctx, func() { away.reset(); full.reset(); wrong.reset() })
		own := (*ownFault)(nil)
		switch {
		case ctx.Err() != nil:
			return nil
		case t.e.log.Damage() != nil:
			return fmt.Errorf("%s: %w", t.part(), t.e.log.Damage())
		case errors.As(err, &own) && errors.Is(err, events.ErrUnavailable): // our disk, or our log's server
			t.e.health.say(t.part(), err)
			_ = pause(ctx, full.next())
		case errors.Is(err, events.ErrUnavailable):
			t.is(false, err)
			_ = pause(ctx, away.next())
		case errors.Is(err, events.ErrInvalid), errors.Is(err, events.ErrCorrupt):
			t.e.health.say(t.part(), err)
			t.refuses(ctx, err)
			_ = pause(ctx, wrong.next())
		default:
			return fmt.Errorf("%s: %w", t.part(), err)
		}
		if ctx.Err() != nil {
			return nil
		}
	}
}

// An ownFault is an error that is the hub's and not the barn's.
type ownFault struct{ error }

func (f *ownFault) Unwrap() error { return f.error }

func own(err error) error {
	if err == nil {
		return nil
	}
	return &ownFault{err}
}

// entries takes over entries until something is in the way.
func (t *takeover) entries(ctx context.Context, went func()) error {
	log, err := t.log.Begin(ctx, func(log string) (events.Position, string, error) {
		at, hash, err := t.e.intake.After(ctx, t.barn.ID, log)
		return at, hash, own(err)
	})
	if err != nil {
		return err
	}
	t.is(true, nil)
	for {
		t.e.beat("next")
		list, err := t.log.Next(ctx)
		for _, raw := range list {
			if _, err := t.e.intake.Repeat(ctx, t.barn, raw.Entry, raw.Hash); err != nil {
				return own(err)
			}
		}
		if len(list) > 0 {
			went()
			t.e.health.say(t.part(), nil)
			t.e.logger.Debug("taken over", "barn", t.barn.ID, "log", log, "position", list[len(list)-1].Entry.At, "entries", len(list))
			t.e.beat(intake.BeatAcknowledge)
			if err := t.log.Ack(ctx); err != nil {
				return err
			}
			t.refuses(ctx, nil)
		}
		if err != nil {
			return err
		}
		t.is(true, nil)
	}
}

// is tells when a barn comes and goes, and how far behind the hub is.
func (t *takeover) is(here bool, why error) {
	t.e.barns.Store(t.barn.ID, metrics.Barn{ID: t.barn.ID, Connected: here, Behind: t.log.Behind()})
	if here == t.here {
		return
	}
	t.here = here
	if here {
		t.e.logger.Info("barn is here", "barn", t.barn.ID, "farms", strings.Join(t.barn.Farms, ", "))
		return
	}
	t.e.logger.Info("barn is away; it goes on alone", "barn", t.barn.ID, "why", why.Error())
}
