package intake_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// A tailLog is the log as one of several daemons sees it: it appends nothing
// behind entries that daemon has not been told of, as streamlog.Log does.
type tailLog struct {
	*memoryLog
	told events.Position
}

func (l *tailLog) Append(ctx context.Context, e *events.Entry) (events.Position, error) {
	if last, hash := l.Last(); last != l.told {
		l.told = last
		return 0, &streamlog.TailMovedError{Position: last, Hash: hash}
	}
	at, err := l.memoryLog.Append(ctx, e)
	if err == nil {
		l.told = at
	}
	return at, err
}

const sharedMapping = `mapping: chute
direction: in
dates: YYYY-MM-DD
times: HH:mm:ss
read: {format: csv}
record: {identifier: [ear-tag]}
animal: {ear-tag: tag}
occurred: {date: date, time: time}
row: {foot: foot, claw: claw}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown}
  - lesion: {code: lesion, zones: {from: zone, map: claw-zones-13}, severity: {from: sev, scale: grade-3}}
`

func sharedRows(n int) []byte {
	var b strings.Builder
	b.WriteString("tag,date,time,foot,claw,lesion,zone,sev\n")
	for i := range n {
		fmt.Fprintf(&b, "DE%010d,2026-03-02,08:%02d:%02d,LH,outer,SU,4,2\n", i, i/60%60, i%60)
	}
	return []byte(b.String())
}

// shared makes two houses on one log, with one archive between them.
func shared(t *testing.T) (a, b *house) {
	log := &memoryLog{id: "log-1"}
	sizes := intake.Sizes{Rows: 8, Records: 16}
	a, b = newSizedHouse(t, t.TempDir(), log, sizes), newSizedHouse(t, t.TempDir(), log, sizes)
	t.Cleanup(a.close)
	t.Cleanup(b.close)
	var err error
	if b.archive, err = archive.Open(a.dir + "/archive"); err != nil {
		t.Fatal(err)
	}
	b.in.Archive = b.archive
	for _, h := range []*house{a, b} {
		h.in.Log = &tailLog{memoryLog: log}
	}
	return a, b
}

// Two daemons read the same file of the same source at the same time, as they do
// when one was stopped for longer than its lease and goes on. Whenever one is
// about to append, the other may read the file to its end: each event is in the
// log once, and whoever came too late says so and finds it read.
func TestIntake_ASourceReadByTwoDaemonsIsReadOnce(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 1))
	const rows = 100
	file := sharedRows(rows)
	late := 0
	for range 20 {
		a, b := shared(t)
		src := source(t, "chute", "larkfield", "chute.yaml", []byte(sharedMapping))
		at, n, busy := rnd.IntN(7), 0, false
		a.in.Beat = func(beat string) {
			if beat != intake.BeatAppend || busy {
				return
			}
			if n++; n-1 == at {
				busy = true
				b.take(src, "a.csv", file)
			}
		}
		_, err := a.in.Take(t.Context(), src, delivery("a.csv", file), intake.Options{})
		if err != nil {
			if !errors.Is(err, events.ErrUnavailable) || !strings.Contains(err.Error(), "another daemon wrote of it") {
				t.Fatal(err)
			}
			late++
		}
		if r := a.take(src, "a.csv", file); !r.Known {
			t.Errorf("read again: %+v", r)
		}
		seen := map[string]bool{}
		for _, ev := range a.events() {
			if seen[ev.ID()] || ev.Revision != 1 {
				t.Errorf("event %s is there twice", ev.ID())
			}
			seen[ev.ID()] = true
		}
		if len(seen) != 2*rows {
			t.Errorf("%d events, wanted %d", len(seen), 2*rows)
		}
	}
	if late < 10 {
		t.Errorf("only %d of 20 came too late: this proves little", late)
	}
}

// What another daemon reads of another source changes nothing: an entry goes
// behind it.
func TestIntake_AnotherSourceOfAnotherDaemonDoesNotHinder(t *testing.T) {
	a, b := shared(t)
	mine := source(t, "chute", "larkfield", "chute.yaml", []byte(sharedMapping))
	other := source(t, "barn", "larkfield", "chute.yaml", []byte(sharedMapping))
	n := 0
	a.in.Beat = func(beat string) {
		if beat == intake.BeatAppend {
			n++
			b.take(other, fmt.Sprintf("%d.csv", n), sharedRows(10*n))
		}
	}
	r := a.take(mine, "a.csv", sharedRows(100))
	if r.Counts.Accepted != 100 || r.Entries != n || n < 6 {
		t.Errorf("%+v with %d appends", r, n)
	}
	a.in.Beat = func(string) {}
	if got, want := len(a.events()), 2*100+2*10*n; got != want {
		t.Errorf("%d events, wanted %d", got, want)
	}
}

// What another daemon has read is known again.
func TestIntake_CatchesUpWithAnotherDaemon(t *testing.T) {
	a, b := shared(t)
	src := source(t, "chute", "larkfield", "chute.yaml", []byte(sharedMapping))
	b.take(src, "a.csv", sharedRows(100))
	if err := a.in.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	if last, _ := a.log.Last(); a.ix.Applied() != last {
		t.Errorf("applied %d of %d", a.ix.Applied(), last)
	}
	if r := a.take(src, "b.csv", sharedRows(101)); r.Counts.Duplicate != 100 || r.Counts.Accepted != 1 {
		t.Errorf("got %v, want one new record", r.Counts)
	}
}
