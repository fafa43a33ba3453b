package watermill

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/google/uuid"
)

// SinkOptions say where a [Sink] publishes.
type SinkOptions struct {
	Who    string // "feed scores": opens every message
	Server Server
	Topic  string

	SendWait time.Duration // for one batch; 0 means 60 s
}

// A Sink publishes the events of a batch in their order: the beat "send". For use
// by one goroutine at a time.
type Sink struct {
	o   SinkOptions
	pub *publisher // nil while there is none
}

var _ adapters.Sink = (*Sink)(nil)

// OpenSink checks the options and connects to nothing yet: a server that is away
// is for Send to say. The error is of kind invalid.
func OpenSink(o SinkOptions) (*Sink, error) {
	if o.SendWait <= 0 {
		o.SendWait = time.Minute
	}
	if err := o.Server.check(o.Who, o.Topic); err != nil {
		return nil, err
	}
	return &Sink{o: o}, nil
}

// Close lets go of the connection.
func (s *Sink) Close() error {
	if s.pub == nil {
		return nil
	}
	err := s.pub.close()
	s.pub = nil
	return err
}

// Send publishes the events of a batch and returns when the server has answered
// for each. Sent again they have the same UUIDs. The error is of kind unavailable;
// what stands before the event it names was published.
func (s *Sink) Send(ctx context.Context, b *adapters.Batch) error {
	inner, cancel := context.WithTimeout(ctx, s.o.SendWait)
	defer cancel()
	err := s.send(inner, b)
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		err = ctx.Err()
	default:
		err = s.o.Server.away(s.o.Who, "publish to topic "+s.o.Topic, err)
	}
	_ = s.Close() // it may be broken
	return err
}

func (s *Sink) send(ctx context.Context, b *adapters.Batch) error {
	if s.pub == nil {
		p, err := s.o.Server.publisher(ctx)
		if err != nil {
			return err
		}
		s.pub = p
	}
	for from := 0; from < len(b.Events); from += batchRows {
		to := min(from+batchRows, len(b.Events))
		list := make([]*message.Message, 0, to-from)
		for i := range b.Events[from:to] {
			m := envelope(b, &b.Events[from+i])
			m.SetContext(ctx)
			list = append(list, m)
		}
		if err := s.pub.Publish(s.o.Topic, list...); err != nil {
			return errors.Join(ctx.Err(), fmt.Errorf("events %s to %s: %w", b.Events[from].ID(), b.Events[to-1].ID(), err))
		}
	}
	return nil
}

// space is the namespace of our UUIDs, made of a name of ours (RFC 9562, section 5.5).
var space = uuid.NewSHA1(uuid.NameSpaceURL, []byte("https://dewclaw.example/events"))

// envelope makes the message of an event.
func envelope(b *adapters.Batch, e *events.Event) *message.Message {
	name := e.ID()
	if b.Generation > 1 { // of a feed that was rewound: it sends again on purpose
		name += fmt.Sprintf(".g%d", b.Generation)
	}
	m := message.NewMessage(uuid.NewSHA1(space, []byte(name)).String(), e.AppendCloudEvent(nil))
	m.Metadata = message.Metadata{
		"content-type": "application/cloudevents+json", "id": e.ID(), "type": e.Kind.Type(), "farm": e.Farm, "kind": string(e.Kind),
	}
	if b.Late {
		m.Metadata["late"] = "true"
	}
	return m
}
