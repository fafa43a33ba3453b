package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"time"

	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// This file knows of which farms the log of a barn tells. A hub reads a log whole, so
// each of them needs a grant, also one that the config has no more. That must be known
// before the log is opened, for opening it connects it; so it is kept beside the log.

// toldFile keeps it in the data folder of a barn. Without it the log is read once.
const toldFile = "hub-farms.json"

// A toldFarms is what is known without opening the log: no entry tells of a farm that
// is in neither list.
type toldFarms struct {
	Through events.Position `json:"through"` // entries up to here were looked at
	Told    []string        `json:"told"`    // farms that these tell of, sorted
	Named   []string        `json:"named"`   // farms of configs under which entries behind them may have been appended, sorted
}

func (t *toldFarms) all() []string {
	return slices.Compact(slices.Sorted(slices.Values(slices.Concat(t.Told, t.Named))))
}

// readTold returns what is known, nil if nothing is.
func (e *engine) readTold() *toldFarms {
	b, err := os.ReadFile(e.data(toldFile))
	t := new(toldFarms)
	if err != nil || json.Unmarshal(b, t) != nil {
		return nil
	}
	return t
}

func (e *engine) keepTold(t *toldFarms) error {
	b, err := json.Marshal(t)
	if err == nil {
		err = replace(e.data(toldFile), append(b, '\n'), 0o600)
	}
	if err != nil {
		return fmt.Errorf("keep of which farms the log tells: %w: %w", err, events.ErrUnavailable)
	}
	return nil
}

// forgetTold has the log read again before it is connected the next time.
func (e *engine) forgetTold() error {
	if err := os.Remove(e.data(toldFile)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("forget of which farms the log tells: %w: %w", err, events.ErrUnavailable)
	}
	return nil
}

// noteFarms puts down the farms of the config before anything of them is appended.
// Without a hub nothing is kept, so that it cannot be out of date when there is one.
func (e *engine) noteFarms() error {
	if e.project.config.Hub.URL == "" {
		return e.forgetTold()
	}
	t := e.readTold()
	if t == nil {
		return nil
	}
	before := t.all()
	for _, f := range e.project.config.Farms {
		if !slices.Contains(before, f.ID) {
			t.Named = append(t.Named, f.ID)
		}
	}
	if slices.Sort(t.Named); slices.Equal(before, t.all()) {
		return nil
	}
	return e.keepTold(t)
}

// findFarms finds of which farms the log tells: it opens the log without its hub and
// reads what was not looked at. A log that is not there tells of none.
func (e *engine) findFarms(ctx context.Context, opt streamlog.Options, t *toldFarms) (*toldFarms, error) {
	if t == nil {
		t = new(toldFarms)
	}
	if _, err := os.Stat(opt.Dir); errors.Is(err, fs.ErrNotExist) {
		t = new(toldFarms)
		return t, e.keepTold(t)
	}
	opt.Hub, opt.ReadWhole = nil, 0
	l, err := streamlog.Open(ctx, opt)
	if err != nil {
		return nil, err
	}
	defer l.Close()
	last, _ := l.Last()
	if last < t.Through {
		t = new(toldFarms) // another log
	}
	farms := map[string]bool{}
	for _, f := range t.Told {
		farms[f] = true
	}
	for entry, err := range l.Read(ctx, t.Through+1) {
		if err != nil {
			return nil, err
		}
		if f := entry.Defaults.Farm; f != "" {
			farms[f] = true
		}
		if len(entry.Held) > 0 { // whose rows they are is not read here
			for f := range entry.Zones {
				farms[f] = true
			}
		}
		for ev, err := range entry.All() {
			if err != nil {
				return nil, err
			}
			farms[ev.Farm] = true
		}
	}
	t = &toldFarms{Through: last, Told: slices.Sorted(maps.Keys(farms))}
	return t, e.keepTold(t)
}

// leaf is how the log connects to the hub; nil if it has none or may not.
func (e *engine) leaf(ctx context.Context, opt streamlog.Options) (*streamlog.Leaf, error) {
	h := &e.project.config.Hub
	if h.URL == "" {
		return nil, nil
	}
	t := e.readTold()
	if t != nil {
		e.logFarms = t.all()
	}
	if lack := e.hubLack(); t == nil || lack != "" && e.lackOf(e.configFarms()) == "" { // a farm of a config before may have told nothing
		var err error
		if t, err = e.findFarms(ctx, opt, t); err != nil {
			return nil, err
		}
		e.logFarms = t.Told
	}
	if e.hubLack() != "" {
		return nil, nil
	}
	e.linked = true
	return &streamlog.Leaf{URL: h.URL, Barn: h.Barn, NKey: h.NKey, CA: h.CA}, nil
}

func (e *engine) configFarms() (out []string) {
	for _, f := range e.project.config.Farms {
		out = append(out, f.ID)
	}
	return out
}

// hubLack says which farm has no grant in force today that lets the hub read the
// log; "" if none.
func (e *engine) hubLack() string {
	return e.lackOf(slices.Concat(e.configFarms(), e.logFarms))
}

func (e *engine) lackOf(farms []string) string {
	c := e.project.config
	for _, id := range farms {
		zone, also := time.UTC, ", and the config has no such farm, of which the log tells"
		if f := c.Farm(id); f != nil {
			var err error
			if zone, err = time.LoadLocation(f.Zone); err != nil {
				return fmt.Sprintf("zone of farm %s: %v", id, err)
			}
			also = ""
		}
		day := e.now().In(zone).Format(time.DateOnly)
		if list := c.HubLacks(id, day); len(list) > 0 {
			return fmt.Sprintf("no grant of farm %s lets recipient %s have %s on %s%s", id, c.Hub.Recipient, list[0], day, also)
		}
	}
	return ""
}
