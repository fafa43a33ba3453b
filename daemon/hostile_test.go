package main

import (
	"bytes"
	"compress/gzip"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"syscall"
	"testing"
)

// hostileMemory is what the whole process may take at its peak, whatever it is
// given to read.
const hostileMemory = 300 << 20

const hostileConfig = `version: 1
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources:
  rows: {farm: hilltop, folder: in, files: ["*.csv", "*.gz"], mapping: rows.yaml, rest: 1ms, scan: 100ms}
  docs: {farm: hilltop, folder: in, files: ["*.json"], mapping: docs.yaml, rest: 1ms, scan: 100ms}
`

const hostileRows = `mapping: rows
direction: in
dates: YYYY-MM-DD
read: {format: csv}
record: {identifier: [ear-tag]}
animal: {ear-tag: tag}
occurred: {date: date}
row: {foot: foot, claw: claw}
events:
  - lesion: {code: lesion}
`

const hostileDocs = `mapping: docs
direction: in
dates: YYYY-MM-DD
read: {format: json, each: "$.rows[*]"}
record: {identifier: [ear-tag]}
animal: {ear-tag: $.tag}
occurred: {date: $.date}
row: {foot: $.foot, claw: $.claw}
events:
  - lesion: {code: $.lesion}
`

// good is a row that must come through whatever stands before it.
const (
	goodHead = "tag,date,foot,claw,lesion\n"
	goodRow  = "DE0900000001,2026-03-02,LH,outer,SU\n"
	goodDoc  = `{"tag":"DE0900000001","date":"2026-03-02","foot":"LH","claw":"outer","lesion":"SU"}`
)

// TestHostile gives the program what a broken or hostile device could write, and
// wants three things of each: a reason in words, the good row behind it taken
// (where the format lets it be told apart), and memory under its bound: the peak
// of the process as the system counts it. Sizes are such that what is held
// whole, or grows with the file, passes the bound.
func TestHostile(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("the peak of memory is counted as Linux does")
	}
	if testing.Short() {
		t.Skip("hundreds of megabytes: not in the short form")
	}
	t.Parallel()
	scale := 1
	if *long {
		scale = 4 // a line of a gigabyte
	}
	tests := []struct {
		name, file string
		write      func(w io.Writer)
		want       []string // in what is printed
	}{
		{"rows of a million cells", "a.csv", func(w io.Writer) {
			put(w, goodHead)
			for range 24 * scale {
				put(w, strings.Repeat(",", 1_000_000)+"\n")
			}
			put(w, goodRow)
		}, []string{"at most 4096 cells, got 1000001", "accepted 1 "}},
		{"rows just under the longest", "a.csv", func(w io.Writer) {
			put(w, goodHead)
			for range 200 * scale {
				put(w, "DE09,2026-03-02,LH,outer,"+strings.Repeat("x", 1_000_000)+"\n")
			}
			put(w, goodRow)
		}, []string{"accepted 1 "}},
		{"one line of zeros without an end", "a.csv", func(w io.Writer) {
			put(w, goodHead)
			f := w.(*os.File)
			if _, err := f.Seek(256<<20*int64(scale), io.SeekCurrent); err != nil {
				panic(err)
			}
			put(w, "\n"+goodRow)
		}, []string{"held as", "accepted 1 "}},
		{"a million columns", "a.csv", func(w io.Writer) {
			put(w, strings.Repeat("a,", 500_000)+"\n"+goodRow)
		}, []string{"a header of at most 4096 columns, got 500001"}},
		{"a bomb of gzip", "a.csv.gz", func(w io.Writer) {
			z := gzip.NewWriter(w)
			put(z, goodHead)
			for range 200 * scale {
				put(z, strings.Repeat("\n", 1<<20))
			}
			_ = z.Close()
		}, []string{"times its size"}},
		{"a document of many small values", "a.json", func(w io.Writer) {
			put(w, `{"rows":[0`+strings.Repeat(",0", 16<<20)+`]}`)
		}, []string{"at most 1048576 values in one text, got more"}},
		{"a document nested a million deep", "a.json", func(w io.Writer) {
			put(w, strings.Repeat(`{"rows":[`, 1_000_000))
		}, []string{"nesting of at most 100, got more"}},
		{"numbers that would do harm", "a.json", func(w io.Writer) {
			put(w, `{"rows":[{"tag":1e1000001},{"tag":`+strings.Repeat("7", 200_000)+`},`+goodDoc+`]}`)
		}, []string{"a number of at most 64 characters"}},
		{"names twice", "a.json", func(w io.Writer) {
			put(w, `{"rows":[{"tag":"DE09","tag":"DE08"}]}`)
		}, []string{`every name once (RFC 7493), got "tag" twice`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			write(t, filepath.Join(dir, "dewclaw.yaml"), hostileConfig)
			write(t, filepath.Join(dir, "rows.yaml"), hostileRows)
			write(t, filepath.Join(dir, "docs.yaml"), hostileDocs)
			write(t, filepath.Join(dir, "in", ".keep"), "")
			f, err := os.Create(filepath.Join(dir, "in", tt.file))
			if err != nil {
				t.Fatal(err)
			}
			tt.write(f)
			if err := f.Close(); err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command("dewclaw", "--config", filepath.Join(dir, "dewclaw.yaml"), "once")
			var out bytes.Buffer
			cmd.Stdout, cmd.Stderr = &out, &out
			forgetPeak(t)
			if err := cmd.Run(); err != nil {
				t.Errorf("%v\n%.2000s", err, &out)
			}
			for _, w := range tt.want {
				if !strings.Contains(strings.Join(strings.Fields(out.String()), " "), w) {
					t.Errorf("wanted %q, got\n%.2000s", w, &out)
				}
			}
			peak := cmd.ProcessState.SysUsage().(*syscall.Rusage).Maxrss << 10
			t.Logf("peak %d MiB", peak>>20)
			if peak > hostileMemory {
				t.Errorf("the process took %d MiB, wanted at most %d", peak>>20, hostileMemory>>20)
			}
		})
	}
}

// forgetPeak makes this process small and its peak what it has now: a program
// that it starts has the peak of its starter as its least one.
func forgetPeak(t testing.TB) {
	t.Helper()
	debug.FreeOSMemory()
	if err := os.WriteFile("/proc/self/clear_refs", []byte("5"), 0); err != nil { // 5: proc_pid_clear_refs(5)
		t.Log(err)
	}
}

func put(w io.Writer, s string) {
	if _, err := io.WriteString(w, s); err != nil {
		panic(err)
	}
}
