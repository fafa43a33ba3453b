package nats

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/ThreeDotsLabs/watermill/pubsub/tests"
)

// pubSub makes publishers and subscribers over one broker and closes them at the
// end of the test.
type pubSub struct {
	b        *broker
	inFlight int

	mu   sync.Mutex
	open []interface{ Close() error }
}

func newPubSub(t *testing.T, inFlight int) *pubSub {
	p := &pubSub{b: newBroker(t), inFlight: inFlight}
	t.Cleanup(func() {
		for _, c := range p.open {
			_ = c.Close()
		}
	})
	return p
}

func (p *pubSub) make(t *testing.T, group string) (message.Publisher, message.Subscriber) {
	pub, err := NewPublisher(PublisherOptions{Who: "suite", Server: p.b.server()})
	if err != nil {
		t.Fatal(err)
	}
	sub, err := NewSubscriber(SubscriberOptions{
		Who: "suite", Server: p.b.server(), Durable: group, Create: true,
		AckWait: 10 * time.Second, NakDelay: time.Millisecond, InFlight: p.inFlight,
	})
	if err != nil {
		t.Fatal(err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.open = append(p.open, pub, sub)
	return pub, sub
}

// TestWatermillSuite runs the suite that watermill (1.5.1, pubsub/tests) has for
// every transport, with the features that hold: persistent, consumer groups, at
// least once; in order with one message in flight. With more in flight the order
// is kept too, but not that a message waits for the one before it. Its test of
// restarts compares with a list to which its publishers may still be adding;
// TestPubSub_LosesNothingOverRestarts stands for it and waits for them.
func TestWatermillSuite(t *testing.T) {
	for _, inFlight := range []int{1, 64} {
		if testing.Short() && inFlight == 1 {
			continue // the race detector has more to see in the other
		}
		t.Run(fmt.Sprint("in flight ", inFlight), func(t *testing.T) {
			p := newPubSub(t, inFlight)
			tests.TestPubSub(t, tests.Features{
				ConsumerGroups: true, Persistent: true, GuaranteedOrder: inFlight == 1, ForceShort: !*long,
			}, func(t *testing.T) (message.Publisher, message.Subscriber) { return p.make(t, "group") }, p.make)
		})
	}
}

func TestPubSub_LosesNothingOverRestarts(t *testing.T) {
	restarts, publishers, each := 1, 10, 100
	if *long {
		restarts, publishers, each = 5, 100, 100
	}
	for _, inFlight := range []int{1, 64} {
		if testing.Short() && inFlight == 1 {
			continue
		}
		t.Run(fmt.Sprint("in flight ", inFlight), func(t *testing.T) {
			t.Parallel()
			p := newPubSub(t, inFlight)
			pub, sub := p.make(t, "group")
			in, err := sub.Subscribe(t.Context(), "restarts")
			if err != nil {
				t.Fatal(err)
			}
			var published sync.WaitGroup
			pace := make(chan struct{})
			for i := range publishers {
				published.Go(func() {
					for n := range each {
						<-pace
						m := message.NewMessage(fmt.Sprint(i, "-", n), nil)
						for pub.Publish("restarts", m) != nil { // with the same id
							time.Sleep(10 * time.Millisecond)
						}
					}
				})
			}
			restarting := make(chan struct{})
			go func() {
				defer close(restarting)
				for n := range publishers * each {
					pace <- struct{}{}
					if step := publishers * each / (restarts + 1); n > 0 && n%step == 0 && n/step <= restarts {
						p.b.stop()
						p.b.start()
					}
				}
			}()
			seen := map[string]int{}
			for len(seen) < publishers*each {
				select {
				case m := <-in:
					seen[m.UUID]++
					m.Ack()
				case <-time.After(2 * patience): // without any, however slow the machine
					t.Fatalf("%d of %d messages came, and then no more", len(seen), publishers*each)
				}
			}
			<-restarting
			published.Wait()
			twice := 0
			for _, n := range seen {
				twice += n - 1
			}
			t.Logf("%d messages over %d restarts, %d of them twice", len(seen), restarts, twice)
		})
	}
}
