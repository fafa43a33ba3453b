package nats

import (
	"context"
	"errors"
	"sync"
	"time"

	"dewclaw/events"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// A link is a connection that is made when it is first needed and comes back by
// itself. Safe for use by several goroutines at once.
type link struct {
	who    string
	server Server
	report func(*events.Fault)

	mu     sync.Mutex
	conn   *nats.Conn
	js     jetstream.JetStream
	closed bool

	// changed holds a token when the connection went away or came back.
	changed chan struct{}
}

func newLink(who string, s Server, report func(*events.Fault)) (*link, error) {
	if err := s.check(who); err != nil {
		return nil, err
	}
	if report == nil {
		report = func(*events.Fault) {}
	}
	return &link{who: who, server: s, report: report, changed: make(chan struct{}, 1)}, nil
}

var errClosed = errors.New("closed")

// get returns the connection, or an error of kind unavailable while there is none.
func (l *link) get(ctx context.Context) (jetstream.JetStream, *nats.Conn, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil, nil, l.away(errClosed)
	}
	if l.conn != nil && l.conn.IsClosed() {
		l.conn = nil
	}
	if l.conn == nil {
		if err := l.dial(ctx); err != nil {
			return nil, nil, err
		}
	}
	if !l.conn.IsConnected() {
		return nil, nil, l.away(l.reason())
	}
	return l.js, l.conn, nil
}

func (l *link) dial(ctx context.Context) error {
	o, err := l.server.options()
	if err != nil {
		return &events.Fault{Kind: events.ErrInvalid, Who: l.who, What: "credentials of the NATS server", Cause: err}
	}
	if deadline, ok := ctx.Deadline(); ok {
		o = append(o, nats.Timeout(max(min(time.Until(deadline), dialTimeout), time.Millisecond)))
	}
	o = append(o,
		nats.DisconnectErrHandler(func(*nats.Conn, error) { l.signal() }),
		nats.ReconnectHandler(func(*nats.Conn) { l.signal() }),
		nats.ClosedHandler(func(*nats.Conn) { l.signal() }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			l.report(&events.Fault{Kind: events.ErrUnavailable, Who: l.who, What: "the NATS server says", Cause: err})
		}),
	)
	conn, err := nats.Connect(l.server.URL, o...)
	if err != nil {
		return l.away(err)
	}
	js, err := jetstream.New(conn)
	if err != nil {
		conn.Close()
		return l.away(err)
	}
	l.conn, l.js = conn, js
	return nil
}

func (l *link) signal() {
	select {
	case l.changed <- struct{}{}:
	default:
	}
}

// down returns why there is no connection, or nil if there is one or none was
// asked for yet.
func (l *link) down() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return l.away(errClosed)
	}
	if l.conn == nil || l.conn.IsConnected() {
		return nil
	}
	return l.away(l.reason())
}

func (l *link) reason() error {
	if err := l.conn.LastError(); err != nil {
		return err
	}
	return nats.ErrDisconnected
}

func (l *link) away(err error) error {
	f := &events.Fault{Kind: events.ErrUnavailable, Who: l.who, Where: l.server.URL, What: "connect to the NATS server", Cause: err}
	if errors.Is(err, nats.ErrAuthorization) || errors.Is(err, nats.ErrAuthExpired) {
		f.Hints = []string{"check the credentials; they are read again at every try"}
	}
	return f
}

// close lets go of the connection when what was to be sent is sent, but at most
// after a second.
func (l *link) close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	if l.conn == nil {
		return nil
	}
	if l.conn.IsConnected() {
		_ = l.conn.FlushTimeout(time.Second) // acknowledgements that are lost come again
	}
	l.conn.Close()
	return nil
}
