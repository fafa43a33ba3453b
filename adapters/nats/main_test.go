package nats

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"
)

var long = flag.Bool("long", false, "run the long forms: watermill's whole suite, more messages and restarts")

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const patience = 30 * time.Second // until a test gives up

// A broker is a real NATS server on a real port, in this process.
type broker struct {
	t    testing.TB
	opts server.Options
	url  string
	s    *server.Server
}

func newBroker(t testing.TB, change ...func(*server.Options)) *broker {
	t.Helper()
	b := &broker{t: t, opts: server.Options{
		Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: filepath.Join(t.TempDir(), "js"), NoLog: true, NoSigs: true,
	}}
	for _, f := range change {
		f(&b.opts)
	}
	b.start()
	t.Cleanup(b.stop)
	return b
}

func (b *broker) start() {
	b.t.Helper()
	opts := b.opts
	s, err := server.NewServer(&opts)
	if err != nil {
		b.t.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(patience) {
		b.t.Fatal("the server does not answer")
	}
	b.s = s
	if b.opts.Port == server.RANDOM_PORT {
		b.url = s.ClientURL()
		b.opts.Port = opts.Port // after a restart the same
	}
}

func (b *broker) stop() {
	b.s.Shutdown()
	b.s.WaitForShutdown()
}

func (b *broker) server() Server { return Server{URL: b.url, Name: "dewclaw test"} }

// js is a client that shares nothing with the code under test.
func (b *broker) js() jetstream.JetStream {
	b.t.Helper()
	c, err := nats.Connect(b.url)
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(c.Close)
	js, err := jetstream.New(c)
	if err != nil {
		b.t.Fatal(err)
	}
	return js
}

func (b *broker) stream(js jetstream.JetStream, name string, subjects ...string) jetstream.Stream {
	b.t.Helper()
	var s jetstream.Stream
	until(b.t, "stream "+name+" is made", func() (made bool) {
		var err error
		s, err = js.CreateStream(b.t.Context(), jetstream.StreamConfig{Name: name, Subjects: subjects})
		if e := (*jetstream.APIError)(nil); errors.As(err, &e) && e.ErrorCode == noStore {
			return false // one of the same name was deleted a moment ago, and the server still puts it away
		}
		if err != nil {
			b.t.Fatal(err)
		}
		return true
	})
	return s
}

// noStore is the server's code for a stream whose folder it could not make.
const noStore = 10049

func publish(t testing.TB, js jetstream.JetStream, subject string, bodies ...string) {
	t.Helper()
	for _, body := range bodies {
		if _, err := js.Publish(t.Context(), subject, []byte(body)); err != nil {
			t.Fatal(err)
		}
	}
}

func count(from, to int) []string {
	var out []string
	for i := from; i <= to; i++ {
		out = append(out, fmt.Sprint(i))
	}
	return out
}

func newSource(t testing.TB, b *broker, change ...func(*SourceOptions)) *Source {
	t.Helper()
	o := SourceOptions{
		Who: "source chute", Server: b.server(), Subject: "chute.>", Durable: "dewclaw-chute",
		AckWait: 2 * time.Second, NakDelay: 20 * time.Millisecond,
	}
	for _, f := range change {
		f(&o)
	}
	s, err := OpenSource(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func next(t testing.TB, s *Source) *adapters.Delivery {
	t.Helper()
	d, err := tryNext(t, s, patience)
	if err != nil {
		t.Fatalf("Next: %v", err)
	}
	return d
}

// tryNext calls Next until it is not unavailable any more, as the daemon does.
func tryNext(t testing.TB, s *Source, wait time.Duration) (*adapters.Delivery, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), wait)
	defer cancel()
	for {
		d, err := s.Next(ctx)
		if err == nil || ctx.Err() != nil || !errors.Is(err, events.ErrUnavailable) {
			return d, err
		}
		select {
		case <-ctx.Done():
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func body(t testing.TB, d *adapters.Delivery) string {
	t.Helper()
	r, err := d.Open(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	buf := make([]byte, d.Size)
	if n, err := r.Read(buf); n != len(buf) || err != nil && n > 0 {
		t.Fatalf("read %d of %d bytes, %v", n, d.Size, err)
	}
	return string(buf)
}

func settle(t testing.TB, d *adapters.Delivery, v adapters.Verdict) {
	t.Helper()
	if err := d.Settle(t.Context(), v); err != nil {
		t.Fatal(err)
	}
}

// take compares the next messages and settles them.
func take(t testing.TB, s *Source, want ...string) {
	t.Helper()
	for _, w := range want {
		d := next(t, s)
		if got := body(t, d); got != w {
			t.Fatalf("got %q (%s), want %q", got, d.Message, w)
		}
		settle(t, d, adapters.Taken)
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

func acked(t testing.TB, s jetstream.Stream, consumer string) uint64 {
	t.Helper()
	c, err := s.Consumer(t.Context(), consumer)
	if err != nil {
		return 0
	}
	return c.CachedInfo().AckFloor.Stream
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
