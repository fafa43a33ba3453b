package streamlog

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

func TestLog_KeepsWhatItAcknowledged(t *testing.T) {
	dir := t.TempDir()
	l := open(t, Options{Dir: dir, Logger: testLogger(t), Rand: bytes.NewReader(make([]byte, 16))})
	if want := strings.Repeat("0", 26); l.ID() != want {
		t.Errorf("id: got %s, want %s", l.ID(), want)
	}
	if pos, hash := l.Last(); pos != 0 || hash != events.NoEntry {
		t.Errorf("empty log: got %d %s", pos, hash)
	}
	for i := range 5 {
		e := entry(fmt.Sprint("s", i), 3, 100)
		_, prev := l.Last()
		pos := mustAppend(t, l, e)
		if want := events.Position(i + 1); pos != want || e.At != want {
			t.Fatalf("position: got %d, entry says %d, want %d", pos, e.At, want)
		}
		if e.V != events.EntryVersion || e.Log != l.ID() || e.Prev != prev || e.Time != "2026-04-01T06:30:00Z" {
			t.Errorf("entry filled in: %d %s %s %s", e.V, e.Log, e.Prev, e.Time)
		}
	}
	pos, hash := l.Last()
	shut(t, l)
	l = open(t, Options{Dir: dir, Logger: testLogger(t)})
	if p, h := l.Last(); p != pos || h != hash || l.ID() != strings.Repeat("0", 26) {
		t.Errorf("reopened: got %d %s of log %s, want %d %s", p, h, l.ID(), pos, hash)
	}
	want := events.Position(3)
	for e, err := range l.Read(t.Context(), 3) {
		if err != nil {
			t.Fatal(err)
		}
		if e.At != want || e.Source != fmt.Sprint("s", want-1) || len(e.Events) != 3 {
			t.Errorf("entry %d: position %d, source %s, %d events", want, e.At, e.Source, len(e.Events))
		}
		want++
	}
	if want != 6 {
		t.Errorf("read up to %d, want 5", want-1)
	}
	for _, pos := range []events.Position{0, 6} {
		if _, err := l.Get(t.Context(), pos); !errors.Is(err, events.ErrNotFound) {
			t.Errorf("get %d: got %v, want not found", pos, err)
		}
	}
}

// The stream as any client of the server sees it: one message an entry, on the
// subject of the log, chained by the SHA-256 of the message before.
func TestLog_IsAJetStreamStream(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	for i := range 12 { // more than are asked for one by one
		mustAppend(t, l, entry(fmt.Sprint("s", i), 3, 100))
	}
	k, err := l.connection()
	if err != nil {
		t.Fatal(err)
	}
	if a := k.srv.Addr(); a != nil {
		t.Errorf("the embedded server listens on %v", a)
	}
	s, err := k.js.Stream(t.Context(), "dewclaw-"+l.ID())
	if err != nil {
		t.Fatal(err)
	}
	c := s.CachedInfo().Config
	if !c.DenyDelete || !c.DenyPurge || c.Storage != jetstream.FileStorage || c.Compression != jetstream.NoCompression {
		t.Errorf("stream: %+v", c)
	}
	if err := s.Purge(t.Context()); err == nil {
		t.Error("the stream can be purged")
	}
	if err := s.DeleteMsg(t.Context(), 1); err == nil {
		t.Error("an entry can be deleted")
	}
	prev := events.NoEntry
	for seq := uint64(1); seq <= 12; seq++ {
		m, err := s.GetMsg(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		var got struct {
			V        int
			Log      string
			At       uint64
			Prev     string
			Source   string
			Events   []json.RawMessage
			Complete any
		}
		if err := json.Unmarshal(m.Data, &got); err != nil {
			t.Fatal(err)
		}
		if m.Subject != "dewclaw.log."+l.ID() || got.Log != l.ID() || got.At != seq || got.Prev != prev || len(got.Events) != 3 {
			t.Errorf("message %d on %s: %+v", seq, m.Subject, got)
		}
		prev = events.EntryHash(m.Data)
	}
	if _, hash := l.Last(); hash != prev {
		t.Errorf("hash of the newest: got %s, want %s", hash, prev)
	}
	// The block files, read without the server, tell the same as the server.
	files, server := l.store, store(&remote{l})
	for from := events.Position(1); from <= 12; from++ {
		if a, b := allRaw(t, files, from), allRaw(t, server, from); a != b {
			t.Errorf("from %d: files and server differ: %.200q, %.200q", from, a, b)
		}
	}
}

func allRaw(t *testing.T, s store, from events.Position) string {
	t.Helper()
	c, err := s.open(t.Context(), from, 12)
	if err != nil {
		t.Fatal(err)
	}
	defer c.close()
	var b strings.Builder
	for {
		r, err := c.next(t.Context())
		if err == io.EOF {
			return b.String()
		}
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%d %s\n", r.pos, r.body)
	}
}

func TestAppend_BoundsAnEntryByTheMessage(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	k, err := l.connection()
	if err != nil {
		t.Fatal(err)
	}
	e := entry("s", 1, 100)
	b, err := e.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	const places = 64 + 26 + len("2026-04-01T06:30:00Z") // prev, log and time, filled in by Append
	fits := k.bound() - len(b) - places
	for _, tt := range []struct {
		size int
		want error
	}{{fits, nil}, {fits + 1, events.ErrInvalid}, {k.bound() * 3, events.ErrInvalid}} {
		e := entry("s", 1, 100)
		e.Name = strings.Repeat("n", tt.size-len(`,"name":""`))
		_, err := l.Append(t.Context(), e)
		if !errors.Is(err, tt.want) {
			t.Errorf("%d bytes: got %v, want %v", tt.size, err, tt.want)
		}
	}
	if k.bound() < 8<<20-headerSpace {
		t.Errorf("bound: got %d", k.bound())
	}
	if pos := mustAppend(t, l, entry("s", 1, 100)); pos != 2 {
		t.Errorf("after refusals: got position %d, want 2", pos)
	}
}

// An append that is given up by its caller is either there or not, and never
// twice.
func TestAppend_SettlesAnOutcomeThatIsUnknown(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	mustAppend(t, l, entry("s0", 1, 100))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := l.Append(ctx, entry("s1", 1, 100)); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled before: got %v", err)
	}
	// Lose the connection under the feet of the appender, at every moment of it.
	k, err := l.connection()
	if err != nil {
		t.Fatal(err)
	}
	var moved *TailMovedError
	known, appended := events.Position(1), 0
	for i := range 40 {
		done := make(chan struct{})
		go func() {
			defer close(done)
			time.Sleep(time.Duration(i) * 50 * time.Microsecond)
			_ = k.nc.ForceReconnect()
		}()
		for {
			pos, err := l.Append(t.Context(), entry(fmt.Sprint("n", i), 1, 50_000))
			if err == nil {
				known = pos
				appended++
				break
			}
			if !errors.Is(err, events.ErrUnavailable) {
				t.Fatal(err)
			}
			if errors.As(err, &moved) {
				// It was stored after all; a caller would find its events there.
				e, err := l.Get(t.Context(), moved.Position)
				if err != nil || moved.Position != known+1 || e.Source != fmt.Sprint("n", i) {
					t.Fatalf("moved to %d from %d: %v", moved.Position, known, err)
				}
				known = moved.Position
				break
			}
		}
		<-done
	}
	pos, _ := l.Last()
	if pos != 41 || known != 41 {
		t.Errorf("got %d entries (%d known), want 41", pos, known)
	}
	n := events.Position(0)
	for e, err := range l.Read(t.Context(), 0) {
		if n++; err != nil || e.At != n {
			t.Fatalf("position %d: %v", n, err)
		}
	}
	t.Logf("%d acknowledged at once, %d found later", appended, 40-appended)
}

func TestLog_ReadsWhileItAppends(t *testing.T) {
	const entries = 60
	l := open(t, Options{Dir: t.TempDir()})
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			after := events.Position(0)
			for after < entries {
				if err := l.Wait(t.Context(), after); err != nil {
					t.Error(err)
					return
				}
				for e, err := range l.Read(t.Context(), after+1) {
					if err != nil {
						t.Error(err)
						return
					}
					if e.At != after+1 {
						t.Errorf("position %d after %d", e.At, after)
					}
					after = e.At
				}
			}
		})
	}
	for range 2 {
		wg.Go(func() {
			for range entries / 2 {
				if _, err := l.Append(t.Context(), entry("s", 1, 400_000)); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	if pos, _ := l.Last(); pos != entries {
		t.Errorf("got %d, want %d", pos, entries)
	}
}

func TestWait_EndsWithItsContextAndWithTheLog(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	ctx, cancel := context.WithCancel(t.Context())
	errs := make(chan error, 2)
	go func() { errs <- l.Wait(ctx, 0) }()
	cancel()
	if err := <-errs; !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want cancelled", err)
	}
	go func() { errs <- l.Wait(t.Context(), 0) }()
	shut(t, l)
	if err := <-errs; !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("got %v, want unavailable", err)
	}
	if _, err := l.Append(t.Context(), entry("s", 1, 100)); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("append to a closed log: got %v, want unavailable", err)
	}
}

func TestOpen_ReadOnlyChangesNothing(t *testing.T) {
	w := small(t, 3)
	before := w.sums()
	l := open(t, Options{Dir: w.dir, ReadOnly: true})
	if pos, _ := l.Last(); pos != 3 || l.Damage() != nil {
		t.Errorf("got %d %v", pos, l.Damage())
	}
	if got, errs := readAll(t, l); len(got) != 3 || errs != nil {
		t.Errorf("read %v %v", got, errs)
	}
	if _, err := l.Append(t.Context(), entry("s", 1, 100)); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("append: got %v, want invalid", err)
	}
	shut(t, l)
	if after := w.sums(); fmt.Sprint(after) != fmt.Sprint(before) {
		t.Error("files changed")
	}
	_, err := Open(t.Context(), Options{Dir: filepath.Join(w.dir, "none"), Now: clock, ReadOnly: true})
	if !errors.Is(err, events.ErrNotFound) {
		t.Errorf("no log: got %v, want not found", err)
	}
}

func TestOpen_RefusesOptionsThatCannotBe(t *testing.T) {
	for _, o := range []Options{
		{Now: clock},
		{Dir: "x"},
		{Dir: "x", Now: clock, Stream: "s"},
		{Dir: "x", Now: clock, URL: "nats://127.0.0.1:1"},
		{Dir: "x", Now: clock, URL: "nats://127.0.0.1:1", Stream: "a.b"},
	} {
		if _, err := Open(t.Context(), o); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%+v: got %v, want invalid", o, err)
		}
	}
}
