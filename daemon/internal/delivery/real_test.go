package delivery

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/streamlog"
)

var (
	_ Log    = (*streamlog.Log)(nil)
	_ Bucket = (*streamlog.Bucket)(nil)
)

// real gives the world a log on disk, with a server, in place of the one in
// memory.
func (w *world) real() {
	w.t.Helper()
	l, err := streamlog.Open(w.ctx(), streamlog.Options{Dir: filepath.Join(w.dir, "log"), Now: w.o.Now})
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(func() {
		if err := l.Close(); err != nil {
			w.t.Error(err)
		}
	})
	b, err := l.Bucket(w.ctx(), "feeds")
	if err != nil {
		w.t.Fatal(err)
	}
	w.append = func(e *events.Entry) events.Position {
		p, err := l.Append(w.ctx(), e)
		if err != nil {
			w.t.Fatal(err)
		}
		return p
	}
	w.o.Log, w.o.Bucket, w.bucket = l, b, b
}

func TestDesk_RunsOverARealLog(t *testing.T) {
	w := newWorld(t, vet(""))
	w.real()
	w.o.After = time.After
	w.say("A", "r0/x", lesion("SU"))
	w.commit()
	run := func(rows int, do func()) {
		t.Helper()
		ctx, cancel := context.WithCancel(w.ctx())
		d := w.desk()
		done := make(chan error, 1)
		go func() { done <- d.Run(ctx) }()
		do()
		eventually(t, func() bool { s, err := d.Show(ctx, "vet"); return err == nil && s.Rows == rows && s.Behind == 0 })
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
	run(4, func() {
		for i := range 3 {
			w.say("A", fmt.Sprintf("r%d/x", i+1), lesion("DD"))
			w.commit()
		}
	})
	run(5, func() {
		w.unsay("A", "r0/x", lesion("SU"))
		w.commit()
	})
	w.want("r0/x 1 recorded", "r1/x 1 recorded", "r2/x 1 recorded", "r3/x 1 recorded", "r0/x 2 retracted")
}

// A log whose bytes are damaged stops every feed; what was sent stays.
func TestDesk_DamagedLogStopsTheFeeds(t *testing.T) {
	w := newWorld(t, vet(""))
	w.say("A", "r0/x", lesion("SU"))
	w.commit()
	w.once()
	w.o.Log = damagedLog{w.log}
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	err := w.desk().Once(w.ctx())
	if !errors.Is(err, events.ErrCorrupt) || !strings.HasPrefix(err.Error(), "feed vet: ") {
		t.Errorf("got %v", err)
	}
	w.want("r0/x 1 recorded")
}
