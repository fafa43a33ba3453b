package intake_test

import (
	"bufio"
	"context"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/events/streamlog"
	"dewclaw/testdata/bench"
)

// benchRows is the size of the file of the benchmarks; DEVELOPERS.md has the
// figures of 500,000.
var benchRows = func() int {
	if n, err := strconv.Atoi(os.Getenv("DEWCLAW_BENCH_ROWS")); err == nil {
		return n
	}
	return 20_000
}()

// A shed is an intake on a real log, as the daemon wires it.
type shed struct {
	in      *intake.Intake
	log     *streamlog.Log
	ix      *index.Index
	archive *archive.Archive
	src     *intake.Source
	events  int
	bytes   int
}

func newShed(b *testing.B) *shed {
	b.Helper()
	dir := b.TempDir()
	log, err := streamlog.Open(b.Context(), streamlog.Options{Dir: filepath.Join(dir, "log"), Now: time.Now})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = log.Close() })
	ix, err := index.Open(b.Context(), index.Options{Path: filepath.Join(dir, "index", "index.db"), Log: log})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = ix.Close() })
	a, err := archive.Open(filepath.Join(dir, "archive"))
	if err != nil {
		b.Fatal(err)
	}
	s := &shed{log: log, ix: ix, archive: a}
	s.in = intake.New(intake.Deps{
		Log: log, Index: ix, Archive: a, Decoders: decoders, Unpack: unpack, Now: time.Now, Logger: slog.New(slog.DiscardHandler),
		Committed: func(e *events.Entry) {
			s.events += len(e.Events)
			for _, ev := range e.Events {
				s.bytes += len(ev)
			}
		},
	})
	s.src = source(b, "big", "larkfield", "big.yaml", readFile(b, "../../../testdata/bench/big.yaml"))
	return s
}

func bigFile(b *testing.B, changed bool) (string, bench.Counts) {
	b.Helper()
	path := filepath.Join(b.TempDir(), "big.csv")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	c, err := bench.Write(f, bench.Options{Rows: benchRows, Seed: 1, Changed: changed})
	if err != nil {
		b.Fatal(err)
	}
	if err := f.Close(); err != nil {
		b.Fatal(err)
	}
	return path, c
}

func (s *shed) take(b *testing.B, path string) intake.Receipt {
	b.Helper()
	r, err := s.in.Take(b.Context(), s.src, &adapters.Delivery{
		Name: filepath.Base(path), Received: time.Now(), Size: -1,
		Open: func(context.Context) (io.ReadCloser, error) { return os.Open(path) },
	}, intake.Options{})
	if err != nil {
		b.Fatal(err)
	}
	return r
}

// BenchmarkIntake reads the big file into an empty log: from the bytes of the
// file to fsynced entries and the index.
func BenchmarkIntake(b *testing.B) {
	path, c := bigFile(b, false)
	rows, evs, size := 0, 0, 0
	for b.Loop() {
		b.StopTimer()
		s := newShed(b)
		b.StartTimer()
		r := s.take(b, path)
		b.StopTimer()
		if r.Counts.Read != c.Rows || r.Counts.Held != c.Rotten || s.events != c.Events {
			b.Fatalf("got %v and %d events, want %+v", r.Counts, s.events, c)
		}
		rows, evs, size = rows+r.Counts.Read, evs+s.events, size+s.bytes
		b.StartTimer()
	}
	b.ReportMetric(float64(rows)/b.Elapsed().Seconds(), "rows/s")
	b.ReportMetric(float64(evs)/b.Elapsed().Seconds(), "events/s")
	b.ReportMetric(float64(size)/float64(evs), "B/event")
	b.ReportMetric(peakMiB(b), "peak-MiB")
}

// BenchmarkReexport reads the big file and then, timed, an export of the same in
// which one row in a hundred says something else.
func BenchmarkReexport(b *testing.B) {
	first, _ := bigFile(b, false)
	again, c := bigFile(b, true)
	rows := 0
	for b.Loop() {
		b.StopTimer()
		s := newShed(b)
		s.take(b, first)
		b.StartTimer()
		r := s.take(b, again)
		if r.Counts.Read != c.Rows || r.Counts.Held != c.Rotten || r.Counts.Amended == 0 || r.Counts.Accepted != 0 {
			b.Fatalf("got %v, want %d rows, %d held, some amended, none accepted", r.Counts, c.Rows, c.Rotten)
		}
		rows += r.Counts.Read
	}
	b.ReportMetric(float64(rows)/b.Elapsed().Seconds(), "rows/s")
	b.ReportMetric(peakMiB(b), "peak-MiB")
}

// BenchmarkIndexRebuild builds the index anew from the log of the big file.
func BenchmarkIndexRebuild(b *testing.B) {
	path, _ := bigFile(b, false)
	s := newShed(b)
	s.take(b, path)
	n := 0
	for b.Loop() {
		n++
		ix, err := index.Open(b.Context(), index.Options{Path: filepath.Join(b.TempDir(), strconv.Itoa(n), "index.db"), Log: s.log})
		if err != nil {
			b.Fatal(err)
		}
		if err := ix.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n*s.events)/b.Elapsed().Seconds(), "events/s")
}

// BenchmarkVerify works the books of the big file out again.
func BenchmarkVerify(b *testing.B) {
	path, _ := bigFile(b, false)
	s := newShed(b)
	s.take(b, path)
	n := 0
	for b.Loop() {
		n++
		r, err := intake.Verify(b.Context(), intake.VerifyDeps{
			Log: s.log, Archive: s.archive, Decoders: decoders, Unpack: unpack, Dir: b.TempDir(),
		})
		if err != nil || len(r.Differences) > 0 {
			b.Fatalf("%+v, %v", r.Differences, err)
		}
	}
	b.ReportMetric(float64(n*s.events)/b.Elapsed().Seconds(), "events/s")
}

// peakMiB returns the highest resident set of the process so far (Linux), else 0.
func peakMiB(b *testing.B) float64 {
	b.Helper()
	f, err := os.Open("/proc/self/status")
	if err != nil {
		return 0
	}
	defer f.Close()
	for sc := bufio.NewScanner(f); sc.Scan(); {
		if v, ok := strings.CutPrefix(sc.Text(), "VmHWM:"); ok {
			kb, _ := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(v), " kB"), 64)
			return kb / 1024
		}
	}
	return 0
}
