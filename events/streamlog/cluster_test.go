package streamlog

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"os/signal"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// clusterNode has a node as JSON; a copy of the test binary serves it until it is
// stopped or killed.
const clusterNode = "STREAMLOG_NODE"

// A node is one NATS server of a cluster, in a process of its own so that it can be
// killed.
type node struct {
	Name, Dir    string
	Port, Routes int   // of clients and of the other nodes
	All          []int // ports of routes

	cmd *exec.Cmd
}

func serveNode(text string) int {
	var n node
	if err := json.Unmarshal([]byte(text), &n); err != nil {
		fmt.Println("error", err)
		return 1
	}
	o := &server.Options{
		ServerName: n.Name, Host: "127.0.0.1", Port: n.Port, NoSigs: true, NoLog: true,
		JetStream: true, StoreDir: n.Dir, SyncAlways: true,
		Cluster: server.ClusterOpts{Name: "herd", Host: "127.0.0.1", Port: n.Routes},
	}
	for _, p := range n.All {
		o.Routes = append(o.Routes, &url.URL{Scheme: "nats", Host: fmt.Sprint("127.0.0.1:", p)})
	}
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, syscall.SIGTERM)
	srv, err := server.NewServer(o)
	if err != nil {
		fmt.Println("error", err)
		return 1
	}
	srv.Start()
	if !srv.ReadyForConnections(20 * time.Second) {
		return 1
	}
	fmt.Println("ready")
	<-stop
	srv.Shutdown()
	srv.WaitForShutdown()
	return 0
}

func (n *node) start(t *testing.T) {
	t.Helper()
	text, err := json.Marshal(n)
	if err != nil {
		t.Fatal(err)
	}
	n.cmd = exec.Command(os.Args[0])
	n.cmd.Env = append(os.Environ(), clusterNode+"="+string(text))
	out, err := n.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := n.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if s := bufio.NewScanner(out); !s.Scan() || s.Text() != "ready" {
		t.Fatalf("node %s does not start: %s", n.Name, s.Text())
	}
}

// end ends the node with a signal and waits for it.
func (n *node) end(t *testing.T, sig os.Signal) {
	t.Helper()
	if err := n.cmd.Process.Signal(sig); err != nil {
		t.Error(err)
	}
	_ = n.cmd.Wait() // a killed one tells so
	n.cmd = nil
}

// A cluster is three nodes on 127.0.0.1 with routes between them.
type cluster struct {
	t     *testing.T
	nodes []*node
	url   string
	js    jetstream.JetStream
}

func startCluster(t *testing.T) *cluster {
	t.Helper()
	ports := freePorts(t, 6)
	c := &cluster{t: t}
	var urls []string
	for i, name := range []string{"n1", "n2", "n3"} {
		c.nodes = append(c.nodes, &node{Name: name, Dir: t.TempDir(), Port: ports[i], Routes: ports[3+i], All: ports[3:]})
		urls = append(urls, fmt.Sprint("nats://127.0.0.1:", ports[i]))
	}
	c.url = strings.Join(urls, ",")
	t.Cleanup(func() {
		for _, n := range c.nodes {
			if n.cmd != nil {
				n.end(t, syscall.SIGKILL)
			}
		}
	})
	var all sync.WaitGroup
	for _, n := range c.nodes {
		all.Go(func() { n.start(t) })
	}
	all.Wait()
	nc, err := nats.Connect(c.url, nats.MaxReconnects(-1), nats.ReconnectWait(100*time.Millisecond))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	if c.js, err = jetstream.New(nc); err != nil {
		t.Fatal(err)
	}
	return c
}

func freePorts(t *testing.T, n int) []int {
	t.Helper()
	var ports []int
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = l.Close() }()
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	return ports
}

// open opens the log of the cluster in a data folder, as soon as the cluster can.
func (c *cluster) open(dir string) *Log {
	c.t.Helper()
	o := Options{Dir: dir, URL: c.url, Stream: "herd-log", Replicas: 3, Now: clock}
	for end := time.Now().Add(clusterPatience); ; {
		l, err := Open(c.t.Context(), o)
		if err == nil {
			c.t.Cleanup(func() { shut(c.t, l) })
			return l
		}
		if !errors.Is(err, events.ErrUnavailable) || time.Now().After(end) {
			c.t.Fatal(err)
		}
		time.Sleep(100 * time.Millisecond)
	}
}

// clusterPatience is longer than an election takes.
const clusterPatience = 40 * time.Second

// leader returns the node that leads the stream, or one that follows.
func (c *cluster) leader(leads bool) *node {
	c.t.Helper()
	var name string
	c.until("a leader", func(i *jetstream.StreamInfo) bool { name = i.Cluster.Leader; return name != "" })
	for _, n := range c.nodes {
		if (n.Name == name) == leads && n.cmd != nil {
			return n
		}
	}
	c.t.Fatalf("no node leads=%t among %v, leader %s", leads, c.nodes, name)
	return nil
}

// until waits until the stream is in a state.
func (c *cluster) until(what string, is func(*jetstream.StreamInfo) bool) {
	c.t.Helper()
	var last string
	for end := time.Now().Add(clusterPatience); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(c.t.Context(), 2*time.Second)
		s, err := c.js.Stream(ctx, "herd-log")
		cancel()
		if err != nil {
			last = err.Error()
			continue
		}
		if i := s.CachedInfo(); i.Cluster != nil && is(i) {
			return
		} else if i.Cluster != nil {
			last = fmt.Sprintf("%+v", *i.Cluster)
		}
	}
	c.t.Fatalf("waited for %s; last: %s", what, last)
}

func whole(i *jetstream.StreamInfo) bool {
	if i.Cluster.Leader == "" || len(i.Cluster.Replicas) != 2 {
		return false
	}
	for _, r := range i.Cluster.Replicas {
		if r.Offline || !r.Current {
			return false
		}
	}
	return true
}

// write appends as a daemon does: after an outcome that is not known it looks
// whether its entry is there. It numbers its entries and returns how many.
func write(t *testing.T, l *Log, name string, stop *atomic.Bool, done *atomic.Int64) {
	for i := 0; !stop.Load(); i++ {
		source := fmt.Sprint(name, "-", i)
		known, _ := l.Last()
		for end := time.Now().Add(clusterPatience); ; {
			_, err := l.Append(t.Context(), entry(source, 2, 300))
			if err == nil {
				break
			}
			if time.Now().After(end) || !errors.Is(err, events.ErrUnavailable) {
				t.Errorf("%s: %v", source, err)
				return
			}
			moved := (*TailMovedError)(nil)
			if !errors.As(err, &moved) {
				time.Sleep(20 * time.Millisecond)
				continue
			}
			found, err := contains(t, l, known, source)
			if found {
				break
			}
			if err == nil {
				known = moved.Position
			}
		}
		done.Add(1)
	}
}

func contains(t *testing.T, l *Log, after events.Position, source string) (bool, error) {
	for e, err := range l.Read(t.Context(), after+1) {
		if err != nil {
			return false, err
		}
		if e.Source == source {
			return true, nil
		}
	}
	return false, nil
}

// Two writers append to one log on three servers. A follower is stopped and comes
// back, then the leader is killed and comes back, then both at once: nothing that
// was acknowledged is lost, nothing is there twice, and what each wrote stands in
// its order.
func TestCluster_LosesNothingWithItsLeader(t *testing.T) {
	if testing.Short() {
		t.Skip("elections take their time")
	}
	t.Parallel() // waits more than it works
	c := startCluster(t)
	logs := []*Log{c.open(t.TempDir()), nil}
	logs[1] = c.open(t.TempDir())
	var stop atomic.Bool
	var writers sync.WaitGroup
	done := make([]atomic.Int64, len(logs))
	for i, l := range logs {
		writers.Go(func() { write(t, l, string(rune('a'+i)), &stop, &done[i]) })
	}
	more := func(n int64) { // each has appended n more
		t.Helper()
		for i := range done {
			for want, end := done[i].Load()+n, time.Now().Add(clusterPatience); done[i].Load() < want; time.Sleep(10 * time.Millisecond) {
				if time.Now().After(end) || t.Failed() {
					stop.Store(true)
					t.Fatalf("writer %d stands at %d, wanted %d", i, done[i].Load(), want)
				}
			}
		}
	}
	more(20)
	follower := c.leader(false)
	follower.end(t, syscall.SIGTERM)
	more(20)
	follower.start(t)
	c.until("all three", whole)

	leader := c.leader(true)
	leader.end(t, syscall.SIGKILL)
	more(20)
	leader.start(t)
	c.until("all three", whole)

	one, other := c.leader(true), c.leader(false) // no majority is left: nothing can be acknowledged
	one.end(t, syscall.SIGKILL)
	other.end(t, syscall.SIGKILL)
	one.start(t)
	other.start(t)
	more(20)
	stop.Store(true)
	writers.Wait()
	c.until("all three", whole)

	for i, l := range logs {
		if err := l.Damage(); err != nil {
			t.Errorf("log %d: %v", i, err)
		}
		shut(t, l)
	}
	l := c.open(t.TempDir())
	next := make([]int64, len(logs))
	for e, err := range l.Read(t.Context(), 1) {
		if err != nil {
			t.Fatal(err)
		}
		i := e.Source[0] - 'a'
		if want := fmt.Sprint(e.Source[:2], next[i]); e.Source != want {
			t.Fatalf("position %d: got %s, want %s", e.At, e.Source, want)
		}
		next[i]++
	}
	for i := range next {
		if got, want := next[i], done[i].Load(); got != want {
			t.Errorf("writer %d: %d in the log, %d acknowledged", i, got, want)
		}
	}
	t.Logf("%d and %d entries", next[0], next[1])
}

// A stream with fewer replicas than were asked for is not taken for one with them.
func TestURL_RefusesFewerReplicas(t *testing.T) {
	x := startExternal(t)
	shut(t, x.open(t.TempDir()))
	_, err := Open(t.Context(), Options{Dir: t.TempDir(), URL: x.url, Stream: "herd-log", Replicas: 3, Now: clock})
	if !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "replicas: wanted at least 3, got 1") {
		t.Errorf("got %v, want a refusal", err)
	}
}
