package mqtt

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"sync"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
)

// SourceOptions say which messages a [Source] takes.
type SourceOptions struct {
	Who      string // "source chute": opens every message
	Server   Server
	Client   string        // client id: the broker keeps the session under it; for this Source alone
	Topics   []string      // topic filters, at least one
	QoS      byte          // asked for: 0 (best effort), 1 or 2
	Session  time.Duration // how long the broker keeps the session while nobody is connected, with MQTT 5; 0 means 30 days
	InFlight int           // messages handed over by the broker and not settled; 0 means 256, at most [MaxInFlight]
	Retained bool          // take retained messages
	NakDelay time.Duration // until a message that was not taken is handed over again; 0 means 1 s

	// After says what the log has of a stream (Delivery.Stream) of this source: the
	// highest Sequence, and Delivery.Message of the newest messages, up to most, the
	// oldest first. It is asked once. Nil means a log that has none.
	After func(ctx context.Context, stream string, most int) (sequence uint64, newest []string, err error)

	Now    func() time.Time    // nil means time.Now
	Report func(*events.Fault) // told what spoils nothing and a person should know; may be nil
}

func (o *SourceOptions) fill() {
	o.Server.fill()
	if o.Session <= 0 {
		o.Session = 30 * 24 * time.Hour
	}
	if o.InFlight <= 0 {
		o.InFlight = 256
	}
	if o.NakDelay <= 0 {
		o.NakDelay = time.Second
	}
	if o.After == nil {
		o.After = func(context.Context, string, int) (uint64, []string, error) { return 0, nil, nil }
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Report == nil {
		o.Report = func(*events.Fault) {}
	}
}

func (o *SourceOptions) check() error {
	bad := func(what, wanted, got string) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: o.Who, What: what, Wanted: wanted, Got: got}
	}
	switch {
	case o.Client == "" || len(o.Client) > 1<<10:
		return bad("client id", "one, as the broker keeps the session under it", strconv.Quote(o.Client))
	case len(o.Topics) == 0:
		return bad("topics", "at least one", "none")
	case o.QoS > 2:
		return bad("QoS", "0, 1 or 2", strconv.Itoa(int(o.QoS)))
	case o.InFlight > MaxInFlight:
		return bad("messages in flight", fmt.Sprint("at most ", MaxInFlight), strconv.Itoa(o.InFlight))
	}
	for _, t := range o.Topics {
		if err := checkTopic(o.Who, "topic", t, true); err != nil {
			return err
		}
	}
	return o.Server.check(o.Who)
}

// A Source hands over the messages of some topics in the order of their receipt:
// the beat "next". One goroutine calls Next and NextBatch; deliveries may be
// settled from others.
type Source struct {
	o SourceOptions

	conn *conn // of the goroutine that calls NextBatch; nil before the first
	line *line
	told bool // whether the log was asked
	met  time.Time
}

var (
	_ adapters.Source  = (*Source)(nil)
	_ adapters.Batcher = (*Source)(nil)
)

// MaxInFlight is the most that a source has in flight: so many messages the log
// must tell of when it is asked.
const MaxInFlight = 4096

// streamName is the stream that a source counts its messages in.
const streamName = "mqtt"

// maxBatchBytes ends a batch that has grown large.
const maxBatchBytes = 8 << 20

// OpenSource checks the options and connects to nothing yet: a broker that is
// away is for Next to say. The error is of kind invalid.
func OpenSource(o SourceOptions) (*Source, error) {
	o.fill()
	if err := o.check(); err != nil {
		return nil, err
	}
	return &Source{o: o, line: newLine(&o)}, nil
}

// Close says goodbye to the broker, which keeps what is not settled.
func (s *Source) Close() error {
	if s.conn != nil {
		s.line.leave()
		s.conn.close()
		s.conn = nil
	}
	return nil
}

// Next returns the next message. It blocks until there is one or ctx ends. It
// fails with an error of kind unavailable while the broker is away or refuses.
func (s *Source) Next(ctx context.Context) (*adapters.Delivery, error) {
	list, err := s.NextBatch(ctx, 1, 0)
	if err != nil {
		return nil, err
	}
	return list[0], nil
}

// NextBatch returns up to most messages: the next one, as Next does, and what
// comes within wait behind it, to 8 MiB together.
func (s *Source) NextBatch(ctx context.Context, most int, wait time.Duration) ([]*adapters.Delivery, error) {
	var list []*adapters.Delivery
	var full <-chan time.Time
	size := int64(0)
	for {
		if err := ctx.Err(); err != nil && len(list) == 0 {
			return nil, err
		}
		if len(list) == 0 {
			if err := s.stay(ctx); err != nil {
				return nil, err
			}
		}
		it, changed, again := s.line.take()
		if it != nil {
			d := s.deliver(it)
			list = append(list, d)
			if size += d.Size; len(list) >= most || size >= maxBatchBytes {
				return list, nil
			}
			if full == nil {
				t := time.NewTimer(wait)
				defer t.Stop()
				full = t.C
			}
			continue
		}
		select {
		case <-ctx.Done():
		case <-changed:
			continue
		case <-timer(again):
			continue
		case <-s.conn.down:
			if len(list) == 0 {
				continue // stay says why
			}
		case <-full:
		}
		if len(list) > 0 {
			return list, nil
		}
	}
}

// timer is a channel that tells when d has passed; never if d is 0.
func timer(d time.Duration) <-chan time.Time {
	if d <= 0 {
		return nil
	}
	return time.After(d)
}

// stay makes sure that there is a connection. One that was lost is told of once.
func (s *Source) stay(ctx context.Context) error {
	if s.conn != nil {
		select {
		case <-s.conn.down:
		default:
			return nil
		}
		err := s.lost(s.conn.err)
		s.line.leave()
		s.conn.close()
		s.conn = nil
		return err
	}
	if !s.told {
		n, newest, err := s.o.After(ctx, streamName, MaxInFlight)
		if err != nil {
			return err
		}
		s.line.remember(n, newest)
		s.told = true
	}
	return s.join(ctx)
}

func (s *Source) lost(err error) error {
	var r *refusedError
	if errors.As(err, &r) && r.code == 0x8E {
		return s.o.Server.away(s.o.Who, "connection to the MQTT broker", err, "another client uses the id "+s.o.Client+": give each its own")
	}
	if errors.Is(err, errEnded) && !s.met.IsZero() {
		return s.o.Server.away(s.o.Who, "connection to the MQTT broker", err, "if it does so again and again, another client uses the id "+s.o.Client)
	}
	return s.o.Server.away(s.o.Who, "connection to the MQTT broker", err)
}

// join connects and subscribes.
func (s *Source) join(ctx context.Context) error {
	h, err := s.o.Server.hello(hello{
		client: s.o.Client, session: uint32(min(s.o.Session/time.Second, 1<<32-2)), receive: uint16(s.o.InFlight),
		topics: s.o.Topics, qos: s.o.QoS, retains: s.o.Retained,
	})
	if err != nil {
		return s.o.Server.away(s.o.Who, "credentials of the MQTT broker", err)
	}
	subscribed := make(chan *packet, 1)
	ready := make(chan struct{})
	var c *conn
	c, err = connect(ctx, &s.o.Server, h, func(p *packet) {
		<-ready // line knows the connection
		switch p.kind {
		case kindPublish:
			s.line.receive(c, p)
		case kindSuback:
			select {
			case subscribed <- p:
			default:
			}
		}
	})
	if err != nil {
		return refused(ctx, &s.o.Server, s.o.Who, err)
	}
	s.conn = c
	s.line.enter(c)
	close(ready)
	s.session(c.present)
	if err := s.subscribe(ctx, &h, subscribed); err != nil {
		s.line.leave()
		c.end(err)
		c.close()
		s.conn = nil
		return err
	}
	s.met = s.o.Now()
	return nil
}

// refused is the error of a connection that was not made.
func refused(ctx context.Context, s *Server, who string, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var r *refusedError
	if errors.As(err, &r) {
		return s.away(who, "connect to the MQTT broker", err, "check version, client id and credentials; they are read again at every try")
	}
	return s.away(who, "connect to the MQTT broker", err)
}

// session says so if the broker has forgotten what it was to keep.
func (s *Source) session(present bool) {
	if present || s.o.QoS == 0 || !s.line.begun() {
		return
	}
	since := "the last connection"
	if !s.met.IsZero() {
		since = events.FormatTime(s.met)
	}
	s.o.Report(&events.Fault{
		Kind: events.ErrUnavailable, Who: s.o.Who, Where: s.o.Server.URL, What: "session of client " + s.o.Client,
		Wanted: "the one that was there", Got: "a new one: what was published since " + since + " and did not come may be lost",
		Hints: []string{"ask the sender to send it again: what is known already changes nothing", "let the broker keep sessions on disk, and for longer than nobody is connected"},
	})
}

func (s *Source) subscribe(ctx context.Context, h *hello, answer <-chan *packet) error {
	ctx, cancel := context.WithTimeout(ctx, answerWait)
	defer cancel()
	if err := s.conn.send(&packet{kind: kindSubscribe, id: 1, hello: h}); err != nil {
		return s.lost(err)
	}
	var p *packet
	select {
	case p = <-answer:
	case <-s.conn.down:
		return s.lost(s.conn.err)
	case <-ctx.Done():
		if errors.Is(ctx.Err(), context.Canceled) {
			return ctx.Err()
		}
		return s.lost(errors.New("no answer to the subscription"))
	}
	if len(p.granted) != len(h.topics) {
		return s.lost(errors.New("the answer to the subscription has another number of topics"))
	}
	for i, code := range p.granted {
		topic := h.topics[i]
		if code >= 0x80 {
			return s.o.Server.away(s.o.Who, "subscribe to "+topic, &refusedError{s.conn.codec.refusal(code), p.reason, code},
				"the broker must let client "+s.o.Client+" read this topic")
		}
		if code < h.qos {
			s.o.Report(&events.Fault{
				Kind: events.ErrUnavailable, Who: s.o.Who, Where: s.o.Server.URL, What: "QoS of " + topic,
				Wanted: strconv.Itoa(int(h.qos)), Got: strconv.Itoa(int(code)) + ", which the broker grants",
			})
		}
	}
	return nil
}

// deliver makes a delivery of an item.
func (s *Source) deliver(it *item) *adapters.Delivery {
	var once sync.Once
	return &adapters.Delivery{
		Name: label(it.topic), Message: it.key.identity(it.number), Stream: streamName, Sequence: it.number, Counted: true,
		Received: it.received, Size: int64(len(it.payload)),
		Open: func(ctx context.Context) (io.ReadCloser, error) {
			return io.NopCloser(bytes.NewReader(it.payload)), ctx.Err()
		},
		Settle: func(_ context.Context, v adapters.Verdict) error {
			once.Do(func() { s.line.settle(it, v) })
			return nil
		},
	}
}
