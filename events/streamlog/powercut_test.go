package streamlog

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// lazyDir names the folder in which a copy of the test binary publishes to a
// server as it is by default: it acknowledges before it syncs.
const lazyDir = "STREAMLOG_LAZY"

// TestLog_SurvivesPowerCuts appends on an ext4 file system whose image lies on
// XFS, and clones that image (a reflink) at random moments: what a disk would
// have had if the power had gone just then. Each clone is mounted and opened;
// every entry that was acknowledged before the clone was begun must be there. As
// a control the same is done to a server with its default, which syncs every two
// minutes: that must be seen to lose, or the test could not see a loss at all.
//
//	go test ./events/streamlog -run PowerCuts -long -v    (root, xfsprogs, e2fsprogs)
func TestLog_SurvivesPowerCuts(t *testing.T) {
	if !*long {
		t.Skip("needs root, loop devices and minutes: -long")
	}
	for _, tool := range []string{"mkfs.xfs", "mkfs.ext4", "mount", "cp"} {
		if _, err := exec.LookPath(tool); err != nil || os.Geteuid() != 0 {
			t.Skipf("needs root and %s", tool)
		}
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 3))
	w := newPowerCuts(t)
	lost := w.run(rnd, childDir, 20, func(dir string) events.Position {
		l, err := Open(t.Context(), Options{Dir: dir, Now: clock, ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		defer shut(t, l)
		if err := l.Damage(); err != nil {
			t.Errorf("damaged: %v", err)
		}
		pos, _ := l.Last()
		return pos
	})
	if lost != 0 {
		t.Errorf("%d of 20 clones lost what was acknowledged", lost)
	}
	control := w.run(rnd, lazyDir, 8, w.lazyLast)
	t.Logf("of 8 clones of a server that syncs late %d lost what was acknowledged", control)
	if control == 0 {
		t.Error("the control lost nothing: this test sees no loss")
	}
}

type powerCuts struct {
	t            *testing.T
	outer, inner string // mount points
}

func (w *powerCuts) command(name string, args ...string) {
	w.t.Helper()
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		w.t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
}

func newPowerCuts(t *testing.T) *powerCuts {
	t.Helper()
	dir := t.TempDir()
	w := &powerCuts{t: t, outer: filepath.Join(dir, "outer"), inner: filepath.Join(dir, "inner")}
	for _, d := range []string{w.outer, w.inner, filepath.Join(dir, "clone")} {
		if err := os.Mkdir(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	image := filepath.Join(dir, "outer.img")
	w.command("truncate", "-s", "6G", image)
	w.command("mkfs.xfs", "-q", "-m", "reflink=1", image)
	w.mount(image, w.outer)
	return w
}

func (w *powerCuts) mount(image, at string) {
	w.t.Helper()
	w.command("mount", "-o", "loop", image, at)
	w.t.Cleanup(func() { _ = exec.Command("umount", "-l", at).Run() })
}

// run starts a child that appends, clones the disk below it n times, and returns
// how many clones lacked an entry that had been acknowledged.
func (w *powerCuts) run(rnd *rand.Rand, env string, n int, last func(dir string) events.Position) (lost int) {
	w.t.Helper()
	image := filepath.Join(w.outer, env+".img")
	w.command("truncate", "-s", "1G", image)
	w.command("mkfs.ext4", "-q", image)
	w.mount(image, w.inner)
	defer w.command("umount", w.inner)
	acked, stop := w.child(env, filepath.Join(w.inner, "log"))
	defer stop()
	for i := range n + 1 {
		time.Sleep(time.Duration(200+rnd.IntN(1500)) * time.Millisecond)
		before := acked()
		if i == n { // everything is on the disk: whoever reads a clone must find it all
			stop()
			before = acked()
			w.command("sync", "-f", w.inner)
		}
		clone := filepath.Join(w.outer, fmt.Sprintf("%s-%d.img", env, i))
		w.command("cp", "--reflink=always", image, clone)
		at := filepath.Join(filepath.Dir(w.inner), "clone")
		w.command("mount", "-o", "loop", clone, at)
		got := last(filepath.Join(at, "log"))
		w.command("umount", at)
		if err := os.Remove(clone); err != nil {
			w.t.Fatal(err)
		}
		if got < before && i == n {
			w.t.Errorf("after a sync %d are acknowledged and %d there: what is read is not what is there", before, got)
		} else if got < before {
			lost++
		}
		w.t.Logf("%s clone %d: %d acknowledged, %d there", env, i, before, got)
	}
	return lost
}

// child runs this binary under an environment variable; acked returns the
// newest position it has printed.
func (w *powerCuts) child(env, dir string) (acked func() events.Position, stop func()) {
	w.t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), env+"="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		w.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		w.t.Fatal(err)
	}
	var mu sync.Mutex
	var newest events.Position
	done := make(chan struct{})
	go func() {
		defer close(done)
		for lines := bufio.NewScanner(out); lines.Scan(); {
			var pos uint64
			if n, _ := fmt.Sscanf(lines.Text(), "%d", &pos); n == 1 {
				mu.Lock()
				newest = events.Position(pos)
				mu.Unlock()
			} else if strings.HasPrefix(lines.Text(), "error") {
				w.t.Error(lines.Text())
			}
		}
	}()
	return func() events.Position { mu.Lock(); defer mu.Unlock(); return newest }, func() {
		_ = cmd.Process.Kill()
		<-done
		_ = cmd.Wait()
	}
}

func lazyServer(dir string) (*server.Server, jetstream.JetStream, error) {
	s, err := server.NewServer(&server.Options{ServerName: "lazy", DontListen: true, JetStream: true, StoreDir: dir, NoSigs: true})
	if err != nil {
		return nil, nil, err
	}
	go s.Start()
	if !s.ReadyForConnections(10 * time.Second) {
		return nil, nil, fmt.Errorf("the server does not start")
	}
	nc, err := nats.Connect("", nats.InProcessServer(s))
	if err != nil {
		return nil, nil, err
	}
	js, err := jetstream.New(nc)
	return s, js, err
}

// publishForEver prints each sequence the server acknowledged.
func publishForEver(dir string) int {
	ctx := context.Background()
	_, js, err := lazyServer(dir)
	if err == nil {
		_, err = js.CreateStream(ctx, jetstream.StreamConfig{Name: "log", Subjects: []string{"log"}, Storage: jetstream.FileStorage})
	}
	for body := make([]byte, 20_000); err == nil; {
		var ack *jetstream.PubAck
		if ack, err = js.Publish(ctx, "log", body); err == nil {
			fmt.Println(ack.Sequence)
		}
		time.Sleep(2 * time.Millisecond) // about as fast as one that syncs
	}
	fmt.Println("error", err)
	return 1
}

// lazyLast opens the store of a clone and returns its newest sequence.
func (w *powerCuts) lazyLast(dir string) events.Position {
	s, js, err := lazyServer(dir)
	if err != nil {
		w.t.Fatal(err)
	}
	defer func() { s.Shutdown(); s.WaitForShutdown() }()
	defer js.Conn().Close()
	stream, err := js.Stream(w.t.Context(), "log")
	if err != nil {
		return 0 // all of it is gone
	}
	return events.Position(stream.CachedInfo().State.LastSeq)
}
