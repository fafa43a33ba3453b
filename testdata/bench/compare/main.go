// Command compare runs dewclaw beside general tools over the same big file, in
// one run, and prints medians and ratios. It is a module of its own, so that the
// product needs none of them.
//
//	cd testdata/bench/compare && go run . -rows 500000 -runs 5
//
// Each contestant makes one nested JSON event of about 430 bytes from each row:
//
//	read         floor: the lines are read, nothing is made of them
//	json         floor: encoding/csv, a struct, encoding/json, SHA-256 and fsync at 512 rows, in order; no checks
//	miller       mlr (if it is in PATH): CSV to JSON lines, no mapping, no checks, no fsync
//	general      a general pipeline engine: CSV, mapping, JSON Schema, file; one thread, in order, no fsync, no
//	             duplicate test
//	general-2    the same on two threads; the order of rows is lost
//	dewclaw      CSV, mapping, identity, duplicate test, schema check, hash-chained log, fsync at each commit, in order
//
// One row in a hundred is rotten: dewclaw holds it with all reasons, the engine
// drops it, the others do not notice.
package main

import (
	"errors"
	"flag"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"syscall"
	"time"

	"dewclaw/testdata/bench"
)

func main() {
	rows := flag.Int("rows", 500_000, "rows of the file")
	runs := flag.Int("runs", 5, "how often each contestant runs, in turn")
	self := flag.String("contestant", "", "run one contestant over the file, for the parent process")
	flag.Parse()
	err := error(nil)
	if *self != "" {
		err = contestants[*self](flag.Arg(0), flag.Arg(1))
	} else {
		err = compare(*rows, *runs)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "compare:", err)
		os.Exit(1)
	}
}

// contestants that run in this program, each in a process of its own; they read
// one file and write another.
var contestants = map[string]func(in, out string) error{
	"read":      readLines,
	"json":      handWritten,
	"general":   func(in, out string) error { return general(in, out, 1) },
	"general-2": func(in, out string) error { return general(in, out, 2) },
}

// order is that of the table.
var order = []string{"read", "json", "miller", "general", "general-2", "dewclaw"}

// A run is what one contestant took.
type run struct {
	wall, cpu time.Duration
	peak      int64 // bytes
}

func compare(rows, runs int) error {
	dir, err := os.MkdirTemp("", "compare")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	in := filepath.Join(dir, "big.csv")
	if err := makeFile(in, rows); err != nil {
		return err
	}
	program := filepath.Join(dir, "dewclaw")
	build := exec.Command("go", "build", "-o", program, "./daemon")
	build.Dir = filepath.Join("..", "..", "..")
	build.Stderr = os.Stderr
	if err := build.Run(); err != nil {
		return fmt.Errorf("build dewclaw: %w", err)
	}
	took := map[string][]run{}
	for i := range runs {
		for _, name := range order {
			out := filepath.Join(dir, fmt.Sprint(name, i))
			cmd, err := command(name, program, in, out)
			if errors.Is(err, exec.ErrNotFound) {
				continue
			}
			if err != nil {
				return err
			}
			r, err := measure(cmd)
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			took[name] = append(took[name], r)
			if err := os.RemoveAll(out); err != nil {
				return err
			}
		}
	}
	report(took, rows)
	return nil
}

func makeFile(path string, rows int) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	_, err = bench.Write(f, bench.Options{Rows: rows, Seed: 1})
	return err
}

// command returns the process of a contestant; exec.ErrNotFound if it is not
// installed.
func command(name, program, in, out string) (*exec.Cmd, error) {
	switch name {
	case "miller":
		if _, err := exec.LookPath("mlr"); err != nil {
			return nil, exec.ErrNotFound
		}
		return exec.Command("sh", "-c", `exec mlr --icsv --ojsonl --allow-ragged-csv-input --lazy-quotes cat "$0" > "$1"`, in, out), nil
	case "dewclaw":
		if err := project(in, out); err != nil {
			return nil, err
		}
		return exec.Command(program, "--config", filepath.Join(out, "dewclaw.yaml"), "once"), nil
	}
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	return exec.Command(self, "-contestant", name, in, out), nil
}

func measure(cmd *exec.Cmd) (run, error) {
	cmd.Stderr = os.Stderr
	start := time.Now()
	if err := cmd.Run(); err != nil {
		return run{}, err
	}
	r := run{wall: time.Since(start), cpu: cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()}
	if usage, ok := cmd.ProcessState.SysUsage().(*syscall.Rusage); ok {
		r.peak = usage.Maxrss
		if runtime.GOOS != "darwin" {
			r.peak <<= 10 // kilobytes, but on Darwin bytes (getrusage(2))
		}
	}
	return r, nil
}

func report(took map[string][]run, rows int) {
	of := map[string]time.Duration{}
	for name := range maps.Keys(took) {
		of[name] = median(took[name], func(r run) time.Duration { return r.wall })
	}
	fmt.Printf("%d rows, %d cores, median of %d\n\n", rows, runtime.NumCPU(), len(took["dewclaw"]))
	fmt.Printf("%-10s %8s %8s %9s %8s %12s\n", "", "wall s", "cpu s", "rows/s", "MiB", "to dewclaw")
	for _, name := range order {
		list, ok := took[name]
		if !ok {
			fmt.Printf("%-10s not installed\n", name)
			continue
		}
		wall := of[name]
		cpu := median(list, func(r run) time.Duration { return r.cpu })
		peak := median(list, func(r run) time.Duration { return time.Duration(r.peak) })
		fmt.Printf("%-10s %8.2f %8.2f %9s %8d %12.2f\n", name, wall.Seconds(), cpu.Seconds(),
			strconv.FormatFloat(float64(rows)/wall.Seconds(), 'f', 0, 64), int64(peak)>>20, float64(wall)/float64(of["dewclaw"]))
	}
}

func median(list []run, of func(run) time.Duration) time.Duration {
	var all []time.Duration
	for _, r := range list {
		all = append(all, of(r))
	}
	slices.Sort(all)
	return all[len(all)/2]
}
