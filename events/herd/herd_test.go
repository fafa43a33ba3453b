package herd_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// smallLog holds the samples.
func smallLog(t *testing.T, id string) *memLog {
	t.Helper()
	log := newMemLog(id)
	w := newWriter(log)
	for _, name := range sampleNames {
		readGolden(t, w, name, 9)
	}
	return log
}

// closeHerd builds a herd at path and closes it.
func closeHerd(t *testing.T, path string, log herd.Log) {
	t.Helper()
	if got := whole(t, path, log); got == "" {
		t.Fatal("the herd is empty")
	}
}

// progress collects what a herd tells of its building.
type progress struct{ built bool }

func (p *progress) options(path string, log herd.Log) herd.Options {
	return herd.Options{Path: path, Log: log, Progress: func(x herd.Progress) { p.built = p.built || x.Building }}
}

// Whatever happens to the file, the herd is the same afterwards.
func TestOpen_ThrowsAwayWhatItCannotUse(t *testing.T) {
	tests := []struct {
		name  string
		built bool
		spoil func(t *testing.T, path string, log *memLog) herd.Log
	}{
		{"nothing is wrong", false, func(_ *testing.T, _ string, log *memLog) herd.Log { return log }},
		{"the file is gone", true, func(t *testing.T, path string, log *memLog) herd.Log {
			if err := os.Remove(path); err != nil {
				t.Fatal(err)
			}
			return log
		}},
		{"the file is something else", true, func(t *testing.T, path string, log *memLog) herd.Log {
			if err := os.WriteFile(path, []byte("not a database, but long enough to look like a file that somebody wrote"), 0o600); err != nil {
				t.Fatal(err)
			}
			return log
		}},
		{"the file is empty", true, func(t *testing.T, path string, log *memLog) herd.Log {
			if err := os.Truncate(path, 0); err != nil {
				t.Fatal(err)
			}
			return log
		}},
		{"the end of the file is gone", true, func(t *testing.T, path string, log *memLog) herd.Log {
			fi, err := os.Stat(path)
			if err == nil {
				err = os.Truncate(path, fi.Size()/2)
			}
			if err != nil {
				t.Fatal(err)
			}
			return log
		}},
		{"another log", true, func(t *testing.T, _ string, _ *memLog) herd.Log { return smallLog(t, "another") }},
		{"the log is shorter", true, func(_ *testing.T, _ string, log *memLog) herd.Log {
			return &memLog{id: log.id, entries: log.entries[:3], grown: make(chan struct{})}
		}},
		{"the log went another way", true, func(t *testing.T, _ string, log *memLog) herd.Log {
			other := newMemLog(log.id)
			w := newWriter(other)
			readGolden(t, w, "05-roster", 1)
			for _, name := range sampleNames {
				readGolden(t, w, name, 3)
			}
			other.entries = other.entries[:max(len(log.entries), 20)]
			return other
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			path, log := filepath.Join(dir, "herd.db"), smallLog(t, "samples")
			closeHerd(t, path, log)
			use := tt.spoil(t, path, log)
			want := whole(t, filepath.Join(dir, "fresh.db"), use)
			var p progress
			h, err := herd.Open(t.Context(), p.options(path, use))
			if err != nil {
				t.Fatal(err)
			}
			defer h.Close()
			if got := dump(t, view(t, h)); got != want {
				t.Error(difference(got, want))
			}
			if p.built != tt.built {
				t.Errorf("built anew: got %v, want %v", p.built, tt.built)
			}
		})
	}
}

func TestOpen_OtherSettingsWorkEverythingOutAgain(t *testing.T) {
	path, log := filepath.Join(t.TempDir(), "herd.db"), smallLog(t, "samples")
	closeHerd(t, path, log)
	var p progress
	o := p.options(path, log)
	o.GapDays = 28
	h, err := herd.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	if v := view(t, h); !p.built || v.GapDays() != 28 {
		t.Errorf("built anew: %v, gap %d; want a herd with a gap of 28 days", p.built, v.GapDays())
	}
	o.GapDays = -1
	if _, err := herd.Open(t.Context(), o); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("got %v, want an error of kind invalid", err)
	}
}

// A file that was not closed holds whole transactions only: the herd goes on
// from the last of them.
func TestOpen_GoesOnAfterACrash(t *testing.T) {
	dir := t.TempDir()
	path, log := filepath.Join(dir, "herd.db"), smallLog(t, "samples")
	all := log.entries
	log.entries = all[:4]
	h := openAt(t, path, log)
	view(t, h)
	log.entries = all[:6]
	view(t, h)
	crashed := filepath.Join(dir, "crashed.db")
	for _, suffix := range []string{"", "-wal"} { // what a kill would leave
		b, err := os.ReadFile(path + suffix)
		if err == nil {
			err = os.WriteFile(crashed+suffix, b, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	log.entries = all
	var p progress
	again, err := herd.Open(t.Context(), p.options(crashed, log))
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if at := again.At(); at != 6 {
		t.Errorf("got position %d, want 6", at)
	}
	if got, want := dump(t, view(t, again)), whole(t, filepath.Join(dir, "fresh.db"), log); got != want || p.built {
		t.Errorf("built anew: %v; %s", p.built, difference(got, want))
	}
}

func TestOpen_BeginsAnewAfterAnUnfinishedBuild(t *testing.T) {
	path, log := filepath.Join(t.TempDir(), "herd.db"), smallLog(t, "samples")
	ctx, cancel := context.WithCancel(t.Context())
	h := openAt(t, path, log)
	cancel()
	if err := h.CatchUp(ctx); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v, want cancelled", err)
	}
	if _, err := h.View(t.Context()); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("got %v, want an error of kind unavailable while nothing is built", err)
	}
	if _, err := h.Known(t.Context(), farm, ids("ear-tag:DE1"), "2026-01-01"); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("got %v, want an error of kind unavailable while nothing is built", err)
	}
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	var p progress
	again, err := herd.Open(t.Context(), p.options(path, log))
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	if v := view(t, again); v.Position() != events.Position(len(log.entries)) || !p.built {
		t.Errorf("got position %d, built %v", v.Position(), p.built)
	}
}

// Working out may take longer than a daemon has to stop: it ends with ctx, takes
// back what it had begun, and the next time it comes to the same.
func TestCatchUp_EndsWhileItWorksOut(t *testing.T) {
	for _, building := range []bool{true, false} {
		dir, log := t.TempDir(), smallLog(t, "samples")
		all := log.entries
		ctx, cancel := context.WithCancel(t.Context())
		armed := building
		h, err := herd.Open(t.Context(), herd.Options{Path: filepath.Join(dir, "herd.db"), Log: log, Beat: func(beat string) {
			if armed && beat == herd.BeatSettle {
				cancel()
			}
		}})
		if err != nil {
			t.Fatal(err)
		}
		defer h.Close()
		before := events.Position(0)
		if !building {
			log.entries = all[:4]
			view(t, h)
			log.entries, armed, before = all, true, 4
		}
		if err := h.CatchUp(ctx); !errors.Is(err, context.Canceled) {
			t.Errorf("building %v: got %v, want cancelled", building, err)
		}
		if at := h.At(); at != before {
			t.Errorf("building %v: got position %d, want %d", building, at, before)
		}
		armed = false
		if got, want := dump(t, view(t, h)), whole(t, filepath.Join(dir, "fresh.db"), log); got != want {
			t.Errorf("building %v: %s", building, difference(got, want))
		}
	}
}

// What is whole of a damaged log is in the herd, and the error is told.
func TestCatchUp_TakesWhatIsWholeOfADamagedLog(t *testing.T) {
	for _, building := range []bool{true, false} {
		log := smallLog(t, "samples")
		all := log.entries
		h := openHerd(t, log)
		if !building {
			log.entries = all[:2]
			view(t, h)
			log.entries = all
		}
		log.broken = 6
		if err := h.CatchUp(t.Context()); !errors.Is(err, events.ErrCorrupt) {
			t.Errorf("building %v: got %v, want an error of kind corrupt", building, err)
		}
		if at := h.At(); at != 5 {
			t.Errorf("building %v: got position %d, want 5", building, at)
		}
	}
}

func TestCatchUp_BuildsADamagedFileAnew(t *testing.T) {
	path, log := filepath.Join(t.TempDir(), "herd.db"), smallLog(t, "samples")
	all := log.entries
	log.entries = all[:4]
	closeHerd(t, path, log)
	spoil(t, path)
	log.entries = all
	h := openAt(t, path, log)
	want := whole(t, filepath.Join(t.TempDir(), "fresh.db"), log)
	if got := dump(t, view(t, h)); got != want {
		t.Error(difference(got, want))
	}
}

// A query that meets the damage while nothing new comes is enough.
func TestFollow_BuildsAnewWhatAQueryFindsDamaged(t *testing.T) {
	path, log := filepath.Join(t.TempDir(), "herd.db"), smallLog(t, "samples")
	closeHerd(t, path, log)
	spoil(t, path)
	h, err := herd.Open(t.Context(), herd.Options{Path: path, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	done := make(chan error, 1)
	go func() { done <- h.Follow(ctx) }()
	for {
		v, err := h.View(ctx)
		if err != nil {
			if !errors.Is(err, events.ErrUnavailable) {
				t.Fatalf("got %v, want an error of kind unavailable", err)
			}
			continue
		}
		_, err = v.Cases(ctx, herd.CaseQuery{Farm: farm})
		if err == nil {
			_, err = v.Facts(ctx, herd.FactQuery{Farm: farm})
		}
		_ = v.Close()
		if err == nil {
			break
		}
		if !errors.Is(err, events.ErrUnavailable) {
			t.Fatalf("got %v, want an error of kind unavailable", err)
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
}

// spoil writes over the heads of all pages of a file but the first.
func spoil(t *testing.T, path string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	fi, err := f.Stat()
	if err != nil {
		t.Fatal(err)
	}
	junk := make([]byte, 4096)
	for i := range junk {
		junk[i] = 0xA5
	}
	for at := int64(8192); at+4096 <= fi.Size(); at += 8192 {
		if _, err := f.WriteAt(junk, at); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestFollow_SeesWhatIsAppended(t *testing.T) {
	defer goleak.VerifyNone(t)
	log := newMemLog("growing")
	h, err := herd.Open(t.Context(), herd.Options{Path: filepath.Join(t.TempDir(), "herd.db"), Log: log})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := h.Follow(ctx); err != nil {
			t.Errorf("follow: %v", err)
		}
	})
	w := newWriter(log)
	s := &story{T: t, log: log, w: w, h: h}
	patience, stop := context.WithTimeout(t.Context(), 30*time.Second)
	defer stop()
	for i := range 20 {
		s.fact("chute", lesion(cow, "2026-02-01", "SU", "RH", "outer", 4))
		if err := h.WaitFor(patience, events.Position(i+1)); err != nil {
			t.Fatal(err)
		}
		v, err := h.View(patience)
		if err != nil {
			t.Fatal(err)
		}
		if f := must(v.Facts(patience, herd.FactQuery{Farm: farm}))(t); v.Position() < events.Position(i+1) || len(f) != int(v.Position()) {
			t.Errorf("at position %d: got %d facts", v.Position(), len(f))
		}
		if err := v.Close(); err != nil {
			t.Fatal(err)
		}
	}
	cancel()
	wg.Wait()
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	if err := h.WaitFor(patience, 99); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("got %v, want an error of kind unavailable after Close", err)
	}
	if _, err := h.View(patience); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("got %v, want an error of kind unavailable after Close", err)
	}
}

// A view stays at its position while the herd goes on.
func TestView_DoesNotMove(t *testing.T) {
	log := smallLog(t, "samples")
	all := log.entries
	log.entries = all[:5]
	h := openHerd(t, log)
	v := view(t, h)
	before := dump(t, v)
	log.entries = all
	if err := h.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := dump(t, v); got != before || v.Position() != 5 {
		t.Errorf("at position %d: %s", v.Position(), difference(got, before))
	}
}

// Long work tells how far it is, and says when reading is over.
func TestCatchUp_TellsItsProgress(t *testing.T) {
	log := smallLog(t, "samples")
	clock := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	var all []herd.Progress
	o := herd.Options{
		Path: filepath.Join(t.TempDir(), "herd.db"), Log: log, Progress: func(p herd.Progress) { all = append(all, p) },
		Now: func() time.Time { clock = clock.Add(200 * time.Millisecond); return clock },
	}
	h, err := herd.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	view(t, h)
	if len(all) < 3 {
		t.Fatalf("got %d reports, want some", len(all))
	}
	last := events.Position(len(log.entries))
	for i, p := range all {
		if p.Last != last || !p.Building || p.Working != (i == len(all)-1) || i > 0 && p.At < all[i-1].At {
			t.Errorf("report %d: got %+v", i, p)
		}
	}
	if p := all[len(all)-1]; p.At != last || p.Events != 81 { // as many as the samples have
		t.Errorf("got %+v at the end, want all 81 events", p)
	}
}
