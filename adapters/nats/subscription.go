package nats

import (
	"context"
	"errors"
	"sync"
	"time"

	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/nats-io/nats.go/jetstream"
)

const (
	maxInFlightBytes = 64 << 20 // of messages handed out and not settled
	pullBytes        = 16 << 20 // asked for at a time; more if the server takes larger messages
	envelope         = 64 << 10 // what subject and headers add to a message, at most
	pullMessages     = 512
	pullExpiry       = 10 * time.Second
	heartbeat        = 2 * time.Second // a server that is silent for two of them is asked anew

	drainWait    = 250 * time.Millisecond // a server that is away does not end a drain
	firstRetry   = 100 * time.Millisecond
	longestRetry = 15 * time.Second
)

// A subscription reads one subject. Its goroutine is run; each message that is
// out has one of its own (flight).
type subscription struct {
	s      *Subscriber
	ref    streamRef
	out    chan *message.Message // has room for all that may be in flight
	room   *room
	ctx    context.Context
	cancel context.CancelFunc
	wg     sync.WaitGroup

	largest int // message the server takes; of run's goroutine

	mu      sync.Mutex
	stream  string             // identity
	flights map[uint64]*flight // out and not settled, by sequence
	open    map[uint64]bool    // handed out and not acknowledged: refused ones too
	highest uint64             // sequence handed out
	last    uint64             // number of the delivery before, as the consumer counts; 0 if not known
}

// errGap says that a delivery did not come through.
var errGap = errors.New("a delivery was lost on the way")

// run reads until the context ends, over every trouble.
func (b *subscription) run(c jetstream.Consumer) {
	defer b.end()
	for tries := 0; ; tries++ {
		err := b.pull(c)
		if b.ctx.Err() != nil {
			return
		}
		if b.heard() {
			tries = 0
		}
		for again := tries > 0; ; again = true {
			if again {
				b.s.trouble.set(fault(b.ctx, b.s.o.Who, b.ref.label(), "read the stream", err))
				if !b.pause(min(firstRetry<<min(tries, 10), longestRetry)) {
					return
				}
				tries++
			}
			if c, err = b.attach(b.ctx); err == nil {
				break
			}
			if b.ctx.Err() != nil {
				return
			}
		}
		b.s.trouble.set(nil)
	}
}

// heard reports whether a message came since the consumer was attached.
func (b *subscription) heard() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.last != 0
}

func (b *subscription) pause(d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-b.ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// pull reads from one consumer until the first error.
func (b *subscription) pull(c jetstream.Consumer) error {
	it, err := c.Messages(
		jetstream.PullMaxMessagesWithBytesLimit(min(b.s.o.InFlight, pullMessages), max(pullBytes, b.largest+envelope)),
		jetstream.PullExpiry(pullExpiry), jetstream.PullHeartbeat(heartbeat), jetstream.WithMessagesErrOnMissingHeartbeat(true),
	)
	if err != nil {
		return err
	}
	defer giveBack(it)
	for {
		if err := b.room.wait(b.ctx); err != nil {
			return err
		}
		msg, err := it.Next(jetstream.NextContext(b.ctx))
		if err != nil {
			return err
		}
		if err := b.receive(msg); err != nil {
			return err
		}
	}
}

// giveBack returns to the server what was fetched and not received.
func giveBack(it jetstream.MessagesContext) {
	defer it.Stop()
	it.Drain()
	for {
		msg, err := it.Next(jetstream.NextMaxWait(drainWait))
		if err != nil {
			return
		}
		_ = msg.Nak() // lost: it comes again after AckWait
	}
}

// receive hands a message out, unless it is out already.
func (b *subscription) receive(msg jetstream.Msg) error {
	md, err := msg.Metadata()
	if err != nil {
		return err
	}
	b.mu.Lock()
	if b.s.o.After != nil && b.last != 0 && md.Sequence.Consumer != b.last+1 {
		b.mu.Unlock()
		return errGap
	}
	b.last = md.Sequence.Consumer
	seq := md.Sequence.Stream
	if f, out := b.flights[seq]; out {
		f.mu.Lock()
		f.msg = msg // the server hears of the newest delivery only
		f.mu.Unlock()
		b.mu.Unlock()
		return nil
	}
	f := &flight{b: b, sequence: seq, msg: msg, size: len(msg.Data()), m: newMessage(msg, md, b.stream)}
	b.flights[seq] = f
	b.open[seq] = true
	b.highest = max(b.highest, seq)
	b.mu.Unlock()
	ctx, cancel := context.WithCancel(b.ctx)
	f.m.SetContext(ctx)
	b.room.take(f.size)
	b.wg.Go(func() {
		f.attend(b.ctx)
		cancel()
		b.room.give(f.size)
	})
	b.out <- f.m // there is room for as many as may be in flight
	return nil
}

// end settles what is out and closes the channel.
func (b *subscription) end() {
	b.cancel()
	for {
		select {
		case m := <-b.out:
			m.Nack()
		default:
			b.wg.Wait()
			close(b.out)
			return
		}
	}
}

// enter notes which stream is read. What is known of another one of the same name
// does not hold for it.
func (b *subscription) enter(stream string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.last = 0
	if b.stream == stream {
		return
	}
	b.stream, b.highest = stream, 0
	b.flights, b.open = map[uint64]*flight{}, map[uint64]bool{}
}

// position returns the sequence to read from and whether a consumer in the state
// info has to be moved there; info is nil for one that is to be made.
func (b *subscription) position(info *jetstream.ConsumerInfo) (start uint64, move bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch {
	case b.highest > 0: // we were reading
		start = b.highest + 1
		for seq := range b.open {
			start = min(start, seq)
		}
		return start, b.s.o.After != nil
	case b.s.o.After == nil:
		return 0, false
	}
	committed, known := b.s.o.After(b.stream)
	switch {
	case info == nil && known:
		return committed + 1, true
	case info == nil:
		return 0, false
	case known && committed < info.AckFloor.Stream: // a log put back from an older copy
		return committed + 1, true
	}
	// What was out when the reader before us ended comes first, and in order.
	return info.AckFloor.Stream + 1, info.NumAckPending > 0
}
