package nats

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// SinkOptions say where a [Sink] publishes.
type SinkOptions struct {
	Who        string // "feed scores": opens every message
	Server     Server
	Prefix     string        // of the subjects: <prefix>.<farm>.<kind>
	Stream     string        // name of the stream; "" means the one that has the subjects
	Create     bool          // make a stream that is missing, for <prefix>.>
	Duplicates time.Duration // window in which a stream that is made drops what is sent twice; 0 means 2 min
	Window     int           // events published and not acknowledged; 0 means 256

	Report func(*events.Fault) // told what the server says out of turn; may be nil
}

// A Sink publishes the events of a batch: the beat "send". The events of one
// animal, or of one entity, leave in their order, one behind the other; others side
// by side. For use by one goroutine at a time.
type Sink struct {
	o     SinkOptions
	pub   *Publisher
	ready bool // the stream was seen
}

var _ adapters.Sink = (*Sink)(nil)

// OpenSink checks the options and connects to nothing yet: a server that is away
// is for Send to say. The error is of kind invalid.
func OpenSink(o SinkOptions) (*Sink, error) {
	if err := checkSubject(o.Who, "subject", o.Prefix, false); err != nil {
		return nil, err
	}
	if o.Duplicates <= 0 {
		o.Duplicates = 2 * time.Minute
	}
	p, err := NewPublisher(PublisherOptions{Who: o.Who, Server: o.Server, Stream: o.Stream, Window: o.Window, Report: o.Report})
	if err != nil {
		return nil, err
	}
	return &Sink{o: o, pub: p}, nil
}

// Close lets go of the connection.
func (s *Sink) Close() error { return s.pub.Close() }

// Send publishes the events of a batch and returns when the stream has
// acknowledged each of them. Sent again they have the same ids. Errors: of kind
// unavailable while the server or the stream is away or full; of kind invalid if
// an event is larger than the server takes: the error names it, and events of
// other animals may have been stored.
func (s *Sink) Send(ctx context.Context, b *adapters.Batch) error {
	if err := s.find(ctx); err != nil {
		return err
	}
	parcels, lanes := make([]parcel, len(b.Events)), b.Lanes()
	for i := range b.Events {
		e := &b.Events[i]
		parcels[i] = parcel{
			id: e.ID(), lane: lanes[i],
			msg: &nats.Msg{
				Subject: s.subject(e), Data: e.AppendCloudEvent(nil),
				Header: nats.Header{"content-type": {"application/cloudevents+json"}, nats.MsgIdHdr: {messageID(b, e)}},
			},
		}
		if b.Late {
			parcels[i].msg.Header.Set(LateHeader, "true")
		}
	}
	err := s.pub.send(ctx, parcels)
	if errors.Is(err, jetstream.ErrNoStreamResponse) {
		s.ready = false // it was removed: look for it, or make it, the next time
	}
	return err
}

// LateHeader is true on events that had to wait and come out of their turn.
const LateHeader = "dewclaw-late"

// messageID names an event towards the server, which drops what has the same
// name within its window. A feed that was rewound sends again on purpose: its
// generation is part of the name.
func messageID(b *adapters.Batch, e *events.Event) string {
	if b.Generation <= 1 {
		return e.ID()
	}
	return e.ID() + ".g" + strconv.Itoa(b.Generation)
}

// find makes sure, once, that there is a stream for the subjects.
func (s *Sink) find(ctx context.Context) error {
	if s.ready {
		return nil
	}
	js, _, err := s.pub.link.get(ctx)
	if err != nil {
		return err
	}
	ref := streamRef{who: s.o.Who, name: s.o.Stream, subject: s.o.Prefix + ".>", create: s.o.Create, duplicates: s.o.Duplicates, outward: true}
	if _, err := ref.find(ctx, js); err != nil {
		return err
	}
	s.ready = true
	return nil
}

func (s *Sink) subject(e *events.Event) string {
	return s.o.Prefix + "." + token(e.Farm) + "." + string(e.Kind)
}

// token makes one word of a subject of a text: what may not stand in one is
// written as a percent sign and two hex digits.
func token(s string) string {
	var b strings.Builder
	for i := range len(s) {
		if c := s[i]; c <= ' ' || c == '.' || c == '*' || c == '>' || c == '%' || c >= 0x7f {
			const hex = "0123456789ABCDEF"
			b.WriteByte('%')
			b.WriteByte(hex[c>>4])
			b.WriteByte(hex[c&15])
		} else {
			b.WriteByte(c)
		}
	}
	return b.String()
}
