package nats

import (
	"context"
	"sync"
	"time"

	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/nats-io/nats.go/jetstream"
)

// A flight is one message that is out and not settled.
type flight struct {
	b        *subscription
	sequence uint64
	size     int
	m        *message.Message

	mu  sync.Mutex
	msg jetstream.Msg
}

// attend keeps the server informed until the message is settled or ctx ends, and
// then tells it. What it cannot tell comes again.
func (f *flight) attend(ctx context.Context) {
	t := time.NewTicker(f.b.s.o.AckWait / 3)
	defer t.Stop()
	for {
		select {
		case <-f.m.Acked():
			f.land(true)
			_ = f.delivery().Ack()
			return
		case <-f.m.Nacked():
			f.land(false)
			_ = f.delivery().NakWithDelay(f.b.s.o.NakDelay)
			return
		case <-t.C:
			_ = f.delivery().InProgress()
		case <-ctx.Done():
			select {
			case <-f.m.Acked():
				_ = f.delivery().Ack()
			default:
				_ = f.delivery().Nak()
			}
			return
		}
	}
}

func (f *flight) delivery() jetstream.Msg {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.msg
}

func (f *flight) land(acked bool) {
	f.b.mu.Lock()
	defer f.b.mu.Unlock()
	if f.b.flights[f.sequence] != f {
		return // of a stream that is no more
	}
	delete(f.b.flights, f.sequence)
	if acked {
		delete(f.b.open, f.sequence)
	}
}

// A room bounds what is in flight. wait is for one goroutine; a message may take
// more bytes than are left, so that a large one gets through alone.
type room struct {
	mu       sync.Mutex
	messages int
	bytes    int
	freed    chan struct{}
}

func newRoom(messages, bytes int) *room {
	return &room{messages: messages, bytes: bytes, freed: make(chan struct{}, 1)}
}

// wait blocks until there is room for a message or ctx ends.
func (r *room) wait(ctx context.Context) error {
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		r.mu.Lock()
		ok := r.messages > 0 && r.bytes > 0
		r.mu.Unlock()
		if ok {
			return nil
		}
		select {
		case <-ctx.Done():
		case <-r.freed:
		}
	}
}

func (r *room) take(size int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.messages--
	r.bytes -= size
}

func (r *room) give(size int) {
	r.mu.Lock()
	r.messages++
	r.bytes += size
	r.mu.Unlock()
	select {
	case r.freed <- struct{}{}:
	default:
	}
}
