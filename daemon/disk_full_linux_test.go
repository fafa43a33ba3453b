package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"dewclaw/daemon/internal/api"
	"dewclaw/testdata/outside"
)

// TestDiskFull runs the daemon over a data folder on a small disk of its own and
// fills that disk, so that it has less and less room left: for nothing, for the
// beginning of an original, for an original and no entry, for an entry and no
// read model. Each time the daemon must stop taking and say so at /readyz, leave
// the files of its source where they are, and go on by itself when there is room
// again. In the end every row is in the log once, and the books balance.
func TestDiskFull(t *testing.T) {
	if testing.Short() {
		t.Skip("not in the short form")
	}
	outside.NeedMounts(t)
	d := newSmallDisk(t, 160<<20)
	d.start()
	defer d.stop()
	rows := 0
	for i, room := range []int64{0, 4 << 10, 40 << 10, 120 << 10, 300 << 10, 700 << 10, 1500 << 10} {
		d.fill(room)
		name := fmt.Sprintf("%02d.csv", i)
		write(t, filepath.Join(d.dir, "in", name), rowsFrom(rows, 1500))
		rows += 1500
		full := d.waitFor(func() bool { return d.reasons() != "" || d.taken(name) })
		if full && d.reasons() != "" {
			t.Logf("%7d bytes free: %s", room, d.reasons())
			if strings.Contains(d.reasons(), partReadModel) {
				ctx, cancel := context.WithTimeout(t.Context(), patience)
				out, err := exec.CommandContext(ctx, "dewclaw", "--config", d.config, "worklist").CombinedOutput()
				if ctx.Err() != nil {
					t.Errorf("a list while the read model cannot follow does not end: %v\n%s", err, out)
				}
				cancel()
			}
			if _, err := os.Stat(filepath.Join(d.dir, "in", name)); err != nil && !d.taken(name) {
				t.Errorf("the file of the source has gone: %v", err)
			}
		} else {
			t.Logf("%7d bytes free: there was room enough", room)
		}
		d.empty()
		if !d.waitFor(func() bool { return d.taken(name) && d.reasons() == "" }) {
			t.Fatalf("with room again it does not go on: %s\n%s", d.reasons(), d.log())
		}
	}
	d.stop()
	out, err := exec.Command("dewclaw", "--config", d.config, "verify").CombinedOutput()
	if err != nil || !strings.Contains(string(out), fmt.Sprintf("read %d = accepted %d ", rows, rows)) {
		t.Errorf("verify: %v\n%s", err, out)
	}
}

// TestDiskFull_ASourceOfRequestsIsReadyAgain fills the disk, and empties it when the
// only request there is was answered with 503: the source must not stay out of order
// until the next one.
func TestDiskFull_ASourceOfRequestsIsReadyAgain(t *testing.T) {
	if testing.Short() {
		t.Skip("not in the short form")
	}
	outside.NeedMounts(t)
	p, d := newHTTPProject(t, ""), newSmallDisk(t, 160<<20)
	for _, name := range []string{"dewclaw.yaml", "gait.yaml"} {
		if err := os.Rename(filepath.Join(p.dir, name), filepath.Join(d.dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	d.start()
	defer d.stop()
	if status, _, err := p.post(gaitLine(1)); status != 200 || err != nil {
		t.Fatalf("at first: %d, %v", status, err)
	}
	d.fill(0)
	if status, _, err := p.post(gaitLine(2)); status != 503 || err != nil || !strings.Contains(d.reasons(), "source scores") {
		t.Fatalf("on a full disk: %d, %v, %q", status, err, d.reasons())
	}
	d.empty()
	if !d.waitFor(func() bool { return d.reasons() == "" }) {
		t.Errorf("with room again: %s\n%s", d.reasons(), d.log())
	}
	if status, _, err := p.post(gaitLine(2)); status != 200 || err != nil {
		t.Errorf("at last: %d, %v", status, err)
	}
}

// TestDescriptorsExhausted takes from a daemon at work the right to open files:
// all that it has open stay, none can be added. It must take nothing and stay
// there, and go on by itself when files can be opened again.
func TestDescriptorsExhausted(t *testing.T) {
	if testing.Short() {
		t.Skip("not in the short form")
	}
	d := newSmallDisk(t, 0)
	d.start()
	defer d.stop()
	read := func(name string, first int) bool {
		write(t, filepath.Join(d.dir, "in", name), rowsFrom(first, 200))
		return d.waitFor(func() bool { return d.taken(name) && d.reasons() == "" })
	}
	if !read("a.csv", 0) {
		t.Fatalf("a.csv is not taken: %s", d.log())
	}
	var was unix.Rlimit
	if err := unix.Prlimit(d.cmd.Process.Pid, unix.RLIMIT_NOFILE, &unix.Rlimit{Cur: 4, Max: 1 << 10}, &was); err != nil {
		t.Skipf("cannot set limits of a process here: %v", err)
	}
	write(t, filepath.Join(d.dir, "in", "b.csv"), rowsFrom(200, 200))
	time.Sleep(time.Second) // long enough to have taken it
	if d.taken("b.csv") || d.cmd.Process.Signal(syscall.Signal(0)) != nil {
		t.Errorf("without descriptors: taken %t, process: %v", d.taken("b.csv"), d.cmd.Process.Signal(syscall.Signal(0)))
	}
	if err := unix.Prlimit(d.cmd.Process.Pid, unix.RLIMIT_NOFILE, &unix.Rlimit{Cur: 1 << 10, Max: 1 << 10}, nil); err != nil {
		t.Fatal(err)
	}
	if !d.waitFor(func() bool { return d.taken("b.csv") && d.reasons() == "" }) || !read("c.csv", 400) {
		t.Fatalf("with descriptors again it does not go on: %s\n%s", d.reasons(), d.log())
	}
	d.stop()
	out, err := exec.Command("dewclaw", "--config", d.config, "verify").CombinedOutput()
	if err != nil || !strings.Contains(string(out), "read 600 = accepted 600 ") {
		t.Errorf("verify: %v\n%s", err, out)
	}
}

// A smallDisk is a project whose data folder is a file system of its own.
type smallDisk struct {
	t           *testing.T
	dir, config string
	as          *syscall.Credential // who the daemon is; nil for whoever runs the test
	program     string              // what is run; "" for the program on the path
	cmd         *exec.Cmd
}

// size 0 leaves it on the disk of the test.
func newSmallDisk(t *testing.T, size int) *smallDisk {
	t.Helper()
	d := &smallDisk{t: t, dir: t.TempDir()}
	d.config = filepath.Join(d.dir, "dewclaw.yaml")
	config := strings.Replace(killConfig, "rest: 100ms", "after: move, move-to: done, rest: 50ms, scan: 100ms, again: 200ms", 1)
	write(t, d.config, strings.Replace(config, "rows: 1000", "rows: 100", 1))
	write(t, filepath.Join(d.dir, "chute.yaml"), killMapping)
	for _, name := range []string{"data", "in", "done", "out"} {
		if err := os.MkdirAll(filepath.Join(d.dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if size == 0 {
		return d
	}
	data := filepath.Join(d.dir, "data")
	if err := syscall.Mount("tmpfs", data, "tmpfs", 0, fmt.Sprintf("size=%d", size)); err != nil {
		t.Fatalf("mount: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(data, syscall.MNT_DETACH); err != nil {
			t.Errorf("unmount: %v", err)
		}
	})
	return d
}

func (d *smallDisk) start() {
	d.t.Helper()
	d.cmd = d.command("run")
	out, err := os.OpenFile(filepath.Join(d.dir, "daemon.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		d.t.Fatal(err)
	}
	defer out.Close()
	d.cmd.Stdout, d.cmd.Stderr = out, out
	if err := d.cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
	if !d.waitFor(func() bool { _, err := d.ask(); return err == nil }) {
		d.stop()
		d.t.Fatalf("it does not start:\n%s", d.log())
	}
}

// stop ends the daemon, which must still be there and end in order.
func (d *smallDisk) stop() {
	if d.cmd.ProcessState != nil {
		return
	}
	_ = d.cmd.Process.Signal(syscall.SIGTERM)
	if err := d.cmd.Wait(); err != nil {
		d.t.Errorf("the daemon ended with %v\n%s", err, d.log())
	}
}

// log returns what the daemon said last.
func (d *smallDisk) log() string {
	b, _ := os.ReadFile(filepath.Join(d.dir, "daemon.log")) // for people
	return string(b[max(0, len(b)-6000):])
}

func (d *smallDisk) ask() ([]string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	c, err := api.Dial(ctx, filepath.Join(d.dir, "data"))
	if err != nil {
		return nil, err
	}
	return c.State(ctx, "readyz")
}

// reasons returns why the daemon is not ready, "" if it is.
func (d *smallDisk) reasons() string {
	why, err := d.ask()
	if err != nil {
		return "no answer: " + err.Error()
	}
	return strings.Join(why, "; ")
}

// taken reports whether a file of the source was settled: it is in the log, and
// moved.
func (d *smallDisk) taken(name string) bool {
	_, err := os.Stat(filepath.Join(d.dir, "done", name))
	return err == nil
}

func (d *smallDisk) waitFor(ok func() bool) bool {
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		if ok() {
			return true
		}
	}
	return false
}

func (d *smallDisk) ballast() string { return filepath.Join(d.dir, "data", "ballast") }

// fill leaves so many bytes free.
func (d *smallDisk) fill(room int64) {
	d.t.Helper()
	var st syscall.Statfs_t
	if err := syscall.Statfs(filepath.Join(d.dir, "data"), &st); err != nil {
		d.t.Fatal(err)
	}
	n := int64(st.Bavail)*st.Bsize - room
	f, err := os.Create(d.ballast())
	if err != nil {
		d.t.Fatal(err)
	}
	defer f.Close()
	block := make([]byte, 64<<10)
	for n > 0 {
		k, err := f.Write(block[:min(n, int64(len(block)))])
		n -= int64(k)
		if err != nil {
			return // it grew meanwhile: there is no room at all
		}
	}
}

func (d *smallDisk) empty() {
	d.t.Helper()
	if err := os.Remove(d.ballast()); err != nil {
		d.t.Fatal(err)
	}
}
