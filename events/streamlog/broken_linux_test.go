package streamlog

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"dewclaw/events"
)

// A failed write leaves the server frozen and unanswering; the log restarts it.
func TestAppend_GoesOnWhenTheDiskDoes(t *testing.T) {
	dir := t.TempDir()
	l := open(t, Options{Dir: dir})
	mustAppend(t, l, entry("s0", 1, 100))
	var wg sync.WaitGroup
	defer wg.Wait()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	wg.Go(func() { // readers need no server
		for ctx.Err() == nil {
			for e, err := range l.Read(t.Context(), 0) {
				if err != nil || e == nil {
					t.Error(err)
					return
				}
			}
		}
	})
	// Closing the block file behind the server's back makes its next write fail,
	// as a disk that is gone does.
	breakWrites(t, dir)
	began := time.Now()
	_, err := l.Append(t.Context(), entry("s1", 1, 100))
	if !errors.Is(err, events.ErrUnavailable) {
		t.Fatalf("got %v, want unavailable", err)
	}
	if d := time.Since(began); d > appendWithin/2 {
		t.Errorf("told after %v: the server's error was not heard", d)
	}
	if pos, _ := l.Last(); pos != 1 {
		t.Errorf("newest: got %d, want 1", pos)
	}
	b, err := l.Bucket(t.Context(), "cursors")
	if err == nil {
		err = b.Put(t.Context(), "k", []byte("v"))
	}
	_ = err // may fail while the server is frozen
	if pos := mustAppend(t, l, entry("s1", 1, 100)); pos != 2 {
		t.Errorf("after the restart: got position %d, want 2", pos)
	}
	if err := b.Put(t.Context(), "k", []byte("v")); err != nil {
		t.Errorf("put after the restart: %v", err)
	}
	if e, err := l.Get(t.Context(), 2); err != nil || e.Source != "s1" {
		t.Errorf("entry 2: %v", err)
	}
}

// breakWrites makes every descriptor of a block file read-only.
func breakWrites(t *testing.T, dir string) {
	t.Helper()
	fds, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, fd := range fds {
		name, err := os.Readlink(filepath.Join("/proc/self/fd", fd.Name()))
		if err == nil && strings.HasPrefix(name, dir) && strings.Contains(name, streamPrefix) && strings.HasSuffix(name, blockSuffix) {
			reopenReadOnly(t, fd.Name(), name)
			n++
		}
	}
	if n == 0 {
		t.Fatal("the server has no block file open")
	}
}

// reopenReadOnly puts a read-only descriptor of a file in place of one of ours.
func reopenReadOnly(t *testing.T, fd, name string) {
	t.Helper()
	n, err := strconv.Atoi(fd)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := unix.Dup3(int(f.Fd()), n, unix.O_CLOEXEC); err != nil {
		t.Fatal(err)
	}
}
