package main

import (
	"bytes"
	"errors"
	"flag"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewclaw/testdata/bench"
)

var benchRows = flag.Int("bench-rows", 500_000, "rows of the big file of BenchmarkOnce")

// benchConfig has no feed: what is measured is the way from a file to the
// fsynced log.
const benchConfig = `version: 1
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources:
  chute: {farm: hilltop, folder: in, files: ["*.csv"], mapping: big.yaml, rest: 100ms}
`

// BenchmarkOnce runs the whole program over the big file, in a process of its
// own with nothing in its data folder, and then over its re-export with one row
// in a hundred changed:
//
//	go test ./daemon -run '^$' -bench Once -benchtime 1x
//
// It reports rows/s, events/s and the peak of resident memory; start and stop of
// the program are part of the time.
func BenchmarkOnce(b *testing.B) {
	for _, again := range []bool{false, true} {
		name := map[bool]string{false: "first", true: "re-export"}[again]
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				dir := b.TempDir()
				first := benchProject(b, dir)
				if again {
					benchOnce(b, dir)
					benchFile(b, dir, true)
				}
				b.StartTimer()
				took, peak := benchOnce(b, dir)
				b.ReportMetric(float64(*benchRows)/took.Seconds(), "rows/s")
				if !again {
					b.ReportMetric(float64(first.Events)/took.Seconds(), "events/s")
				}
				b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
			}
		})
	}
}

func benchProject(b testing.TB, dir string) bench.Counts {
	b.Helper()
	mapping, err := os.ReadFile(filepath.Join("..", "testdata", "bench", "big.yaml"))
	if err != nil {
		b.Fatal(err)
	}
	for name, text := range map[string][]byte{"dewclaw.yaml": []byte(benchConfig), "big.yaml": mapping} {
		if err := os.WriteFile(filepath.Join(dir, name), text, 0o644); err != nil {
			b.Fatal(err)
		}
	}
	return benchFile(b, dir, false)
}

// benchFile writes the big file into the folder of the source, at rest.
func benchFile(b testing.TB, dir string, changed bool) bench.Counts {
	b.Helper()
	name := filepath.Join(dir, "in", map[bool]string{false: "a.csv", true: "b.csv"}[changed])
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		b.Fatal(err)
	}
	f, err := os.Create(name)
	if err != nil {
		b.Fatal(err)
	}
	c, err := bench.Write(f, bench.Options{Rows: *benchRows, Seed: 1, Changed: changed})
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	old := time.Now().Add(-time.Hour)
	if err == nil {
		err = os.Chtimes(name, old, old)
	}
	if err != nil {
		b.Fatal(err)
	}
	return c
}

// What waits for the end of an export, here every record of it as each says what an
// older export said, is settled in bounded memory. Measured: 210 MiB, and 329 when
// what was settled stayed in memory.
func TestOnce_AnOlderExportAgainStaysInItsMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("not in the short form")
	}
	defer func(rows int) { *benchRows = rows }(*benchRows)
	*benchRows = 60_000
	dir := t.TempDir()
	benchProject(t, dir)
	first, err := os.ReadFile(filepath.Join(dir, "in", "a.csv"))
	if err != nil {
		t.Fatal(err)
	}
	header, rows, _ := bytes.Cut(first, []byte("\n"))
	benchOnce(t, dir)
	swap := strings.NewReplacer(",LF,", ",RF,", ",RF,", ",LF,", ",LH,", ",RH,", ",RH,", ",LH,")
	export := func(name, rows string) {
		write(t, filepath.Join(dir, "in", name), string(header)+"\n"+rows)
	}
	export("b.csv", swap.Replace(string(rows)))
	benchOnce(t, dir)
	export("c.csv", string(rows)+string(rows[:bytes.IndexByte(rows, '\n')+1]))
	_, peak := benchOnce(t, dir)
	if most := int64(265 << 20); peak > most {
		t.Errorf("peak memory is %d MiB, wanted at most %d", peak>>20, most>>20)
	}
}

// mostMemory is what the whole process may take, at any size of the log.
const mostMemory = 300 << 20

// benchFeed adds a feed of whole CloudEvents to the config.
const benchFeed = `recipients: {vet: {name: The vet}}
feeds:
  vet: {recipient: vet, farms: [hilltop], kinds: [examination, lesion, treatment, locomotion, claw-measure], to: {folder: out}}
grants:
  - {farm: hilltop, recipient: vet, purpose: care, kinds: [examination, lesion, treatment, locomotion, claw-measure], fields: identities, from: 2020-01-01}
`

// BenchmarkRun runs the daemon over the big file, with a feed and the read model
// behind the log, until nothing is written any more:
//
//	go test ./daemon -run '^$' -bench Run -benchtime 1x -timeout 30m
//
// It reports the peak of resident memory, and fails if that is over 300 MiB.
func BenchmarkRun(b *testing.B) {
	for b.Loop() {
		dir := b.TempDir()
		benchProject(b, dir)
		if err := os.Mkdir(filepath.Join(dir, "out"), 0o755); err != nil {
			b.Fatal(err)
		}
		config := filepath.Join(dir, "dewclaw.yaml")
		if err := os.WriteFile(config, []byte(benchConfig+benchFeed), 0o644); err != nil {
			b.Fatal(err)
		}
		cmd := exec.Command("dewclaw", "--config", config, "run")
		var told bytes.Buffer
		cmd.Stderr = &told
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		for {
			time.Sleep(time.Second)
			if time.Since(newestIn(b, dir)) > benchRest {
				break
			}
		}
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			b.Fatal(err)
		}
		if err := cmd.Wait(); err != nil {
			b.Fatalf("%v\n%s", err, told.String())
		}
		peak := peakOf(cmd)
		b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
		if peak > mostMemory {
			b.Errorf("peak memory is %d MiB, wanted at most %d", peak>>20, mostMemory>>20)
		}
	}
}

// benchOnce runs the program and returns how long it took and its peak of
// resident memory in bytes.
func benchOnce(b testing.TB, dir string) (time.Duration, int64) {
	b.Helper()
	cmd := exec.Command("dewclaw", "--config", filepath.Join(dir, "dewclaw.yaml"), "once")
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	forgetPeak(b)
	start := time.Now()
	if err := cmd.Run(); err != nil {
		b.Fatalf("%v\n%s", err, out.String())
	}
	took := time.Since(start)
	for line := range strings.Lines(out.String()) {
		if strings.HasPrefix(line, "read ") {
			b.Logf("%s in %.2f s", strings.TrimSpace(line), took.Seconds())
		}
	}
	return took, peakOf(cmd)
}

// benchRest is how long nothing below the folder was written when all is done.
const benchRest = 10 * time.Second

// newestIn returns when something below dir was last written.
func newestIn(b *testing.B, dir string) time.Time {
	b.Helper()
	var newest time.Time
	err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil // it was renamed meanwhile
		}
		if err != nil {
			return err
		}
		st, err := d.Info()
		if err == nil && st.ModTime().After(newest) {
			newest = st.ModTime()
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	return newest
}

// peakOf returns the peak of resident memory of a process that ended, in bytes.
func peakOf(cmd *exec.Cmd) int64 {
	usage, ok := cmd.ProcessState.SysUsage().(*syscall.Rusage)
	if !ok {
		return 0
	}
	peak := usage.Maxrss
	if runtime.GOOS != "darwin" {
		peak <<= 10 // kilobytes, but on Darwin bytes (getrusage(2))
	}
	return peak
}
