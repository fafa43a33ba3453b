package nats

import (
	"context"
	"sync"
	"time"

	"dewclaw/events"

	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// PublisherOptions say where a [Publisher] publishes.
type PublisherOptions struct {
	Who     string // opens every message
	Server  Server
	Stream  string        // name of the stream that must acknowledge; "" means any
	Window  int           // messages published and not acknowledged; 0 means 256
	AckWait time.Duration // for one acknowledgement; 0 means 10 s

	Report func(*events.Fault) // told what the server says out of turn; may be nil
}

// A Publisher is a watermill publisher over JetStream. A topic is a subject; the
// UUID of a message is its Nats-Msg-Id. Safe for use by several goroutines.
type Publisher struct {
	o    PublisherOptions
	link *link

	mu     sync.Mutex
	closed bool
	busy   sync.WaitGroup
}

var _ message.Publisher = (*Publisher)(nil)

// NewPublisher checks the options and connects to nothing yet. The error is of
// kind invalid.
func NewPublisher(o PublisherOptions) (*Publisher, error) {
	if o.Window <= 0 {
		o.Window = 256
	}
	if o.AckWait <= 0 {
		o.AckWait = 10 * time.Second
	}
	l, err := newLink(o.Who, o.Server, o.Report)
	if err != nil {
		return nil, err
	}
	return &Publisher{o: o, link: l}, nil
}

// Publish publishes messages one after another and returns when a stream has
// acknowledged each. After an error the messages before it may have been stored;
// published again they are dropped by the server, within its window, if they have
// a UUID. Waiting for one ends with the context of that message.
func (p *Publisher) Publish(topic string, messages ...*message.Message) error {
	if err := checkSubject(p.o.Who, "subject", topic, false); err != nil {
		return err
	}
	for _, m := range messages {
		h, err := header(m)
		if err != nil {
			return err
		}
		msg := &nats.Msg{Subject: topic, Header: h, Data: m.Payload}
		if err := p.send(m.Context(), []parcel{{msg: msg, id: m.UUID}}); err != nil {
			return err
		}
	}
	return nil
}

// Close waits for what is being published and lets go of the connection.
func (p *Publisher) Close() error {
	p.mu.Lock()
	p.closed = true
	p.mu.Unlock()
	p.busy.Wait()
	return p.link.close()
}

// A parcel is one message on its way out. Parcels of one lane go one by one, in
// their order.
type parcel struct {
	msg  *nats.Msg
	id   string // for people
	lane int
}

// send publishes parcels and returns when all are acknowledged. Several lanes are
// on their way at a time, within the window. After the first error nothing more
// is begun; what was begun is waited for.
func (p *Publisher) send(ctx context.Context, parcels []parcel) error {
	p.mu.Lock()
	if p.closed {
		p.mu.Unlock()
		return p.link.away(errClosed)
	}
	p.busy.Add(1)
	p.mu.Unlock()
	defer p.busy.Done()
	js, conn, err := p.link.get(ctx)
	if err != nil {
		return err
	}
	s := sender{p: p, ctx: ctx, js: js, conn: conn, parcels: parcels, results: make(chan result, p.o.Window)}
	return s.run()
}

type result struct {
	index int
	err   error
}

// A sender is one call of send.
type sender struct {
	p       *Publisher
	ctx     context.Context
	js      jetstream.JetStream
	conn    *nats.Conn
	parcels []parcel
	results chan result
}

func (s *sender) run() error {
	next := make([]int, len(s.parcels)) // the one behind it in its lane; 0 if none
	last := map[int]int{}
	var ready []int
	for i := range s.parcels {
		if before, ok := last[s.parcels[i].lane]; ok {
			next[before] = i
		} else {
			ready = append(ready, i)
		}
		last[s.parcels[i].lane] = i
	}
	first := result{index: len(s.parcels)}
	for out := 0; len(ready) > 0 || out > 0; {
		for len(ready) > 0 && out < s.p.o.Window && first.err == nil {
			i := ready[0]
			ready = ready[1:]
			out++
			go func() { s.results <- result{i, s.one(s.parcels[i])} }()
		}
		if out == 0 {
			break
		}
		r := <-s.results
		out--
		switch {
		case r.err != nil && r.index < first.index:
			first = r
		case r.err == nil && next[r.index] > 0:
			ready = append(ready, next[r.index])
		}
	}
	return first.err
}

// one publishes one parcel and waits for its acknowledgement.
func (s *sender) one(p parcel) error {
	if int64(len(p.msg.Data)) > s.conn.MaxPayload() {
		return fault(s.ctx, s.p.o.Who, p.msg.Subject, "publish "+p.id, nats.ErrMaxPayload)
	}
	inner, cancel := context.WithTimeout(s.ctx, s.p.o.AckWait)
	defer cancel()
	ack, err := s.js.PublishMsg(inner, p.msg)
	if err != nil {
		return s.refused(p, err)
	}
	if want := s.p.o.Stream; want != "" && ack.Stream != want {
		return &events.Fault{
			Kind: events.ErrUnavailable, Who: s.p.o.Who, Where: p.msg.Subject, What: "acknowledgement of " + p.id,
			Wanted: "one of stream " + want, Got: "one of stream " + ack.Stream,
			Hints: []string{"two streams must not have the same subject; what was stored there stays there"},
		}
	}
	return nil
}
