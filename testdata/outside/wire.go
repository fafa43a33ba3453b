package outside

import (
	"io"
	"net"
	"sync"
	"testing"
)

// A Wire is a way over TCP to an address, that can be cut.
type Wire struct {
	listener net.Listener
	to       string

	mu   sync.Mutex
	cut  bool
	all  int
	open map[net.Conn]bool
	work sync.WaitGroup
}

// StartWire makes a wire to an address; it ends with the test.
func StartWire(t testing.TB, to string) *Wire {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	w := &Wire{listener: l, to: to, open: map[net.Conn]bool{}}
	w.work.Go(w.accept)
	t.Cleanup(func() {
		_ = l.Close()
		w.Set(true)
		w.work.Wait()
	})
	return w
}

// Addr is the near end.
func (w *Wire) Addr() string { return w.listener.Addr().String() }

func (w *Wire) accept() {
	for {
		in, err := w.listener.Accept()
		if err != nil {
			return
		}
		w.work.Go(func() { w.carry(in) })
	}
}

func (w *Wire) carry(in net.Conn) {
	defer in.Close()
	if !w.add(in) {
		return
	}
	out, err := net.Dial("tcp", w.to)
	if err != nil {
		return
	}
	defer out.Close()
	if !w.add(out) {
		return
	}
	var both sync.WaitGroup
	for _, p := range [][2]net.Conn{{in, out}, {out, in}} {
		both.Go(func() {
			_, _ = io.Copy(p[0], p[1])
			_, _ = p[0].Close(), p[1].Close()
		})
	}
	both.Wait()
}

func (w *Wire) add(c net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.open[c] = true
	w.all++
	return !w.cut
}

// Met returns how many connections there were, each counted at both of its ends.
func (w *Wire) Met() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.all / 2
}

// Set cuts the wire, with every connection over it, or mends it.
func (w *Wire) Set(cut bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cut = cut
	for c := range w.open {
		_ = c.Close()
	}
	clear(w.open)
}
