package mqtt

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"sync"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
)

// A Mode says how a CloudEvent stands in a message.
type Mode string

// The modes (MQTT Protocol Binding for CloudEvents 1.0.2, sections 3.1 and 3.2).
const (
	Structured Mode = "structured" // the whole event is the payload, as JSON
	Binary     Mode = "binary"     // the data is the payload, the attributes are user properties: MQTT 5 only
)

// SinkOptions say where a [Sink] publishes.
type SinkOptions struct {
	Who     string // "feed scores": opens every message
	Server  Server
	Client  string        // client id, for this Sink alone
	Topic   string        // first levels: <topic>/<farm>/<kind>
	Mode    Mode          // "" means Structured
	Window  int           // events published and not acknowledged; 0 means 64
	AckWait time.Duration // for one acknowledgement; 0 means 10 s
}

// A Sink publishes the events of a batch with QoS 1: the beat "send". A batch
// leaves in its order, on one connection. For use by one goroutine at a time.
type Sink struct {
	o    SinkOptions
	conn *conn
	acks *acks
}

var _ adapters.Sink = (*Sink)(nil)

// OpenSink checks the options and connects to nothing yet: a broker that is away
// is for Send to say. The error is of kind invalid.
func OpenSink(o SinkOptions) (*Sink, error) {
	o.Server.fill()
	if o.Mode == "" {
		o.Mode = Structured
	}
	if o.Window <= 0 {
		o.Window = 64
	}
	if o.AckWait <= 0 {
		o.AckWait = answerWait
	}
	bad := func(what, wanted, got string) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: o.Who, What: what, Wanted: wanted, Got: got}
	}
	switch {
	case o.Client == "":
		return nil, bad("client id", "one", "none")
	case o.Mode != Structured && o.Mode != Binary:
		return nil, bad("mode", "structured or binary", string(o.Mode))
	case o.Mode == Binary && o.Server.Version != V5:
		return nil, bad("mode", "structured, as MQTT 3.1.1 has no user properties", string(o.Mode))
	case o.Window > 1<<16-1:
		return nil, bad("window", "at most 65535", strconv.Itoa(o.Window))
	}
	if err := checkTopic(o.Who, "topic", o.Topic, false); err != nil {
		return nil, err
	}
	if err := o.Server.check(o.Who); err != nil {
		return nil, err
	}
	return &Sink{o: o}, nil
}

// Close says goodbye to the broker.
func (s *Sink) Close() error {
	s.leave(net.ErrClosed)
	return nil
}

func (s *Sink) leave(err error) {
	if s.conn == nil {
		return
	}
	if errors.Is(err, net.ErrClosed) {
		s.conn.close()
	} else {
		s.conn.end(err)
		s.conn.wg.Wait()
	}
	s.conn = nil
}

// Send publishes the events of a batch and returns when the broker has
// acknowledged each of them. Sent again they have the same ids. Errors: of kind
// unavailable while the broker is away or refuses; of kind invalid if an event is
// larger or otherwise than the broker takes: the error names it, and others may
// have been published.
func (s *Sink) Send(ctx context.Context, b *adapters.Batch) error {
	if len(b.Events) == 0 {
		return ctx.Err()
	}
	if err := s.join(ctx); err != nil {
		return err
	}
	err := s.publish(ctx, b)
	if err != nil && !errors.Is(err, events.ErrInvalid) {
		s.leave(err) // what was not acknowledged belongs to no later batch
	} else if err != nil {
		s.leave(net.ErrClosed)
	}
	return err
}

// join makes sure that there is a connection.
func (s *Sink) join(ctx context.Context) error {
	if s.conn != nil {
		select {
		case <-s.conn.down:
			s.leave(s.conn.err)
		default:
			return nil
		}
	}
	h, err := s.o.Server.hello(hello{client: s.o.Client, clean: true})
	if err != nil {
		return s.o.Server.away(s.o.Who, "credentials of the MQTT broker", err)
	}
	acks := &acks{changed: make(chan struct{}, 1)}
	c, err := connect(ctx, &s.o.Server, h, acks.receive)
	if err != nil {
		return refused(ctx, &s.o.Server, s.o.Who, err)
	}
	if c.limits.noQoS1 {
		c.close()
		return s.o.Server.away(s.o.Who, "publish", errors.New("the broker takes QoS 0 only, which it does not acknowledge"))
	}
	s.conn, s.acks = c, acks
	return nil
}

// publish sends the events, so many on their way at a time.
func (s *Sink) publish(ctx context.Context, b *adapters.Batch) error {
	window := s.o.Window
	if r := s.conn.limits.receive; r > 0 {
		window = min(window, int(r))
	}
	s.acks.reset(window)
	for i := range b.Events {
		if err := s.wait(ctx, b, i-window+1); err != nil {
			return err
		}
		p := s.message(b, &b.Events[i])
		p.id = uint16(i%window + 1)
		if err := s.fits(b, i, p); err != nil {
			return err
		}
		if err := s.conn.send(p); err != nil {
			return s.lost(ctx)
		}
	}
	return s.wait(ctx, b, len(b.Events))
}

// fits refuses a packet that is larger than the broker said it takes: it would
// end the connection.
func (s *Sink) fits(b *adapters.Batch, i int, p *packet) error {
	most := s.conn.limits.packet
	if most == 0 {
		return nil
	}
	var buf bytes.Buffer
	if err := s.conn.codec.write(&buf, p); err != nil {
		return err
	}
	if buf.Len() > int(most) {
		return s.unfit(b, i, fmt.Sprintf("at most %d bytes in a packet, as the broker says", most), fmt.Sprintf("%d bytes", buf.Len()))
	}
	return nil
}

// wait returns when the first n events are acknowledged.
func (s *Sink) wait(ctx context.Context, b *adapters.Batch, n int) error {
	var late <-chan time.Time
	for {
		done, bad := s.acks.state()
		switch {
		case bad != nil:
			return s.refused(b, done, bad)
		case done >= n:
			return nil
		}
		if late == nil {
			t := time.NewTimer(s.o.AckWait)
			defer t.Stop()
			late = t.C
		}
		select {
		case <-s.acks.changed:
		case <-s.conn.down:
			return s.lost(ctx)
		case <-ctx.Done():
			return ctx.Err()
		case <-late:
			return s.o.Server.away(s.o.Who, "acknowledgement of "+b.Events[done].ID(), errors.New("none came in time"))
		}
	}
}

func (s *Sink) lost(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return s.o.Server.away(s.o.Who, "connection to the MQTT broker", s.conn.err)
}

// refused is the error of an event that the broker does not take (MQTT 5.0,
// table 3-4).
func (s *Sink) refused(b *adapters.Batch, i int, p *packet) error {
	e := &refusedError{s.conn.codec.refusal(p.code), p.reason, p.code}
	if p.code == 0x95 || p.code == 0x99 || p.code == 0x90 {
		return s.unfit(b, i, "one that the broker takes", e.Error())
	}
	return s.o.Server.away(s.o.Who, "publish "+b.Events[i].ID()+" to "+s.topic(&b.Events[i]), e,
		"the broker must let client "+s.o.Client+" write to this topic")
}

func (s *Sink) unfit(b *adapters.Batch, i int, wanted, got string) error {
	return &events.Fault{
		Kind: events.ErrInvalid, Who: s.o.Who, Where: s.topic(&b.Events[i]), What: "event " + b.Events[i].ID(), Wanted: wanted, Got: got,
	}
}

func (s *Sink) topic(e *events.Event) string {
	return s.o.Topic + "/" + level(e.Farm) + "/" + string(e.Kind)
}

// LateProperty is "true" on events that had to wait and come out of their turn: a
// user property, which MQTT 3.1.1 does not have.
const LateProperty = "late"

// message makes the packet of an event.
func (s *Sink) message(b *adapters.Batch, e *events.Event) *packet {
	p := &packet{kind: kindPublish, qos: 1, topic: s.topic(e)}
	if s.o.Mode == Binary {
		p.contentType, p.payload, p.properties = "application/json", e.Data, attributes(e)
	} else {
		p.contentType, p.payload = "application/cloudevents+json", e.AppendCloudEvent(nil)
	}
	if b.Late {
		p.properties = append(p.properties, property{LateProperty, "true"})
	}
	return p
}

// attributes are those of an event but its content type, in the order of the
// binding's example. Each is a text, as section 3.1.3 wants.
func attributes(e *events.Event) []property {
	list := []property{
		{"specversion", "1.0"}, {"type", e.Kind.Type()}, {"time", e.Time()}, {"id", e.ID()}, {"source", e.SourceURI()},
		{"subject", e.Subject}, {"dataschema", e.Kind.DataSchema()}, {"farm", e.Farm}, {"entity", string(e.Entity)},
		{"revision", strconv.Itoa(e.Revision)}, {"change", string(e.Change)}, {"visit", e.Visit},
	}
	if !e.Recorded.IsZero() {
		list = append(list, property{"recordedtime", events.FormatTime(e.Recorded)})
	}
	out := list[:0]
	for _, p := range list {
		if p.value != "" {
			out = append(out, p)
		}
	}
	return out
}

// acks are the acknowledgements of one batch, which come in any order. Safe for
// use by several goroutines at once.
type acks struct {
	mu      sync.Mutex
	window  int
	come    []bool  // by identifier: of the event at hand with it
	done    int     // events acknowledged, up to the first that is not
	bad     *packet // the first that was refused: event number done
	changed chan struct{}
}

func (a *acks) reset(window int) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.window, a.come, a.done, a.bad = window, make([]bool, window), 0, nil
}

// receive takes what the broker sends.
func (a *acks) receive(p *packet) {
	if p.kind != kindPuback {
		return
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if i := int(p.id) - 1; i >= 0 && i < a.window && a.bad == nil {
		a.come[i] = true
		if p.code >= 0x80 {
			a.bad = p
			a.done += (i - a.done%a.window + a.window) % a.window // the event with this identifier
		}
		for a.bad == nil && a.come[a.done%a.window] {
			a.come[a.done%a.window] = false
			a.done++
		}
	}
	signal(a.changed)
}

func (a *acks) state() (done int, bad *packet) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.done, a.bad
}
