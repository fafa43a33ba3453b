package mqtt

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/testdata/outside"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const patience = 20 * time.Second // until a test gives up

var versions = []Version{V5, V3}

// A broker is Debian's mosquitto.
type broker struct {
	*outside.Server
	t testing.TB
}

func newBroker(t testing.TB, config ...string) *broker {
	t.Helper()
	outside.Need(t, "mosquitto", "mosquitto_pub", "mosquitto_sub")
	s, err := outside.Mosquitto(t.TempDir(), config...)
	must(t, err)
	must(t, s.Start())
	t.Cleanup(func() { must(t, s.Stop()) })
	return &broker{Server: s, t: t}
}

// publish sends each body as a message, with the broker's own client.
func (b *broker) publish(qos int, topic string, bodies ...string) {
	b.t.Helper()
	cmd := exec.Command("mosquitto_pub", "-p", fmt.Sprint(b.Port), "-q", fmt.Sprint(qos), "-t", topic, "-l")
	cmd.Stdin = strings.NewReader(strings.Join(bodies, "\n") + "\n")
	if out, err := cmd.CombinedOutput(); err != nil {
		b.t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}

// said waits until the broker's log has a text.
func (b *broker) said(text string, times int) {
	b.t.Helper()
	until(b.t, fmt.Sprintf("the broker says %q %d times", text, times), func() bool { return strings.Count(b.Log(), text) >= times })
}

// A log is what the daemon keeps of a source: identities and how far they count.
type log struct {
	mu      sync.Mutex
	highest uint64
	ids     []string
	bodies  []string
}

func (l *log) after(_ context.Context, stream string, most int) (uint64, []string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if stream != streamName {
		return 0, nil, errors.New("asked for stream " + stream)
	}
	return l.highest, l.ids[max(len(l.ids)-most, 0):], nil
}

func (l *log) append(t testing.TB, d *adapters.Delivery) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if d.Sequence <= l.highest {
		t.Errorf("sequence %d behind %d", d.Sequence, l.highest)
	}
	l.highest, l.ids, l.bodies = d.Sequence, append(l.ids, d.Message), append(l.bodies, body(t, d))
}

// A line to the broker that can be cut, or on which the client is not heard.
type wire struct {
	net.Conn
	deaf *atomic.Bool
}

func (w wire) Write(p []byte) (int, error) {
	if w.deaf.Load() {
		return len(p), nil
	}
	return w.Conn.Write(p)
}

// A client is a source over a line of its own.
type client struct {
	*Source
	broker  *broker // nil for a fake one
	deaf    atomic.Bool
	mu      sync.Mutex
	conn    net.Conn
	reports []string
}

// cut ends the connection without a word, and waits until the source has noticed: until then it hands over
// what it has.
func (c *client) cut() {
	c.mu.Lock()
	_ = c.conn.Close()
	c.mu.Unlock()
	if c.Source.conn != nil {
		<-c.Source.conn.down
	}
}

// crash ends the source as the end of its process would.
func (c *client) crash() {
	c.deaf.Store(true)
	c.cut()
	_ = c.Close()
}

func (c *client) told(text string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return strings.Contains(strings.Join(c.reports, "\n"), text)
}

func newSource(t testing.TB, b *broker, l *log, change ...func(*SourceOptions)) *client {
	t.Helper()
	c := &client{broker: b}
	o := SourceOptions{
		Who: "source chute", Server: Server{URL: "mqtt://" + b.Address()}, Client: "dewclaw-chute", Topics: []string{"chute/#"}, QoS: 2,
		NakDelay: 20 * time.Millisecond, After: l.after,
		Report: func(f *events.Fault) {
			c.mu.Lock()
			defer c.mu.Unlock()
			c.reports = append(c.reports, f.Error())
		},
	}
	o.Server.Dial = func() (net.Conn, error) {
		conn, err := net.Dial("tcp", b.Address())
		if err != nil {
			return nil, err
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		c.conn = conn
		return wire{conn, &c.deaf}, nil
	}
	for _, f := range change {
		f(&o)
	}
	var err error
	c.Source, err = OpenSource(o)
	must(t, err)
	t.Cleanup(func() { _ = c.Close() })
	return c
}

func version(v Version) func(*SourceOptions) { return func(o *SourceOptions) { o.Server.Version = v } }

// join connects a source, so that its session is there.
func join(t testing.TB, c *client) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	for c.stay(ctx) != nil && ctx.Err() == nil {
		time.Sleep(10 * time.Millisecond)
	}
	must(t, ctx.Err())
}

func next(t testing.TB, c *client) *adapters.Delivery {
	t.Helper()
	d, err := tryNext(t, c, patience)
	if err != nil {
		said := ""
		if c.broker != nil {
			said = c.broker.Log()
		}
		t.Fatalf("Next: %v\nthe broker says:\n%s", err, said)
	}
	return d
}

// tryNext calls Next until it is not unavailable any more, as the daemon does.
func tryNext(t testing.TB, c *client, wait time.Duration) (*adapters.Delivery, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), wait)
	defer cancel()
	for {
		d, err := c.Next(ctx)
		if err == nil || ctx.Err() != nil || !errors.Is(err, events.ErrUnavailable) {
			return d, err
		}
		select {
		case <-ctx.Done():
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func nothing(t testing.TB, c *client) {
	t.Helper()
	if d, err := tryNext(t, c, 200*time.Millisecond); err == nil {
		t.Fatalf("got %q (%s), want nothing", body(t, d), d.Message)
	}
}

func body(t testing.TB, d *adapters.Delivery) string {
	t.Helper()
	r, err := d.Open(t.Context())
	must(t, err)
	defer r.Close()
	b, err := io.ReadAll(r)
	must(t, err)
	return string(b)
}

// take compares the next messages, keeps them in the log and settles them.
func take(t testing.TB, c *client, l *log, want ...string) {
	t.Helper()
	for _, w := range want {
		d := next(t, c)
		if got := body(t, d); got != w {
			t.Fatalf("got %q (%s), want %q", got, d.Message, w)
		}
		l.append(t, d)
		must(t, d.Settle(t.Context(), adapters.Taken))
	}
}

// until polls a state.
func until(t testing.TB, what string, f func() bool) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for !f() {
		if time.Now().After(deadline) {
			t.Fatalf("it did not come to this: %s", what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func count(from, to int) []string {
	var out []string
	for i := from; i <= to; i++ {
		out = append(out, fmt.Sprint(i))
	}
	return out
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// both runs a test for each version.
func both(t *testing.T, f func(t *testing.T, v Version)) {
	for _, v := range versions {
		t.Run("MQTT "+string(v), func(t *testing.T) {
			t.Parallel()
			f(t, v)
		})
	}
}
