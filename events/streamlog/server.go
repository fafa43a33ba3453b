package streamlog

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

const (
	maxPayload  = 8 << 20          // of the embedded server
	headerSpace = 1 << 10          // of a message, for the headers of JetStream
	stopWithin  = 10 * time.Second // to stop the server, or a connection
)

// A link is a connection to the stream of a log, with the server behind it if
// that is ours.
type link struct {
	srv *server.Server // nil for a log by URL
	nc  *nats.Conn
	js  jetstream.JetStream
	log *serverLog

	stream jetstream.Stream // set once the stream is found
	name   string           // of the stream
	domain string           // of the stream, as acknowledgements must name it
	leaf   string           // domain of srv as a leaf node; "" if it is none

	replicas int // of the stream

	mu      sync.Mutex
	buckets map[string]jetstream.KeyValue
}

// startServer starts the embedded server over a store and connects to it. No
// port is opened and no signal is taken; with leaf it connects to a hub. Errors
// are of kind [events.ErrUnavailable], and [events.ErrInvalid] for a leaf that
// cannot be.
func startServer(ctx context.Context, dir string, logger *slog.Logger, leaf *Leaf) (*link, error) {
	sl := &serverLog{logger: logger}
	opts := &server.Options{
		ServerName:             "dewclaw",
		DontListen:             true,
		NoSigs:                 true,
		NoLog:                  true,
		JetStream:              true,
		StoreDir:               dir,
		SyncAlways:             true,
		MaxPayload:             maxPayload,
		DisableJetStreamBanner: true,
		// Explicit bounds: by default they follow the free disk and memory, and a
		// log larger than what is free would be refused.
		JetStreamMaxStore:  1 << 60,
		JetStreamMaxMemory: 1 << 20,
	}
	if err := leaf.apply(opts); err != nil {
		return nil, err
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return nil, unavailable("make the server", err)
	}
	srv.SetLoggerV2(sl, false, false, false)
	k := &link{srv: srv, log: sl, buckets: map[string]jetstream.KeyValue{}, leaf: opts.JetStreamDomain}
	go srv.Start()
	for !srv.ReadyForConnections(time.Second) {
		cause := ctx.Err()
		if text := sl.failure(); text != "" {
			cause = fmt.Errorf("%s", text)
		}
		if cause != nil {
			k.close()
			return nil, unavailable("start the server", cause)
		}
	}
	if err := k.connect("", nats.InProcessServer(srv), nats.ReconnectWait(50*time.Millisecond)); err != nil {
		k.close()
		return nil, err
	}
	return k, nil
}

// connect opens the connection of a link. A connection that is lost comes back
// by itself; what is asked meanwhile fails at once instead of being kept.
func (k *link) connect(url string, more ...nats.Option) error {
	opts := append([]nats.Option{
		nats.Name("dewclaw log"),
		nats.MaxReconnects(-1),
		nats.ReconnectBufSize(-1),
		nats.Timeout(5 * time.Second),
		nats.DisconnectErrHandler(func(*nats.Conn, error) { k.log.lost() }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			k.log.logger.Error("log connection", "error", err)
		}),
	}, more...)
	nc, err := nats.Connect(url, opts...)
	if err != nil {
		return unavailable("connect", err)
	}
	k.nc = nc
	k.js, err = jetstream.New(nc)
	if err != nil {
		return unavailable("connect", err)
	}
	return nil
}

var errLost = errors.New("the connection was lost before an answer came")

// whileConnected returns a context that ends when the connection is lost: no
// answer comes any more to what was asked over it, however soon it is back. A
// server that restarts is met in this state, before anybody has noticed.
func (k *link) whileConnected(ctx context.Context) (_ context.Context, end func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	lost := k.nc.StatusChanged(nats.RECONNECTING, nats.CLOSED)
	var watch sync.WaitGroup
	watch.Go(func() {
		select {
		case <-lost:
			cancel(errLost)
		case <-ctx.Done():
		}
	})
	return ctx, func() {
		cancel(nil)
		watch.Wait()
		k.nc.RemoveStatusListener(lost)
	}
}

// orLost names the loss of the connection where it is why a request ended.
func orLost(ctx context.Context, err error) error {
	if context.Cause(ctx) == errLost && errors.Is(err, context.Canceled) {
		return errLost
	}
	return err
}

// bound is the size of the largest entry that fits a message, in bytes.
func (k *link) bound() int { return int(k.nc.MaxPayload()) - headerSpace }

// close ends connection and server, within a deadline.
func (k *link) close() {
	if k == nil {
		return
	}
	if k.nc != nil {
		k.nc.Close()
	}
	if k.srv == nil {
		return
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		k.srv.Shutdown()
		k.srv.WaitForShutdown()
	}()
	select {
	case <-done:
	case <-time.After(stopWithin):
		k.log.logger.Error("log server did not stop", "within", stopWithin)
	}
}

// A serverLog hands the errors of the server to slog and remembers the first,
// which may be all that is heard of a failed write: the server answers none.
type serverLog struct {
	logger *slog.Logger

	mu    sync.Mutex
	first string
	tell  func() // called at the next error; may be nil
}

// whenFailed has f called at the next error or loss of the connection; the
// result ends that.
func (s *serverLog) whenFailed(f func()) (end func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tell = f
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.tell = nil
	}
}

// lost tells whoever waits for an answer that the connection it was to come over
// has gone. It is no failure of the server.
func (s *serverLog) lost() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.tell != nil {
		s.tell()
	}
}

// Noticef drops what is no error.
func (s *serverLog) Noticef(string, ...any) {}

// Debugf drops what is no error.
func (s *serverLog) Debugf(string, ...any) {}

// Tracef drops what is no error.
func (s *serverLog) Tracef(string, ...any) {}

// Warnf passes a warning on for debugging: after a crash some are normal.
func (s *serverLog) Warnf(format string, v ...any) {
	s.logger.Debug("log server", "warning", oneLine(format, v))
}

// Errorf passes an error on. One of the way to a hub says nothing of the store:
// that the hub is not there is told by [Log.HubLinked].
func (s *serverLog) Errorf(format string, v ...any) {
	text := oneLine(format, v)
	if ofLeaf(text) {
		s.logger.Debug("log server", "hub", text)
		return
	}
	s.fail(text)
}

// ofLeaf reports whether an error of the server is about a leaf connection, as
// nats-server v2.15.2 words them.
func ofLeaf(text string) bool {
	return strings.Contains(text, "eafnode") || strings.Contains(text, "eafNode") || strings.Contains(text, " - lid:")
}

// Fatalf passes an error on that the server cannot go on after.
func (s *serverLog) Fatalf(format string, v ...any) { s.fail(oneLine(format, v)) }

func oneLine(format string, v []any) string {
	return strings.TrimSpace(fmt.Sprintf(format, v...))
}

func (s *serverLog) fail(text string) {
	s.logger.Error("log server", "error", text)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.first == "" {
		s.first = text
	}
	if s.tell != nil {
		s.tell()
	}
}

// failure returns the first error of the server, or "".
func (s *serverLog) failure() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.first
}

// storeDir is where the embedded server keeps the streams of a log folder.
func storeDir(dir string) string { return filepath.Join(dir, "jetstream", "$G") }
