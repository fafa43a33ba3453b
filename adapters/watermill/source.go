package watermill

import (
	"bytes"
	"context"
	"errors"
	"io"
	"sync"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/ThreeDotsLabs/watermill/message"
)

// SourceOptions say which messages a [Source] takes.
type SourceOptions struct {
	Who    string // "source chute": opens every message
	Server Server
	Topic  string
	Group  string // consumer group, for this Source alone

	// After says what the log has of a stream (Delivery.Stream) of this source: the
	// highest Sequence, and Delivery.Message of the newest messages, up to most, the
	// oldest first. It is asked once. Nil means a log that has none.
	After func(ctx context.Context, stream string, most int) (sequence uint64, newest []string, err error)

	Now func() time.Time // nil means time.Now
}

// A Source hands over the messages of a topic in its order, one at a time: the
// next one when the one before it is settled. One goroutine calls Next; deliveries
// may be settled from others.
type Source struct {
	o    SourceOptions
	sub  *subscription // nil while there is none
	told bool          // whether the log was asked

	mu     sync.Mutex
	number uint64
	hand   map[string]uint64 // numbers of messages that are out or were not taken
	known  map[string]bool   // taken, the newest
	order  []string          // of known, the oldest first
}

var _ adapters.Source = (*Source)(nil)

// mostKnown is how many messages are known again: more than a transport hands over
// without an acknowledgement.
const mostKnown = 10 * batchRows

// OpenSource checks the options and connects to nothing yet: a server that is away
// is for Next to say. The error is of kind invalid.
func OpenSource(o SourceOptions) (*Source, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.After == nil {
		o.After = func(context.Context, string, int) (uint64, []string, error) { return 0, nil, nil }
	}
	if err := o.Server.check(o.Who, o.Topic); err != nil {
		return nil, err
	}
	if o.Group == "" || len(o.Group) > 255 {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: o.Who, What: "group", Wanted: "1 to 255 characters", Got: `"` + o.Group + `"`}
	}
	return &Source{o: o, hand: map[string]uint64{}, known: map[string]bool{}}, nil
}

// Close gives back what is not settled and lets go of the connection.
func (s *Source) Close() error {
	if s.sub == nil {
		return nil
	}
	err := s.sub.close()
	s.sub = nil
	return err
}

// stream is what sequences count in.
func (s *Source) stream() string { return string(s.o.Server.Transport) + ":" + s.o.Topic }

// Next returns the next message. It blocks until there is one or ctx ends; while
// one is out, until that is settled. It fails with an error of kind unavailable
// while the server is away or refuses.
func (s *Source) Next(ctx context.Context) (*adapters.Delivery, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	for {
		if err := s.begin(ctx); err != nil {
			return nil, err
		}
		select {
		case m, ok := <-s.sub.in:
			if !ok {
				if err := s.lost(errors.New("the subscription has ended")); err != nil {
					return nil, err
				}
				continue
			}
			if d := s.deliver(m); d != nil {
				return d, nil
			}
		case err := <-s.sub.trouble:
			if err := s.lost(err); err != nil {
				return nil, err
			}
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// begin makes sure that the topic is being read.
func (s *Source) begin(ctx context.Context) error {
	if !s.told {
		n, newest, err := s.o.After(ctx, s.stream(), mostKnown)
		if err != nil {
			return err
		}
		s.mu.Lock()
		s.number = n
		for _, id := range newest {
			s.remember(id)
		}
		s.mu.Unlock()
		s.told = true
	}
	if s.sub != nil {
		return nil
	}
	sub, err := s.o.Server.subscribe(ctx, s.o.Topic, s.o.Group)
	if err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return s.o.Server.away(s.o.Who, "read topic "+s.o.Topic, err)
	}
	s.sub = sub
	return nil
}

// lost ends a subscription and says why; nil if another only must begin.
func (s *Source) lost(err error) error {
	select {
	case err = <-s.sub.trouble: // it says more
	default:
	}
	_ = s.sub.close() // it was broken
	s.sub = nil
	if errors.Is(err, errStrange) {
		return nil
	}
	return s.o.Server.away(s.o.Who, "read topic "+s.o.Topic, err)
}

// remember notes a message as taken. The caller holds the lock.
func (s *Source) remember(id string) {
	if s.known[id] {
		return
	}
	s.known[id] = true
	if s.order = append(s.order, id); len(s.order) > mostKnown {
		delete(s.known, s.order[0])
		s.order = s.order[1:]
	}
}

// deliver makes a delivery of a message; nil if it was taken before, or is out.
func (s *Source) deliver(m *message.Message) *adapters.Delivery {
	id := m.Metadata.Get(metaID)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.known[id] {
		m.Ack()
		return nil
	}
	number, again := s.hand[id]
	if !again {
		s.number++
		number = s.number
		s.hand[id] = number
	}
	var once sync.Once
	return &adapters.Delivery{
		Name: s.o.Topic, Message: id, Stream: s.stream(), Sequence: number, Counted: true, Received: s.o.Now(), Size: int64(len(m.Payload)),
		Open: func(ctx context.Context) (io.ReadCloser, error) {
			return io.NopCloser(bytes.NewReader(m.Payload)), ctx.Err()
		},
		Settle: func(_ context.Context, v adapters.Verdict) error {
			once.Do(func() { s.settle(m, id, v) })
			return nil
		},
	}
}

// settle is the beat "acknowledge".
func (s *Source) settle(m *message.Message, id string, v adapters.Verdict) {
	if v != adapters.Taken {
		m.Nack()
		return
	}
	s.mu.Lock()
	s.remember(id)
	delete(s.hand, id)
	s.mu.Unlock()
	m.Ack()
}
