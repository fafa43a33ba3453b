package folder

import (
	"context"
	"errors"
	"flag"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	"go.uber.org/goleak"
)

var long = flag.Bool("long", false, "run the long forms: a file of 2 GiB")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	rest     = 30 * time.Millisecond
	patience = 20 * time.Second // until a test gives up
)

// A bench is a source over a folder with what it reported.
type bench struct {
	*Source
	t   *testing.T
	dir string

	mu   sync.Mutex
	said []string
}

func newBench(t *testing.T, o Options) *bench {
	t.Helper()
	b := &bench{t: t, dir: o.Dir}
	if b.dir == "" {
		b.dir = t.TempDir()
		o.Dir = b.dir
	}
	if o.Rest == 0 {
		o.Rest = rest
	}
	if o.Scan == 0 {
		o.Scan = 3 * rest
	}
	o.Who = "source chute"
	o.Report = func(f *events.Fault) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.said = append(b.said, f.Error())
	}
	s, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	b.Source = s
	t.Cleanup(func() { _ = s.Close() })
	return b
}

func (b *bench) reports() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.said)
}

func (b *bench) write(name, body string) {
	b.t.Helper()
	writeFile(b.t, filepath.Join(b.dir, name), body)
}

func writeFile(t *testing.T, name, body string) {
	t.Helper()
	if err := os.WriteFile(name, []byte(body), 0o600); err != nil {
		t.Fatal(err)
	}
}

func (b *bench) next() *adapters.Delivery {
	b.t.Helper()
	d, err := b.tryNext(patience)
	if err != nil {
		b.t.Fatalf("Next: %v (reported: %q)", err, b.reports())
	}
	return d
}

func (b *bench) tryNext(wait time.Duration) (*adapters.Delivery, error) {
	ctx, cancel := context.WithTimeout(b.t.Context(), wait)
	defer cancel()
	return b.Next(ctx)
}

// nothing fails if something is handed over within some rests and scans.
func (b *bench) nothing() {
	b.t.Helper()
	d, err := b.tryNext(8 * rest)
	if d != nil || !errors.Is(err, context.DeadlineExceeded) {
		b.t.Fatalf("Next = %+v, %v; want nothing more", d, err)
	}
}

func body(t *testing.T, d *adapters.Delivery) string {
	t.Helper()
	r, err := d.Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all, err := io.ReadAll(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(all)
}

func settle(t *testing.T, d *adapters.Delivery, v adapters.Verdict) {
	t.Helper()
	if err := d.Settle(t.Context(), v); err != nil {
		t.Fatal(err)
	}
}

// take hands over one file, compares and settles it.
func (b *bench) take(name, want string) {
	b.t.Helper()
	d := b.next()
	if got := body(b.t, d); d.Name != name || got != want || d.Size != int64(len(want)) || d.Received.IsZero() || d.Modified.IsZero() {
		b.t.Fatalf("got %+v with %q, want %q with %q", d, got, name, want)
	}
	settle(b.t, d, adapters.Taken)
}

func (b *bench) files(dir string) []string {
	b.t.Helper()
	var out []string
	err := filepath.WalkDir(dir, func(p string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			rel, _ := filepath.Rel(dir, p)
			out = append(out, rel)
		}
		return err
	})
	if err != nil {
		b.t.Fatal(err)
	}
	return out
}

const childVar = "DEWCLAW_TEST_CHILD"

// asNobody runs the calling test in a child without the rights of root, to which
// every file is open, and reports whether it did: then the caller returns.
func asNobody(t *testing.T) bool {
	t.Helper()
	if os.Geteuid() != 0 {
		return false
	}
	return inChild(t, true)
}

// inChild runs the calling test in a child process, and reports whether this is
// the parent, for whom nothing is left to do.
func inChild(t *testing.T, nobody bool) bool {
	t.Helper()
	if os.Getenv(childVar) != "" {
		return false
	}
	dir, err := os.MkdirTemp("", "child")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	self, err := os.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	binary := filepath.Join(dir, "child.test")
	if err := errors.Join(os.Chmod(dir, 0o777), os.WriteFile(binary, self, 0o755)); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(binary, "-test.run=^"+strings.ReplaceAll(t.Name(), "/", "$/^")+"$", "-test.v")
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), childVar+"=1", "TMPDIR="+dir)
	if nobody {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	}
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(out), "--- PASS: "+t.Name()) {
		t.Errorf("child: %v\n%s", err, out)
	}
	return true
}
