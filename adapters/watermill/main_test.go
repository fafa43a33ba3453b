package watermill

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/testdata/outside"

	"github.com/ThreeDotsLabs/watermill"
	"github.com/ThreeDotsLabs/watermill-redisstream/pkg/redisstream"
	"github.com/ThreeDotsLabs/watermill-sql/v4/pkg/sql"
	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/redis/go-redis/v9"
)

// databases is a PostgreSQL server for all tests that let it live.
var databases struct {
	*outside.Server
	once  sync.Once
	start func()
	err   error
	n     atomic.Int32
}

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "dewclaw-watermill-")
	if err != nil {
		panic(err)
	}
	databases.start = func() {
		inner := filepath.Join(dir, "postgres")
		if databases.err = os.Mkdir(inner, 0o755); databases.err != nil {
			return
		}
		if databases.Server, databases.err = outside.Postgres(inner); databases.err == nil {
			databases.err = databases.Server.Start()
		}
	}
	code := m.Run()
	if databases.Server != nil {
		_ = databases.Stop()
	}
	_ = os.RemoveAll(dir)
	os.Exit(code)
}

const patience = 20 * time.Second // until a test gives up

// A server is Debian's, with watermill's own publisher and subscriber to it as
// everybody else uses them.
type server struct {
	*outside.Server
	t  testing.TB
	at Server
}

func newServer(t testing.TB, transport Transport) *server {
	t.Helper()
	s := start(t, transport)
	t.Cleanup(func() { must(t, s.Stop()) })
	return at(t, s, transport, "postgres")
}

func start(t testing.TB, transport Transport) *outside.Server {
	t.Helper()
	var s *outside.Server
	var err error
	if transport == Redis {
		outside.Need(t, "redis-server")
		s, err = outside.Redis(t.TempDir())
	} else {
		outside.Need(t, "postgres", "initdb", "pg_isready")
		s, err = outside.Postgres(t.TempDir())
	}
	must(t, err)
	must(t, s.Start())
	return s
}

func at(t testing.TB, s *outside.Server, transport Transport, database string) *server {
	out := &server{Server: s, t: t, at: Server{Transport: transport, URL: "redis://" + s.Address() + "/0"}}
	if transport == Postgres {
		out.at.URL = "postgres://" + s.Address() + "/" + database + "?sslmode=disable"
		out.at.User = Secret{Env: "DATABASE_USER"}
		out.at.Getenv = func(string) string { return "dewclaw" }
	}
	return out
}

func (s *server) pool() *pgxpool.Pool {
	s.t.Helper()
	p, err := pgxpool.New(s.t.Context(), strings.Replace(s.at.URL, "//", "//dewclaw@", 1))
	must(s.t, err)
	s.t.Cleanup(p.Close)
	return p
}

func (s *server) redis() *redis.Client {
	c := redis.NewClient(&redis.Options{Addr: s.Address()})
	s.t.Cleanup(func() { _ = c.Close() })
	return c
}

// publish sends messages as any program with watermill does.
func (s *server) publish(bodies ...string) {
	s.t.Helper()
	var p message.Publisher
	var err error
	if s.at.Transport == Redis {
		p, err = redisstream.NewPublisher(redisstream.PublisherConfig{Client: s.redis()}, watermill.NopLogger{})
	} else {
		schema := sql.DefaultPostgreSQLSchema{GeneratePayloadType: func(string) string { return "BYTEA" }}
		p, err = sql.NewPublisher(sql.BeginnerFromPgx(s.pool()), sql.PublisherConfig{SchemaAdapter: schema, AutoInitializeSchema: true}, watermill.NopLogger{})
	}
	must(s.t, err)
	for _, b := range bodies {
		must(s.t, p.Publish("chute", message.NewMessage(watermill.NewUUID(), []byte(b))))
	}
}

// receive reads a topic as any program with watermill does.
func (s *server) receive(topic string, n int) []*message.Message {
	s.t.Helper()
	var sub message.Subscriber
	var err error
	if s.at.Transport == Redis {
		sub, err = redisstream.NewSubscriber(redisstream.SubscriberConfig{
			Client: s.redis(), ConsumerGroup: "others", DisableIndefiniteInitialBlock: true,
		}, watermill.NopLogger{})
	} else {
		sub, err = sql.NewSubscriber(sql.BeginnerFromPgx(s.pool()), sql.SubscriberConfig{
			SchemaAdapter: sql.DefaultPostgreSQLSchema{}, OffsetsAdapter: sql.DefaultPostgreSQLOffsetsAdapter{}, InitializeSchema: true,
			PollInterval: 50 * time.Millisecond,
		}, watermill.NopLogger{})
	}
	must(s.t, err)
	defer sub.Close()
	in, err := sub.Subscribe(s.t.Context(), topic)
	must(s.t, err)
	var out []*message.Message
	for len(out) < n {
		select {
		case m := <-in:
			out = append(out, m)
			m.Ack()
		case <-time.After(patience):
			s.t.Fatalf("%d messages, want %d", len(out), n)
		}
	}
	return out
}

// A log is what the daemon keeps of a source.
type log struct {
	mu      sync.Mutex
	highest uint64
	ids     []string
	bodies  []string
}

func (l *log) after(_ context.Context, _ string, most int) (uint64, []string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
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

func newSource(t testing.TB, s *server, l *log) *Source {
	t.Helper()
	src, err := OpenSource(SourceOptions{Who: "source chute", Server: s.at, Topic: "chute", Group: "dewclaw-chute", After: l.after})
	must(t, err)
	t.Cleanup(func() { _ = src.Close() })
	return src
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

func next(t testing.TB, s *Source) *adapters.Delivery {
	t.Helper()
	d, err := tryNext(t, s, patience)
	must(t, err)
	return d
}

func nothing(t testing.TB, s *Source) {
	t.Helper()
	if d, err := tryNext(t, s, 600*time.Millisecond); err == nil {
		t.Fatalf("got %q (%s), want nothing", body(t, d), d.Message)
	}
}

func take(t testing.TB, s *Source, l *log, want ...string) {
	t.Helper()
	for _, w := range want {
		d := next(t, s)
		if got := body(t, d); got != w {
			t.Fatalf("got %q (%s), want %q", got, d.Message, w)
		}
		l.append(t, d)
		must(t, d.Settle(t.Context(), adapters.Taken))
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

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// each runs a test for each transport, with a database of its own on a server of
// many.
func each(t *testing.T, f func(t *testing.T, s *server)) {
	t.Parallel()
	t.Run("redis", func(t *testing.T) { f(t, newServer(t, Redis)) })
	t.Run("postgres", func(t *testing.T) {
		outside.Need(t, "postgres", "initdb", "pg_isready")
		databases.once.Do(databases.start)
		must(t, databases.err)
		name := fmt.Sprint("d", databases.n.Add(1))
		_, err := at(t, databases.Server, Postgres, "postgres").pool().Exec(t.Context(), "CREATE DATABASE "+name)
		must(t, err)
		f(t, at(t, databases.Server, Postgres, name))
	})
}

// alone runs a test for each transport, with a server of its own.
func alone(t *testing.T, f func(t *testing.T, s *server)) {
	t.Parallel()
	t.Run("redis", func(t *testing.T) { f(t, newServer(t, Redis)) })
	t.Run("postgres", func(t *testing.T) { f(t, newServer(t, Postgres)) })
}
