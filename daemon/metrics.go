package main

import (
	"context"
	"time"

	"dewclaw/daemon/internal/metrics"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/events/streamlog"
)

// stateTime is how long the state may take to be found out.
const stateTime = 5 * time.Second

// A timedLog tells how long appending takes.
type timedLog struct {
	*streamlog.Log
	now  func() time.Time
	told func(time.Duration)
}

// Append implements [intake.Log].
func (l timedLog) Append(ctx context.Context, e *events.Entry) (events.Position, error) {
	start := l.now()
	p, err := l.Log.Append(ctx, e)
	if err == nil {
		l.told(l.now().Sub(start))
	}
	return p, err
}

// appended passes on how long an append took.
func (e *engine) appended(d time.Duration) {
	if e.metrics != nil {
		e.metrics.Append(d)
	}
}

// standing finds out how the daemon stands.
func (e *engine) standing() (metrics.State, error) {
	ctx, cancel := context.WithTimeout(context.Background(), stateTime)
	defer cancel()
	s := metrics.State{Bodies: map[string]int{}, Ready: len(e.health.ready()) == 0}
	s.Position, _ = e.log.Last()
	s.Leases = e.heldLeases()
	for id, b := range e.bodies {
		s.Bodies[id] = b.Waiting()
	}
	e.barns.Range(func(id, v any) bool {
		b := v.(metrics.Barn)
		if w, ok := e.gathers.Load(id); ok {
			b.Missing = w.(*wanted).missing()
		}
		s.Barns = append(s.Barns, b)
		return true
	})
	var err error
	if s.Port, err = e.portState(ctx); err != nil {
		e.logger.Debug("the MQTT port does not say how it stands", "why", err) // it is being opened again
	}
	if s.Held, err = e.index.CountHeld(""); err != nil {
		return s, err
	}
	if s.Held > 0 {
		oldest, err := e.index.HeldRecords(index.StillHeld, events.Place{}, 1)
		if err != nil {
			return s, err
		}
		if len(oldest) > 0 {
			if s.HeldAge, err = e.age(ctx, oldest[0].Place.Position); err != nil {
				return s, err
			}
		}
	}
	list, err := e.feeds.List(ctx)
	if err != nil {
		return s, err
	}
	for i := range list {
		f := &list[i]
		m := metrics.Feed{
			ID: f.Feed, Sent: f.Rows, Behind: f.Behind, Parked: f.Parked, Waiting: f.Waiting, Delivering: f.State == "running",
		}
		if f.Behind > 0 {
			if m.Age, err = e.age(ctx, f.Position); err != nil {
				return s, err
			}
		}
		s.Feeds = append(s.Feeds, m)
	}
	return s, nil
}

// age is how long ago an entry was made.
func (e *engine) age(ctx context.Context, p events.Position) (time.Duration, error) {
	entry, err := e.log.Get(ctx, p)
	if err != nil {
		return 0, err
	}
	t, err := time.Parse(time.RFC3339, entry.Time)
	if err != nil {
		return 0, err
	}
	return max(0, e.now().Sub(t)), nil
}
