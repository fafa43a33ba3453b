package delivery

import (
	"context"
	"fmt"
	"slices"
	"time"

	"dewclaw/events"
)

// step does the next thing there is to do: go on with a planned batch, release
// what no longer has to stay behind, or make the next batch. run outlives the
// step; step ends early when a command wants its turn.
func (f *feed) step(run, step context.Context, once bool) (pass, error) {
	if err := f.load(step); err != nil {
		return pass{}, err
	}
	if p := f.state.Paused; p != nil && p.By != byGrant {
		return pass{idle: true}, nil
	}
	if wait := f.retry.Sub(f.now()); wait > 0 {
		if once {
			select {
			case <-f.d.o.After(wait):
			case <-step.Done():
				return pass{}, step.Err()
			}
		} else {
			return pass{idle: true, wait: wait}, nil
		}
	}
	if ok, err := f.allowed(step); err != nil || !ok {
		return pass{idle: true, wait: lookAgain}, err
	}
	if f.state.Plan != nil {
		return pass{}, f.carry(step)
	}
	if made, err := f.releases(step, once); err != nil || made {
		return pass{}, err
	}
	return f.fill(run, step, once)
}

// load reads the stored state when the feed runs for the first time.
func (f *feed) load(ctx context.Context) error {
	looks := f.d.o.Hold != nil && !f.ours.Load() // another daemon may be at it: nothing is written, and nothing kept
	if f.loaded && !looks {
		return nil
	}
	if looks {
		f.forgetStored()
	}
	var s state
	found, err := f.store.load(ctx, f.store.key("state"), &s)
	if err != nil {
		return err
	}
	var h history
	if _, err := f.store.load(ctx, f.store.key("history"), &h); err != nil {
		return err
	}
	if _, err := f.store.load(ctx, f.store.key("fetched"), &f.fetched); err != nil {
		return err
	}
	a, err := loadAttic(ctx, &f.store)
	if err != nil {
		return err
	}
	f.state, f.history, f.attic = s, h, a
	if !found {
		f.state = state{V: stateVersion, Generation: 1, Cursor: events.Place{Position: 1}}
		if f.cfg.FromNow {
			last, _ := f.d.o.Log.Last()
			f.state.Cursor.Position = last + 1
			if looks {
				return nil
			}
			if err := f.save(ctx); err != nil { // "now" must stay the same
				return err
			}
		}
	}
	if f.state.Plan == nil && !looks {
		// what an unfinished step let stay behind is decided again
		if err := f.forget(ctx, f.state.Cursor); err != nil {
			return err
		}
	}
	f.again = f.state.Plan != nil
	f.loaded = !looks
	return nil
}

func (f *feed) save(ctx context.Context) error {
	return f.store.save(ctx, f.store.key("state"), &f.state)
}

// forget takes out of the attic what stands at or behind p.
func (f *feed) forget(ctx context.Context, p events.Place) error {
	for _, o := range f.attic.list() {
		i := slices.IndexFunc(o.Items, func(it item) bool { return !it.Place.Before(p) })
		if i < 0 {
			continue
		}
		n := *o
		n.Items = slices.Clone(o.Items[:i])
		if err := f.keep(ctx, o.Key, &n); err != nil {
			return err
		}
	}
	return nil
}

// keep stores what stays behind of one animal, nothing if it has no items.
func (f *feed) keep(ctx context.Context, key string, o *owner) error {
	if len(o.Items) == 0 {
		if err := f.store.remove(ctx, f.store.key("animal", key)); err != nil {
			return err
		}
		f.attic.drop(key)
		return nil
	}
	if err := f.store.save(ctx, f.store.key("animal", key), o); err != nil {
		return err
	}
	f.attic.put(o)
	return nil
}

// allowed asks whether every farm and kind of the feed has a grant in force now,
// and brings rule and history up to date. Without a grant the feed pauses.
func (f *feed) allowed(ctx context.Context) (bool, error) {
	now := f.now()
	before, day := len(f.state.Absent), f.state.Granted
	open := before > 0 && f.state.Absent[before-1].To.IsZero()
	lack := f.lawyer.judge(&f.state, now)
	changed := len(f.state.Absent) != before || open != (lack != "") || now.Sub(day) > 12*time.Hour
	if lack != "" {
		if p := f.state.Paused; p == nil || p.Why != lack {
			f.log.Warn("feed pauses", "why", lack)
			f.reset()
			f.state.Paused = &pause{By: byGrant, Why: lack, Since: now}
			changed = true
		}
	} else if p := f.state.Paused; p != nil && p.By == byGrant {
		f.log.Info("feed goes on: a grant is in force again", "paused", p.Since)
		f.state.Paused, changed = nil, true
		f.reset()
	}
	if changed {
		if err := f.save(ctx); err != nil {
			return false, err
		}
	}
	if lack != "" {
		return false, nil
	}
	r := f.lawyer.rule(now)
	if f.view.rule.same(r) && f.view.layout == f.layout {
		return true, nil
	}
	return true, f.adopt(ctx, r)
}

// adopt makes r the rule from the next event on. A batch that was planned under
// other grants is thrown away and made anew: what was allowed then may not be now.
func (f *feed) adopt(ctx context.Context, r *rule) error {
	f.reset()
	var key []byte
	if r.pseudonyms() {
		var err error
		if key, err = f.pseudonymKey(); err != nil {
			return err
		}
	}
	if p := f.state.Plan; p != nil && !sameConsent(p.Rule, r) {
		if err := f.dropPlan(ctx); err != nil {
			return err
		}
	}
	from := f.state.Cursor
	if f.state.Plan != nil {
		from = f.state.Plan.To
	}
	if err := f.begin(ctx, stretch{From: from, Rule: r}); err != nil {
		return err
	}
	f.view = view{rule: r, waits: f.cfg.KnownAnimals, layout: f.layout, key: key}
	return nil
}

// begin lets a stretch of the history begin and stores it.
func (f *feed) begin(ctx context.Context, s stretch) error {
	if !f.history.begin(s) {
		return nil
	}
	return f.store.save(ctx, f.store.key("history"), &f.history)
}

// minKey is the least length of a key of pseudonyms: 128 bits.
const minKey = 16

func (f *feed) pseudonymKey() ([]byte, error) {
	p := f.d.o.Config.Recipient(f.cfg.Recipient)
	if p == nil || p.Pseudonyms.IsZero() {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: "feed " + f.cfg.ID, What: "recipient " + f.cfg.Recipient, Wanted: "a key for pseudonyms", Got: "none"}
	}
	key, err := p.Pseudonyms.Value(f.d.o.Getenv, f.d.o.ReadFile)
	if err != nil {
		return nil, err
	}
	if len(key) < minKey {
		return nil, &events.Fault{
			Kind: events.ErrUnavailable, Who: "feed " + f.cfg.ID, Where: p.Pseudonyms.String(), What: "key for pseudonyms",
			Wanted: fmt.Sprintf("at least %d characters", minKey), Got: fmt.Sprint(len(key)),
		}
	}
	return key, nil
}

// dropPlan throws a planned batch away; names made from here on differ, because
// it may have arrived in part.
func (f *feed) dropPlan(ctx context.Context) error {
	f.state.Plan, f.ready, f.again = nil, nil, false
	f.state.Redo++
	f.reset()
	return f.save(ctx)
}

// limit returns how many rows a batch from here may have.
func (f *feed) limit(from events.Place) int {
	if c := f.state.Cut; c.Rows > 0 && (c.To == events.Place{} || from.Before(c.To)) {
		return min(c.Rows, f.cfg.Rows)
	}
	return f.cfg.Rows
}

// isKnown asks whether a roster knows the animal, and remembers a yes until a
// roster statement goes by.
func (f *feed) isKnown(ctx context.Context, farm string, ids []events.Identifier, day string) (bool, error) {
	key := farm + "|" + day
	for _, id := range ids {
		key += "|" + id.Scheme + ":" + id.Value
	}
	if f.known[key] {
		return true, nil
	}
	ok, err := f.d.o.Known.Known(ctx, farm, ids, day)
	if ok {
		if len(f.known) > 100_000 {
			clear(f.known)
		}
		f.known[key] = true
	}
	return ok, err
}

// awaitHerd waits until known animals can be asked for as of the position.
func (f *feed) awaitHerd(ctx context.Context, p events.Position) error {
	if !f.cfg.KnownAnimals || p <= f.herdAt {
		return nil
	}
	if err := f.d.o.Known.WaitFor(ctx, p); err != nil {
		return err
	}
	f.herdAt = p
	return nil
}
