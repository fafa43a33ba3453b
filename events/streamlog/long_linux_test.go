package streamlog

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"testing"
	"time"
)

// aloneIn names the variable that tells a process that it is there for one test.
const aloneIn = "DEWCLAW_TEST_ALONE"

// A gigabyte is appended and the log opened again: neither takes memory by the
// size of the log, and opening does not read it whole. It runs in a process of its
// own: what other tests left would count.
func TestLog_StaysSmallWhileItGrows(t *testing.T) {
	size := 40 << 20
	if *long {
		size = 1 << 30
	}
	const bound = 100 // MiB, of the 300 MiB the whole daemon may take
	if raced {
		t.Skip("the race detector takes memory of its own")
	}
	if os.Getenv(aloneIn) == "" {
		cmd := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$", "-test.v", fmt.Sprint("-long=", *long))
		cmd.Env = append(os.Environ(), aloneIn+"=1")
		out, err := cmd.CombinedOutput()
		if t.Logf("%s", out); err != nil || !bytes.Contains(out, []byte("--- PASS: "+t.Name())) {
			t.Errorf("in a process of its own: %v", err)
		}
		return
	}
	dir := t.TempDir()
	l := open(t, Options{Dir: dir})
	e := entry("s", 512, 600)
	body, err := e.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	peak, began := 0, time.Now()
	for done := 0; done < size; done += len(body) {
		e.Time = ""
		mustAppend(t, l, e)
		peak = max(peak, residentMiB(t))
	}
	pos, _ := l.Last()
	t.Logf("%d MiB in %d entries, %v each; %d MiB resident at most", size>>20, pos, time.Since(began)/time.Duration(pos), peak)
	if peak > bound {
		t.Errorf("%d MiB resident while appending, want %d at most", peak, bound)
	}
	shut(t, l)
	began = time.Now()
	l = open(t, Options{Dir: dir})
	t.Logf("opened again after a clean stop in %v", time.Since(began))
	shut(t, l)
	w := wreck{t, dir}
	w.unclean()
	began = time.Now()
	l = open(t, Options{Dir: dir})
	t.Logf("opened as after a kill in %v, %d MiB resident", time.Since(began), residentMiB(t))
	began, peak = time.Now(), 0
	for e, err := range l.Read(t.Context(), 0) {
		if err != nil {
			t.Fatal(err)
		}
		if e.At%16 == 0 {
			peak = max(peak, residentMiB(t))
		}
	}
	t.Logf("read in %v, %d MiB resident at most", time.Since(began), peak)
	if peak > bound {
		t.Errorf("%d MiB resident while reading, want %d at most", peak, bound)
	}
}

// residentMiB is how much memory the process has, in MiB (proc(5), VmRSS).
func residentMiB(t *testing.T) int {
	t.Helper()
	b, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := bytes.Cut(b, []byte("VmRSS:"))
	var kB int
	if _, err := fmt.Sscan(string(rest[:min(len(rest), 20)]), &kB); err != nil {
		t.Fatal(err)
	}
	return kB >> 10
}
