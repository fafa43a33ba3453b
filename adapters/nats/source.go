package nats

import (
	"bytes"
	"context"
	"io"
	"strconv"
	"sync"
	"time"
	"unicode/utf8"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/ThreeDotsLabs/watermill/message"
)

// SourceOptions say which messages a [Source] takes.
type SourceOptions struct {
	Who     string // "source scores": opens every message
	Server  Server
	Stream  string // name; "" means the one that has the subject
	Subject string // may have wildcards; "" means all of the stream
	Durable string // name of the consumer, for this Source alone
	Create  bool   // make a stream that is missing, for the subject

	AckWait  time.Duration // until the server takes a message for lost that it hears nothing of; 0 means 30 s
	NakDelay time.Duration // until a message that was not taken comes again; 0 means 1 s
	InFlight int           // messages handed over and not settled; 0 means 1024

	// After says up to which sequence of a stream (Delivery.Stream) the log has its
	// messages: the consumer is set to where the log stands. Nil means that only the
	// consumer knows.
	After func(stream string) (sequence uint64, known bool)

	Name   func(subject string) string // of a delivery, for people; nil means its subject
	Now    func() time.Time            // nil means time.Now
	Report func(*events.Fault)         // told what the server says out of turn; may be nil
}

// A Source hands over the messages of a stream, in its order: the beat "next". One
// goroutine calls Next and NextBatch; deliveries may be settled from others.
type Source struct {
	o    SourceOptions
	sub  *Subscriber
	in   <-chan *message.Message // nil until subscribed
	stop context.CancelFunc
	ctx  context.Context

	mu     sync.Mutex
	stream string
	again  map[uint64]time.Time // not taken, by sequence, and until when it is waited for
}

var (
	_ adapters.Source  = (*Source)(nil)
	_ adapters.Batcher = (*Source)(nil)
)

// maxBatchBytes ends a batch that has grown large.
const maxBatchBytes = 8 << 20

// OpenSource checks the options and connects to nothing yet: a server that is away
// is for Next to say. The error is of kind invalid.
func OpenSource(o SourceOptions) (*Source, error) {
	if o.InFlight <= 0 {
		o.InFlight = 1024
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Name == nil {
		o.Name = func(subject string) string { return subject }
	}
	after := o.After
	if after == nil {
		after = func(string) (uint64, bool) { return 0, false }
	}
	if o.Stream == "" && o.Subject == "" {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: o.Who, What: "stream", Wanted: "a stream or a subject", Got: "none"}
	}
	if o.Create && o.Subject == "" {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: o.Who, What: "subject", Wanted: "one, to make the stream for", Got: "none"}
	}
	sub, err := NewSubscriber(SubscriberOptions{
		Who: o.Who, Server: o.Server, Stream: o.Stream, Durable: o.Durable, Create: o.Create,
		AckWait: o.AckWait, NakDelay: o.NakDelay, InFlight: o.InFlight, After: after, Report: o.Report,
	})
	if err != nil {
		return nil, err
	}
	if o.Subject != "" {
		if err := checkSubject(o.Who, "subject", o.Subject, true); err != nil {
			return nil, err
		}
	}
	s := &Source{o: o, sub: sub, again: map[uint64]time.Time{}}
	s.ctx, s.stop = context.WithCancel(context.Background())
	return s, nil
}

// Close gives back to the server what is not settled, sends what acknowledgements
// are to be sent and lets go of the connection.
func (s *Source) Close() error {
	s.stop()
	return s.sub.Close()
}

// Next returns the next message of the stream. It blocks until there is one or ctx
// ends. It fails with an error of kind unavailable while the server, the stream or
// the consumer is away, and with one of kind invalid if the consumer is not one
// that can be read with.
func (s *Source) Next(ctx context.Context) (*adapters.Delivery, error) {
	list, err := s.NextBatch(ctx, 1, 0)
	if err != nil {
		return nil, err
	}
	return list[0], nil
}

// NextBatch returns up to most messages: the next one, as Next does, and what comes
// within wait behind it, to 8 MiB together.
func (s *Source) NextBatch(ctx context.Context, most int, wait time.Duration) ([]*adapters.Delivery, error) {
	first, err := s.receive(ctx)
	if err != nil {
		return nil, err
	}
	list := []*adapters.Delivery{first}
	size := first.Size
	timer := time.NewTimer(wait)
	defer timer.Stop()
	for len(list) < most && size < maxBatchBytes {
		select {
		case m, ok := <-s.in:
			if !ok {
				return list, nil
			}
			if d := s.deliver(m); d != nil {
				list = append(list, d)
				size += d.Size
			}
		case <-timer.C:
			return list, nil
		case <-ctx.Done():
			return list, nil
		}
	}
	return list, nil
}

func (s *Source) receive(ctx context.Context) (*adapters.Delivery, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if s.in == nil {
		if err := s.subscribe(ctx); err != nil {
			return nil, err
		}
	}
	for {
		changed, trouble := s.sub.trouble.get()
		if trouble == nil {
			trouble = s.sub.link.down()
		}
		var down chan struct{}
		if trouble != nil {
			down = make(chan struct{})
			close(down)
		}
		select { // what is here already comes first
		case m, ok := <-s.in:
			if d, err := s.received(m, ok); d != nil || err != nil {
				return d, err
			}
			continue
		default:
		}
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-down:
			return nil, trouble
		case m, ok := <-s.in:
			if d, err := s.received(m, ok); d != nil || err != nil {
				return d, err
			}
		case <-changed:
		case <-s.sub.link.changed:
		}
	}
}

// subscribe begins to read. The subscription outlives ctx.
func (s *Source) subscribe(ctx context.Context) error {
	if _, _, err := s.sub.link.get(ctx); err != nil {
		return err
	}
	in, err := s.sub.Subscribe(s.ctx, s.o.Subject)
	if err != nil {
		return err
	}
	s.in = in
	return nil
}

func (s *Source) received(m *message.Message, ok bool) (*adapters.Delivery, error) {
	if !ok {
		s.in = nil
		return nil, s.sub.link.away(errClosed)
	}
	return s.deliver(m), nil
}

// deliver makes a delivery of a message, or gives it back: one behind a message
// that was not taken waits until that one has come again.
func (s *Source) deliver(m *message.Message) *adapters.Delivery {
	stream := m.Metadata.Get(MetaStream)
	sequence, _ := strconv.ParseUint(m.Metadata.Get(MetaSequence), 10, 64)
	received, _ := time.Parse(time.RFC3339Nano, m.Metadata.Get(MetaTime))
	if s.mustWait(stream, sequence) {
		m.Nack()
		return nil
	}
	var once sync.Once
	return &adapters.Delivery{
		Name: label(s.o.Name(m.Metadata.Get(MetaSubject))), Message: identity(stream, sequence),
		Stream: stream, Sequence: sequence, Received: received, Size: int64(len(m.Payload)),
		Open: func(ctx context.Context) (io.ReadCloser, error) {
			return io.NopCloser(bytes.NewReader(m.Payload)), ctx.Err()
		},
		Settle: func(_ context.Context, v adapters.Verdict) error {
			once.Do(func() { s.settle(m, stream, sequence, v) })
			return nil
		},
	}
}

// settle is the beat "acknowledge".
func (s *Source) settle(m *message.Message, stream string, sequence uint64, v adapters.Verdict) {
	if v == adapters.Taken {
		m.Ack()
		return
	}
	s.mu.Lock()
	if stream == s.stream {
		s.again[sequence] = s.giveUp()
	}
	s.mu.Unlock()
	m.Nack()
}

// giveUp is until when a message that was not taken is waited for: it may have
// been removed from the stream meanwhile.
func (s *Source) giveUp() time.Time {
	return s.o.Now().Add(s.sub.o.NakDelay + 2*s.sub.o.AckWait)
}

// mustWait notes that a message has come and reports whether one before it was
// not taken and has not come again.
func (s *Source) mustWait(stream string, sequence uint64) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if stream != s.stream {
		s.stream = stream
		clear(s.again)
	}
	delete(s.again, sequence)
	if len(s.again) == 0 {
		return false
	}
	now := s.o.Now()
	for before, until := range s.again {
		switch {
		case now.After(until):
			delete(s.again, before)
		case before < sequence:
			s.again[sequence] = s.giveUp()
			return true
		}
	}
	return false
}

// label returns a subject that may be printed and stored.
func label(s string) string {
	for _, r := range s {
		if r == utf8.RuneError || !strconv.IsPrint(r) {
			return strconv.Quote(s)
		}
	}
	return s
}
