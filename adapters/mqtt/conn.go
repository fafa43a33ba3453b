package mqtt

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

const (
	answerWait = 10 * time.Second // for the answer to a connect or subscribe
	writeWait  = 30 * time.Second // for the other side to take what is written
)

// errEnded is all there is to know when a broker says nothing.
var errEnded = errors.New("the broker closed the connection")

// A conn is one connection to a broker. It ends for good with the first error;
// whoever wants another makes one.
type conn struct {
	c     net.Conn
	codec codec
	r     *bufio.Reader
	keep  time.Duration

	writing sync.Mutex
	buf     bytes.Buffer

	handle  func(*packet) // told of every packet but pings, in order, by one goroutine; may block
	busy    atomic.Bool   // handle blocks: silence is ours
	heard   atomic.Int64  // when something was read last, in Unix nanoseconds
	once    sync.Once
	wg      sync.WaitGroup
	down    chan struct{} // closed when it has ended
	err     error         // why, once down is closed
	limits  limits
	present bool // the broker had the session
}

// connect dials, says hello and waits for the answer. Packets go to handle from
// then on. Errors are for the caller to dress.
func connect(ctx context.Context, s *Server, h hello, handle func(*packet)) (*conn, error) {
	raw, err := s.dial(ctx)
	if err != nil {
		return nil, err
	}
	c := &conn{
		c: raw, codec: codecs[s.Version](), r: bufio.NewReaderSize(raw, 64<<10), keep: s.KeepAlive, handle: handle, down: make(chan struct{}),
	}
	answer, err := c.greet(ctx, h)
	if err != nil {
		_ = raw.Close()
		return nil, err
	}
	c.limits, c.present = answer.limits, answer.present
	c.heard.Store(time.Now().UnixNano())
	c.wg.Go(c.read)
	c.wg.Go(c.ping)
	return c, nil
}

// greet is the handshake, within a deadline.
func (c *conn) greet(ctx context.Context, h hello) (*packet, error) {
	deadline := time.Now().Add(answerWait)
	if d, ok := ctx.Deadline(); ok && d.Before(deadline) {
		deadline = d
	}
	_ = c.c.SetDeadline(deadline)
	stop := context.AfterFunc(ctx, func() { _ = c.c.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	if err := c.write(&packet{kind: kindConnect, hello: &h}); err != nil {
		return nil, errors.Join(ctx.Err(), err)
	}
	p, err := readSafely(c.codec, c.r)
	switch {
	case err != nil:
		if errors.Is(err, io.EOF) {
			err = errors.New("the broker closed the connection at once; does it speak this version of MQTT?")
		}
		return nil, errors.Join(ctx.Err(), err)
	case p.kind != kindConnack:
		return nil, fmt.Errorf("wanted an answer to connect, got packet %d", p.kind)
	}
	if why := c.codec.refusal(p.code); why != "" {
		return nil, &refusedError{why, p.reason, p.code}
	}
	stop()
	_ = c.c.SetDeadline(time.Time{})
	return p, nil
}

// A refusedError is what a broker answers when it will not.
type refusedError struct {
	why, reason string
	code        byte
}

func (e *refusedError) Error() string {
	s := "the broker says: " + e.why
	if e.reason != "" {
		s += " (" + e.reason + ")"
	}
	return s
}

// read hands packets on until the connection ends.
func (c *conn) read() {
	for {
		p, err := readSafely(c.codec, c.r)
		if err != nil {
			if errors.Is(err, io.EOF) {
				err = errEnded
			}
			c.end(err)
			return
		}
		c.heard.Store(time.Now().UnixNano())
		switch p.kind {
		case kindPingresp:
		case kindDisconnect:
			why := c.codec.refusal(p.code)
			if why == "" {
				why = "goodbye"
			}
			c.end(&refusedError{why, p.reason, p.code})
			return
		case kindPubrel:
			if err := c.send(&packet{kind: kindPubcomp, id: p.id}); err != nil {
				return
			}
		default:
			c.busy.Store(true)
			c.handle(p)
			c.busy.Store(false)
		}
	}
}

// ping asks now and then whether the broker is there, and ends a connection on
// which nothing comes although we read.
func (c *conn) ping() {
	t := time.NewTicker(max(c.keep/2, time.Millisecond))
	defer t.Stop()
	for {
		select {
		case <-c.down:
			return
		case <-t.C:
		}
		silent := time.Since(time.Unix(0, c.heard.Load()))
		if silent > 2*c.keep && !c.busy.Load() {
			c.end(fmt.Errorf("the broker has been silent for %v", silent.Round(time.Millisecond)))
			return
		}
		if err := c.send(&packet{kind: kindPingreq}); err != nil {
			return
		}
	}
}

// send writes packets, in one piece. An error ends the connection.
func (c *conn) send(list ...*packet) error {
	if err := c.write(list...); err != nil {
		c.end(err)
		return err
	}
	return nil
}

func (c *conn) write(list ...*packet) error {
	c.writing.Lock()
	defer c.writing.Unlock()
	c.buf.Reset()
	for _, p := range list {
		if err := c.codec.write(&c.buf, p); err != nil {
			return err
		}
	}
	if list[0].kind != kindConnect {
		_ = c.c.SetWriteDeadline(time.Now().Add(writeWait))
	}
	_, err := c.c.Write(c.buf.Bytes())
	if c.buf.Cap() > 1<<20 {
		c.buf = bytes.Buffer{}
	}
	return err
}

// end ends the connection; the first reason is kept.
func (c *conn) end(err error) {
	c.once.Do(func() {
		c.err = err
		_ = c.c.Close()
		close(c.down)
	})
}

// close says goodbye, which leaves the session where it is, and waits for the
// goroutines of the connection.
func (c *conn) close() {
	_ = c.write(&packet{kind: kindDisconnect})
	c.end(net.ErrClosed)
	c.wg.Wait()
}
