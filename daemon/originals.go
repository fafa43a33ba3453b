package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"
	"time"

	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// This file is the way of originals from a barn to its hub: the barn gives them out,
// the hub looks through its log for those it lacks, asks for them and keeps them
// under the hash that the entries name.

// offerOriginals gives the hub what it asks for, if the config says so and grants
// let the hub read the log.
func (d *daemon) offerOriginals(ctx context.Context) error {
	if d.e.linked {
		d.e.log.OfferOriginals(ctx, func(hash string) (io.ReadCloser, error) {
			b, err := d.e.archive.Open(hash)
			if err != nil {
				return nil, err
			}
			return b, nil
		})
	}
	<-ctx.Done()
	return nil
}

// originalsBucket keeps beside the log of a hub how far it has the originals of each barn.
const originalsBucket = "originals"

// Bounds of what is remembered of one barn.
const (
	mostWanted   = 10_000
	mostAbsent   = 1_000
	wantedEvery  = 30 * time.Second // between two notes of how far it is
	absentAgain  = time.Hour        // until a barn is asked again for what it did not have
	originalsAsk = 32
)

// A gathered is how far the originals of a barn are at the hub, as it is kept.
type gathered struct {
	Done   events.Position `json:"done"`             // every entry of the hub up to here has them, but for
	Absent []string        `json:"absent,omitempty"` // those the barn did not have when it was asked
}

// A wanted is what the hub lacks of one barn. Safe for use by several goroutines at once.
type wanted struct {
	wake chan struct{} // one token: there is something new

	mu     sync.Mutex
	kept   gathered // as in the bucket
	list   []string // in the order of the log
	at     map[string]events.Position
	absent []string
	seen   events.Position // newest entry that was looked at
	over   events.Position // first entry that was not, since the list was full; 0 if none
}

func newWanted(kept gathered) *wanted {
	return &wanted{
		wake: make(chan struct{}, 1), kept: kept, absent: slices.Clone(kept.Absent), seen: kept.Done, at: map[string]events.Position{},
	}
}

// look notes what the hub lacks of an entry.
func (w *wanted) look(e *events.Entry, has func(string) bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if e.At <= w.seen || w.over != 0 && e.At > w.over {
		return
	}
	w.over = 0
	for _, h := range e.Originals() {
		if _, listed := w.at[h]; listed || has(h) || slices.Contains(w.absent, h) {
			continue
		}
		if len(w.list) >= mostWanted {
			w.over = e.At
			return
		}
		w.list, w.at[h] = append(w.list, h), e.At
		w.wakeUp()
	}
	w.seen = e.At
}

func (w *wanted) wakeUp() {
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// next returns what is to be asked for next.
func (w *wanted) next() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.list[:min(len(w.list), originalsAsk)])
}

// got takes a hash out; absent says that the barn does not have it.
func (w *wanted) got(hash string, absent bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if i := slices.Index(w.list, hash); i >= 0 {
		w.list = slices.Delete(w.list, i, i+1)
	}
	delete(w.at, hash)
	if i := slices.Index(w.absent, hash); i >= 0 && !absent {
		w.absent = slices.Delete(w.absent, i, i+1)
	} else if i < 0 && absent {
		w.absent = append(w.absent, hash)
	}
}

// retry asks again for what the barn did not have.
func (w *wanted) retry() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, h := range w.absent {
		if _, listed := w.at[h]; !listed && len(w.list) < mostWanted {
			w.list, w.at[h] = append(w.list, h), w.seen
		}
	}
	if len(w.list) > 0 {
		w.wakeUp()
	}
}

// missing is how many originals the hub knows to lack.
func (w *wanted) missing() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	n := len(w.list)
	for _, h := range w.absent {
		if _, listed := w.at[h]; !listed {
			n++
		}
	}
	return n
}

// rest returns how far it is, and whether that is more than what was kept.
func (w *wanted) rest() (gathered, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	g := gathered{Done: w.seen, Absent: slices.Clone(w.absent)}
	for h, at := range w.at {
		if !slices.Contains(w.absent, h) {
			g.Done = min(g.Done, at-1)
		}
	}
	if len(g.Absent) > mostAbsent {
		return w.kept, false // too many to keep: looked for again at the next start
	}
	return g, g.Done != w.kept.Done || !slices.Equal(g.Absent, w.kept.Absent)
}

// A gathering looks through the log of a hub for originals of its barns.
type gathering struct {
	e      *engine
	bucket *streamlog.Bucket
	of     map[string]*wanted // by barn
}

// gather begins to look for the originals of the barns of the config.
func (e *engine) gather(ctx context.Context) (*gathering, error) {
	b, err := e.log.Bucket(ctx, originalsBucket)
	if err != nil {
		return nil, err
	}
	g := &gathering{e: e, bucket: b, of: map[string]*wanted{}}
	for _, barn := range e.project.config.Hub.Barns {
		var kept gathered
		v, err := b.Get(ctx, barn.ID)
		if err == nil {
			err = json.Unmarshal(v, &kept)
		}
		if err != nil && !errors.Is(err, events.ErrNotFound) {
			return nil, fmt.Errorf("how far the originals of barn %s are: %w", barn.ID, err)
		}
		if last, _ := e.log.Last(); kept.Done > last {
			kept = gathered{} // the log was restored to an older point
		}
		g.of[barn.ID] = newWanted(kept)
		e.gathers.Store(barn.ID, g.of[barn.ID])
	}
	return g, nil
}

// run follows the log until ctx ends.
func (g *gathering) run(ctx context.Context) error {
	const part = "originals of barns"
	next := events.Position(0)
	for _, w := range g.of {
		if next == 0 || w.seen+1 < next {
			next = w.seen + 1
		}
	}
	wait := backoff{first: time.Second, most: time.Minute}
	for {
		var err error
		for e, rerr := range g.e.log.Read(ctx, max(next, 1)) {
			if err = rerr; err != nil {
				break
			}
			if e.Barn != nil && g.of[e.Barn.ID] != nil {
				g.of[e.Barn.ID].look(e, g.has)
			}
			next = e.At + 1
		}
		if err == nil {
			wait.reset()
			if again := g.over(); again > 0 {
				next = again
				err = pause(ctx, time.Second)
			} else {
				short, cancel := context.WithTimeout(ctx, wantedEvery)
				if err = g.e.log.Wait(short, next-1); errors.Is(err, context.DeadlineExceeded) {
					err = nil
				}
				cancel()
			}
			err = errors.Join(err, g.keep(ctx))
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case err == nil:
			g.e.health.say(part, nil)
			continue
		case errors.Is(err, events.ErrCorrupt), !errors.Is(err, events.ErrUnavailable):
			return err
		}
		g.e.health.say(part, err)
		if pause(ctx, wait.next()) != nil {
			return nil
		}
	}
}

func (g *gathering) has(hash string) bool {
	_, ok := g.e.archive.Has(hash)
	return ok
}

// over returns where to look again since a list that was full is not any more; 0 if
// nowhere.
func (g *gathering) over() events.Position {
	at := events.Position(0)
	for _, w := range g.of {
		w.mu.Lock()
		if w.over > 0 && len(w.list) < mostWanted/2 && (at == 0 || w.over < at) {
			at = w.over
		}
		w.mu.Unlock()
	}
	return at
}

// keep notes how far it is.
func (g *gathering) keep(ctx context.Context) error {
	for id, w := range g.of {
		now, news := w.rest()
		if !news || len(now.Absent) == len(w.kept.Absent) && now.Done-w.kept.Done < 1000 && len(w.next()) > 0 {
			continue
		}
		b, err := json.Marshal(now)
		if err != nil {
			return err
		}
		if err := g.bucket.Put(ctx, id, b); err != nil {
			return err
		}
		w.mu.Lock()
		w.kept = now
		w.mu.Unlock()
	}
	return nil
}

// fetch asks a barn for what the hub lacks, until ctx ends. What is not the original
// it was given out as is left out and told.
func (t *takeover) fetch(ctx context.Context, w *wanted) error {
	part := "originals of barn " + t.barn.ID
	away := backoff{first: 200 * time.Millisecond, most: time.Minute}
	again := t.e.now().Add(absentAgain)
	asked := true // the barn may still keep something for us
	for {
		want := w.next()
		if len(want) == 0 && !asked {
			select {
			case <-w.wake:
			case <-time.After(time.Minute):
				if !t.e.now().Before(again) {
					again = t.e.now().Add(absentAgain)
					w.retry()
				}
			case <-ctx.Done():
				return nil
			}
			continue
		}
		none, err := t.log.FetchOriginals(ctx, want, func(ctx context.Context, hash string, body io.Reader) error {
			r := &counted{Reader: body}
			err := t.e.archive.PutAs(ctx, hash, r)
			switch {
			case err == nil:
				w.got(hash, false)
				t.e.logger.Debug("original fetched", "barn", t.barn.ID, "original", hash, "bytes", r.n)
			case errors.Is(err, events.ErrCorrupt):
				w.got(hash, true)
				t.e.logger.Warn("what the barn gives out as an original is not it", "barn", t.barn.ID, "why", err.Error(), "hint", "dewclaw verify at the barn")
				return nil
			case r.err == nil: // our disk
				err = own(err)
			}
			return err
		})
		for _, h := range none {
			w.got(h, true)
			t.e.logger.Warn("the barn does not have an original that its log names", "barn", t.barn.ID, "original", h)
		}
		fault := (*ownFault)(nil)
		switch {
		case ctx.Err() != nil:
			return nil
		case err == nil:
			t.e.health.say(part, nil)
			away.reset()
			asked = len(want) > 0
			continue
		case errors.As(err, &fault):
			t.e.health.say(part, err)
		case !errors.Is(err, events.ErrUnavailable):
			return err
		}
		if pause(ctx, away.next()) != nil {
			return nil
		}
	}
}

// A counted reader remembers how much came, and its error.
type counted struct {
	io.Reader
	n   int64
	err error
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	c.n += int64(n)
	if err != nil && err != io.EOF {
		c.err = err
	}
	return n, err
}
