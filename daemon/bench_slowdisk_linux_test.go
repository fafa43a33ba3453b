package main

import (
	"bytes"
	"fmt"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// BenchmarkSlowDisk runs the program over the big file on one core, with a disk
// that takes so long for each fsync: strace (Debian) holds up its return.
//
//	go test ./daemon -run '^$' -bench SlowDisk -benchtime 1x -bench-rows 50000
//
// It reports rows/s and the peak of resident memory, and fails if that is over
// 256 MiB, a small machine. What strace itself costs is in the first line, which
// holds up nothing.
func BenchmarkSlowDisk(b *testing.B) {
	program, err := exec.LookPath("dewclaw")
	if err != nil {
		b.Fatal(err)
	}
	for _, wait := range []time.Duration{0, 5 * time.Millisecond, 20 * time.Millisecond, 50 * time.Millisecond} {
		b.Run(wait.String(), func(b *testing.B) {
			for _, needed := range []string{"strace", "taskset"} {
				if _, err := exec.LookPath(needed); err != nil {
					b.Skip(err)
				}
			}
			for b.Loop() {
				b.StopTimer()
				dir := b.TempDir()
				c := benchProject(b, dir)
				b.StartTimer()
				cmd := exec.Command("taskset", "-c", "0", "strace", "-f", "-qq", "--seccomp-bpf", "-o", filepath.Join(dir, "calls"),
					"-e", "trace=fsync,fdatasync", "-e", fmt.Sprintf("inject=fsync,fdatasync:delay_exit=%d", wait.Microseconds()),
					program, "--config", filepath.Join(dir, "dewclaw.yaml"), "once")
				cmd.Env = append(cmd.Environ(), "GOMAXPROCS=1")
				out, err := cmd.CombinedOutput()
				if err != nil {
					b.Fatalf("%v\n%s", err, out)
				}
				if !bytes.Contains(out, fmt.Appendf(nil, "read %d = ", *benchRows)) {
					b.Fatalf("%s\nwanted all %d rows read", out, *benchRows)
				}
				took, peak := b.Elapsed(), peakOf(cmd)
				b.ReportMetric(float64(c.Events)/took.Seconds(), "events/s")
				b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
				if peak > 256<<20 {
					b.Errorf("peak memory is %d MiB, wanted at most 256", peak>>20)
				}
			}
		})
	}
}
