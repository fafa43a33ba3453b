package nats

import (
	"context"
	"errors"
	"fmt"

	"dewclaw/events"

	"github.com/nats-io/nats.go/jetstream"
)

// attach finds the stream and returns its consumer, which is made if it is
// missing. A consumer that nobody else reads with (Options.After) is set to where
// its reader stands.
func (b *subscription) attach(ctx context.Context) (jetstream.Consumer, error) {
	js, conn, err := b.s.link.get(ctx)
	if err != nil {
		return nil, err
	}
	b.largest = int(conn.MaxPayload())
	stream, err := b.ref.find(ctx, js)
	if err != nil {
		return nil, err
	}
	b.enter(streamIdentity(stream.CachedInfo()))
	inner, cancel := context.WithTimeout(ctx, apiTimeout)
	defer cancel()
	c, err := stream.Consumer(inner, b.s.o.Durable)
	switch {
	case errors.Is(err, jetstream.ErrConsumerNotFound):
		start, _ := b.position(nil)
		c, err = b.create(inner, stream, start)
	case err == nil:
		c, err = b.settleOn(inner, js, stream, c)
	}
	if err != nil {
		return nil, fault(ctx, b.s.o.Who, b.where(stream), "consumer", err)
	}
	return c, nil
}

func (b *subscription) where(s jetstream.Stream) string {
	return "stream " + s.CachedInfo().Config.Name + ", consumer " + b.s.o.Durable
}

// config is what our consumers have. Deliveries are not limited: a message that
// cannot be taken now must not be dropped for it.
func (b *subscription) config() jetstream.ConsumerConfig {
	return jetstream.ConsumerConfig{
		Durable: b.s.o.Durable, FilterSubject: b.ref.subject, AckPolicy: jetstream.AckExplicitPolicy,
		AckWait: b.s.o.AckWait, MaxAckPending: b.s.o.InFlight, MaxDeliver: -1, DeliverPolicy: jetstream.DeliverAllPolicy,
	}
}

func (b *subscription) create(ctx context.Context, s jetstream.Stream, start uint64) (jetstream.Consumer, error) {
	c := b.config()
	if start > 1 {
		c.DeliverPolicy, c.OptStartSeq = jetstream.DeliverByStartSequencePolicy, start
	}
	return s.CreateOrUpdateConsumer(ctx, c)
}

// settleOn makes an existing consumer ours: where it begins stays as its maker
// wanted it, the rest becomes as the config says.
func (b *subscription) settleOn(ctx context.Context, js jetstream.JetStream, s jetstream.Stream, c jetstream.Consumer) (jetstream.Consumer, error) {
	info := c.CachedInfo()
	if info.Config.AckPolicy != jetstream.AckExplicitPolicy {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: b.s.o.Who, Where: b.where(s), What: "acknowledgement of the consumer",
			Wanted: "explicit", Got: info.Config.AckPolicy.String(),
			Hints: []string{"name another consumer, or remove this one on the server"},
		}
	}
	want := info.Config
	mine := b.config()
	want.FilterSubject, want.FilterSubjects = mine.FilterSubject, nil
	want.AckWait, want.MaxAckPending, want.MaxDeliver = mine.AckWait, mine.MaxAckPending, mine.MaxDeliver
	if !sameConsumer(info.Config, want) {
		var err error
		if c, err = s.UpdateConsumer(ctx, want); err != nil {
			return nil, err
		}
	}
	start, move := b.position(info)
	if !move {
		return c, nil
	}
	_, err := js.ResetConsumerToSequence(ctx, s.CachedInfo().Config.Name, b.s.o.Durable, start)
	if err == nil {
		return s.Consumer(ctx, b.s.o.Durable)
	}
	// A server before 2.14 cannot, and none can go behind the place the consumer
	// was made to begin at.
	if err := s.DeleteConsumer(ctx, b.s.o.Durable); err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
		return nil, fmt.Errorf("set it to sequence %d: %w", start, err)
	}
	return b.create(ctx, s, start)
}

func sameConsumer(a, b jetstream.ConsumerConfig) bool {
	return a.FilterSubject == b.FilterSubject && len(a.FilterSubjects) == len(b.FilterSubjects) &&
		a.AckWait == b.AckWait && a.MaxAckPending == b.MaxAckPending && a.MaxDeliver == b.MaxDeliver
}
