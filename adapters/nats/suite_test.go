package nats

import (
	"fmt"
	"net"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/ThreeDotsLabs/watermill/pubsub/tests"
)

// TestWatermillSuite runs the suite that watermill (1.5.1, pubsub/tests) has for
// every transport, with the features that hold: persistent, consumer groups, at
// least once; in order with one message in flight. With more in flight the order
// is kept too, but not that a message waits for the one before it.
func TestWatermillSuite(t *testing.T) {
	for _, inFlight := range []int{1, 64} {
		t.Run(fmt.Sprint("in flight ", inFlight), func(t *testing.T) {
			b := newBroker(t)
			var mu sync.Mutex
			var open []interface{ Close() error } // the suite leaves some open
			t.Cleanup(func() {
				for _, c := range open {
					_ = c.Close()
				}
			})
			pubSub := func(t *testing.T, group string) (message.Publisher, message.Subscriber) {
				p, err := NewPublisher(PublisherOptions{Who: "suite", Server: b.server()})
				if err != nil {
					t.Fatal(err)
				}
				s, err := NewSubscriber(SubscriberOptions{
					Who: "suite", Server: b.server(), Durable: group, Create: true,
					AckWait: 10 * time.Second, NakDelay: time.Millisecond, InFlight: inFlight,
				})
				if err != nil {
					t.Fatal(err)
				}
				mu.Lock()
				defer mu.Unlock()
				open = append(open, p, s)
				return p, s
			}
			features := tests.Features{
				ConsumerGroups: true, Persistent: true, GuaranteedOrder: inFlight == 1, ForceShort: !*long,
			}
			if *long {
				features.RestartServiceCommand = restartCommand(t, b)
			}
			tests.TestPubSub(t, features,
				func(t *testing.T) (message.Publisher, message.Subscriber) { return pubSub(t, "group") }, pubSub)
		})
	}
}

const restartVar = "DEWCLAW_TEST_RESTART"

// restartCommand returns a command that restarts the broker: the suite knows only
// commands, so it is this program once more, which rings here.
func restartCommand(t *testing.T, b *broker) []string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			b.stop()
			b.start()
			_ = c.Close()
		}
	}()
	t.Cleanup(func() { _ = l.Close(); <-done })
	t.Setenv(restartVar, l.Addr().String())
	return []string{os.Args[0], "-test.run=^TestRestartHelper$"}
}

func TestRestartHelper(t *testing.T) {
	addr := os.Getenv(restartVar)
	if addr == "" {
		return // only of use as the command of the suite
	}
	c, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	_, _ = c.Read(make([]byte, 1)) // closed when the server is back
}
