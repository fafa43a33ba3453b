package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewclaw/daemon/internal/api"
)

// BenchmarkGrowth shows how costs grow with the size of the log: the big file of
// 100 thousand and a million events (ten million with -long) is read, read again
// with one row in a hundred changed, fed as CloudEvents, made into a read model,
// and started over, after a clean stop and after a kill in the middle of reading:
//
//	go test ./daemon -run '^$' -bench Growth -benchtime 1x -timeout 6h [-long]
//
// It prints a row of a table for each size, with the highest peak of resident memory
// of any of these processes. Ten million need 40 GB of disk (worked out, not seen).
func BenchmarkGrowth(b *testing.B) {
	sizes := []int{100_000, 1_000_000}
	if *long {
		sizes = append(sizes, 10_000_000)
	}
	defer func(rows int) { *benchRows = rows }(*benchRows)
	for _, size := range sizes {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			for b.Loop() {
				*benchRows = size * 500 / 968 // the big file has 968 events in 500 rows
				g := growth{b: b, dir: b.TempDir()}
				g.grow()
			}
		})
	}
}

// A growth measures one size.
type growth struct {
	b    *testing.B
	dir  string
	peak int64 // the highest of all processes
}

func (g *growth) grow() {
	g.b.Helper()
	first := benchProject(g.b, g.dir)
	intake := g.once()
	benchFile(g.b, g.dir, true)
	again := g.once()

	if err := os.Mkdir(filepath.Join(g.dir, "out"), 0o755); err != nil {
		g.b.Fatal(err)
	}
	write(g.b, filepath.Join(g.dir, "dewclaw.yaml"), benchConfig+benchFeed)
	feed := g.once()
	fed := 0
	files, err := filepath.Glob(filepath.Join(g.dir, "out", "*.ndjson"))
	if err != nil {
		g.b.Fatal(err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			g.b.Fatal(err)
		}
		fed += bytes.Count(text, []byte("\n"))
	}
	if fed < first.Events {
		g.b.Fatalf("%d events are fed, wanted %d and what changed", fed, first.Events)
	}

	if err := os.RemoveAll(filepath.Join(g.dir, "data", "herd")); err != nil {
		g.b.Fatal(err)
	}
	herd := g.command("worklist", "--date", "2026-01-01")
	clean := g.start(syscall.SIGTERM)
	g.cutShort()
	crash := g.start(syscall.SIGTERM)
	g.b.Logf("| %d | %.1f s (%.0f events/s) | %.1f s (%.0f rows/s) | %.1f s (%.0f events/s) | %.1f s | %.2f s | %.2f s | %d MiB |", first.Events,
		intake.Seconds(), float64(first.Events)/intake.Seconds(), again.Seconds(), float64(*benchRows)/again.Seconds(),
		feed.Seconds(), float64(fed)/feed.Seconds(), herd.Seconds(), clean.Seconds(), crash.Seconds(), g.peak>>20)
	g.b.ReportMetric(float64(first.Events)/intake.Seconds(), "events/s")
	g.b.ReportMetric(float64(*benchRows)/again.Seconds(), "rows/s-again")
	g.b.ReportMetric(float64(fed)/feed.Seconds(), "events/s-fed")
	g.b.ReportMetric(herd.Seconds(), "s-herd")
	g.b.ReportMetric(clean.Seconds(), "s-start")
	g.b.ReportMetric(crash.Seconds(), "s-start-crash")
	g.b.ReportMetric(float64(g.peak)/(1<<20), "peak-MiB")
}

func (g *growth) once() time.Duration {
	g.b.Helper()
	took, peak := benchOnce(g.b, g.dir)
	g.took("once", peak)
	return took
}

// took notes the most memory a process had.
func (g *growth) took(what string, peak int64) {
	g.b.Logf("%s: peak %d MiB", what, peak>>20)
	g.peak = max(g.peak, peak)
}

// command runs any command and returns how long it took.
func (g *growth) command(args ...string) time.Duration {
	g.b.Helper()
	cmd := g.process(args...)
	start := time.Now()
	if out, err := cmd.CombinedOutput(); err != nil {
		g.b.Fatalf("%v: %v\n%.2000s", args, err, out)
	}
	g.took(args[0], peakOf(cmd))
	return time.Since(start)
}

func (g *growth) process(args ...string) *exec.Cmd {
	forgetPeak(g.b)
	return exec.Command("dewclaw", append([]string{"--config", filepath.Join(g.dir, "dewclaw.yaml")}, args...)...)
}

// start returns how long a daemon takes until it is ready, and ends it.
func (g *growth) start(end os.Signal) time.Duration {
	g.b.Helper()
	cmd := g.process("run")
	var said strings.Builder
	cmd.Stderr = &said
	began := time.Now()
	if err := cmd.Start(); err != nil {
		g.b.Fatal(err)
	}
	g.ready(cmd)
	took := time.Since(began)
	_ = cmd.Process.Signal(end)
	if err := cmd.Wait(); err != nil && end != os.Kill {
		g.b.Fatalf("the daemon ended with %v: %s", err, &said)
	}
	g.took("run", peakOf(cmd))
	return took
}

// ready waits until a daemon answers and says that it does its whole work.
func (g *growth) ready(cmd *exec.Cmd) {
	g.b.Helper()
	for end := time.Now().Add(10 * time.Minute); ; time.Sleep(5 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(g.b.Context(), 5*time.Second)
		c, err := api.Dial(ctx, filepath.Join(g.dir, "data"))
		if err == nil {
			var why []string
			if why, err = c.State(ctx, "readyz"); err == nil && len(why) == 0 {
				cancel()
				return
			}
		}
		cancel()
		if time.Now().After(end) {
			_ = cmd.Process.Kill()
			g.b.Fatalf("the daemon is not ready: %v", err)
		}
	}
}

// cutShort kills a daemon that is reading a file.
func (g *growth) cutShort() {
	g.b.Helper()
	f, err := os.Open(filepath.Join(g.dir, "in", "a.csv"))
	if err != nil {
		g.b.Fatal(err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, 16<<20))
	if err != nil {
		g.b.Fatal(err)
	}
	text = bytes.ReplaceAll(text, []byte(",LH,"), []byte(",RF,"))
	write(g.b, filepath.Join(g.dir, "in", "c.csv"), string(text[:bytes.LastIndexByte(text, '\n')+1]))
	cmd := g.process("run")
	if err := cmd.Start(); err != nil {
		g.b.Fatal(err)
	}
	g.ready(cmd)
	was := g.written()
	for end := time.Now().Add(time.Minute); g.written() == was && time.Now().Before(end); time.Sleep(time.Millisecond) {
	}
	time.Sleep(200 * time.Millisecond) // into the middle of it
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
}

// written is how many bytes the log has.
func (g *growth) written() (n int64) {
	files, err := filepath.Glob(filepath.Join(g.dir, "data", "log", "*", "*", "*", "*", "*", "*.blk"))
	if err != nil {
		g.b.Fatal(err)
	}
	for _, f := range files {
		if info, err := os.Stat(f); err == nil {
			n += info.Size()
		}
	}
	return n
}
