package nats

import (
	"context"
	"sync"
	"time"

	"dewclaw/events"

	"github.com/ThreeDotsLabs/watermill/message"
)

// SubscriberOptions say what a [Subscriber] reads and how.
type SubscriberOptions struct {
	Who     string // opens every message
	Server  Server
	Stream  string // name; "" means the one that has the subject
	Durable string // name of the consumer; for one subject of a stream only
	Create  bool   // make a stream that is missing, for the subject

	AckWait  time.Duration // until the server takes a message for lost that it hears nothing of; 0 means 30 s
	NakDelay time.Duration // until a message that was refused comes again; 0 means 1 s
	InFlight int           // messages handed out and not settled; 0 means 1: in order, one by one

	// After says up to which sequence of a stream everything is committed. Setting
	// it means that nobody else reads with this consumer, which is then set to where
	// its reader stands: at the first subscription, and whenever a delivery was lost.
	// An unknown stream is read from where the consumer stands.
	After func(stream string) (sequence uint64, known bool)

	Report func(*events.Fault) // told what the server says out of turn; may be nil
}

func (o *SubscriberOptions) fill() {
	if o.AckWait <= 0 {
		o.AckWait = 30 * time.Second
	}
	if o.NakDelay <= 0 {
		o.NakDelay = time.Second
	}
	if o.InFlight <= 0 {
		o.InFlight = 1
	}
}

// A Subscriber is a watermill subscriber over JetStream. A topic is a subject, and
// may have wildcards. Safe for use by several goroutines at once.
type Subscriber struct {
	o    SubscriberOptions
	link *link
	stop context.CancelFunc
	done context.Context

	mu     sync.Mutex // guards closed against the start of a subscription
	closed bool
	wg     sync.WaitGroup

	trouble state
}

var (
	_ message.Subscriber           = (*Subscriber)(nil)
	_ message.SubscribeInitializer = (*Subscriber)(nil)
)

// NewSubscriber checks the options and connects to nothing yet. The error is of
// kind invalid.
func NewSubscriber(o SubscriberOptions) (*Subscriber, error) {
	o.fill()
	l, err := newLink(o.Who, o.Server, o.Report)
	if err != nil {
		return nil, err
	}
	if o.Durable == "" {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: o.Who, What: "consumer", Wanted: "a name", Got: "none"}
	}
	s := &Subscriber{o: o, link: l}
	s.done, s.stop = context.WithCancel(context.Background())
	return s, nil
}

// Subscribe begins to read a subject. It fails if the stream cannot be read now
// (kind unavailable, or invalid if the consumer is not one to read with); once it
// reads, it goes on until ctx ends or Close, over every absence of the server,
// and then closes the channel. Up to InFlight messages wait in it.
func (s *Subscriber) Subscribe(ctx context.Context, topic string) (<-chan *message.Message, error) {
	b, err := s.subscription(ctx, topic)
	if err != nil {
		return nil, err
	}
	c, err := b.attach(b.ctx)
	if err != nil {
		b.cancel()
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		b.cancel()
		return nil, s.link.away(errClosed)
	}
	s.wg.Go(func() { b.run(c) })
	return b.out, nil
}

// SubscribeInitialize makes sure that stream and consumer are there, so that
// nothing published from now on is missed.
func (s *Subscriber) SubscribeInitialize(topic string) error {
	b, err := s.subscription(s.done, topic)
	if err != nil {
		return err
	}
	defer b.cancel()
	_, err = b.attach(b.ctx)
	return err
}

// Close ends all subscriptions and closes their channels. Messages that are not
// settled are given back to the server.
func (s *Subscriber) Close() error {
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	s.stop()
	s.wg.Wait()
	return s.link.close()
}

func (s *Subscriber) subscription(ctx context.Context, topic string) (*subscription, error) {
	ref := streamRef{who: s.o.Who, name: s.o.Stream, subject: topic, create: s.o.Create}
	if topic != "" || s.o.Stream == "" {
		if err := checkSubject(s.o.Who, "subject", topic, true); err != nil {
			return nil, err
		}
	}
	b := &subscription{s: s, ref: ref, out: make(chan *message.Message, s.o.InFlight), flights: map[uint64]*flight{}}
	b.room = newRoom(s.o.InFlight, maxInFlightBytes)
	b.ctx, b.cancel = context.WithCancel(ctx)
	stop := context.AfterFunc(s.done, b.cancel)
	cancel := b.cancel
	b.cancel = func() { stop(); cancel() }
	return b, nil
}

// A state is what a subscription is in: nil if it reads, else why not.
type state struct {
	mu      sync.Mutex
	err     error
	changed chan struct{}
}

func (s *state) set(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.err = err
	if s.changed == nil {
		s.changed = make(chan struct{}, 1)
	}
	select {
	case s.changed <- struct{}{}:
	default:
	}
}

// get returns the state and a channel that holds a token when it changed.
func (s *state) get() (<-chan struct{}, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.changed == nil {
		s.changed = make(chan struct{}, 1)
	}
	return s.changed, s.err
}
