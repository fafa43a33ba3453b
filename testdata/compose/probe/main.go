// Command probe is the chute and the recipient of the compose test: it publishes
// scores to the stream CHUTE and waits until their events arrive on the stream
// HERD, each exactly once.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

func main() {
	url := flag.String("url", "nats://127.0.0.1:4222,nats://127.0.0.1:4223,nats://127.0.0.1:4224", "the NATS servers")
	whole := flag.Bool("whole", false, "first wait until all three servers have everything")
	first := flag.Int("first", 0, "number of the first score to publish")
	count := flag.Int("count", 20, "scores to publish")
	want := flag.Int("want", 20, "events that must have arrived in all")
	patience := flag.Duration("patience", 150*time.Second, "how long to wait; more than the 2 minutes in which a server may hold the id of a message for one on its way")
	flag.Parse()
	ctx, cancel := context.WithTimeout(context.Background(), *patience)
	defer cancel()
	if err := probe(ctx, *url, *first, *count, *want, *whole); err != nil {
		fmt.Fprintln(os.Stderr, "probe:", err)
		os.Exit(1)
	}
}

func probe(ctx context.Context, url string, first, count, want int, whole bool) error {
	conn, err := connect(ctx, url)
	if err != nil {
		return err
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		return err
	}
	for name, subject := range map[string]string{"CHUTE": "chute.>", "HERD": "herd.>"} {
		if err := stream(ctx, js, name, subject); err != nil {
			return err
		}
	}
	if whole {
		if err := settled(ctx, js); err != nil {
			return err
		}
	}
	for i := first; i < first+count; i++ {
		body := fmt.Sprintf(`{"ref":"s-%04d","eid":"84000314150%04d","when":"2025-06-02T06:%02d:%02d","points":%d}`, i, i, i/60%60, i%60, i%4)
		if err := publish(ctx, js, body); err != nil {
			return fmt.Errorf("publish score %d: %w", i, err)
		}
	}
	return collect(ctx, js, want)
}

// again does something until it goes well, as long as there is time: servers start,
// stop and elect.
func again(ctx context.Context, do func(context.Context) error) error {
	for {
		short, cancel := context.WithTimeout(ctx, 3*time.Second)
		err := do(short)
		cancel()
		if err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// stream makes a stream on three servers if it is not there.
func stream(ctx context.Context, js jetstream.JetStream, name, subject string) error {
	err := again(ctx, func(ctx context.Context) error {
		_, err := js.Stream(ctx, name)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			_, err = js.CreateStream(ctx, jetstream.StreamConfig{Name: name, Subjects: []string{subject}, Replicas: 3})
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("make stream %s: %w", name, err)
	}
	return nil
}

// settled waits until no replica of any stream is behind.
func settled(ctx context.Context, js jetstream.JetStream) error {
	return again(ctx, func(ctx context.Context) error {
		list := js.ListStreams(ctx)
		for s := range list.Info() {
			if s.Cluster == nil || s.Cluster.Leader == "" {
				return fmt.Errorf("stream %s has no leader", s.Config.Name)
			}
			for _, r := range s.Cluster.Replicas {
				if !r.Current || r.Offline {
					return fmt.Errorf("stream %s: %s is behind", s.Config.Name, r.Name)
				}
			}
		}
		return list.Err()
	})
}

// publish publishes a score until the stream has it. One whose outcome is not known
// is published again: it says the same, and counts once.
func publish(ctx context.Context, js jetstream.JetStream, body string) error {
	return again(ctx, func(ctx context.Context) error {
		_, err := js.Publish(ctx, "chute.scores", []byte(body))
		return err
	})
}

// connect tries until the server answers: it may still be starting.
func connect(ctx context.Context, url string) (*nats.Conn, error) {
	for {
		conn, err := nats.Connect(url, nats.Timeout(2*time.Second))
		if err == nil {
			return conn, nil
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("connect to %s: %w", url, err)
		case <-time.After(200 * time.Millisecond):
		}
	}
}

// collect reads the stream HERD from its start until it has want events, and
// refuses an event that came twice.
func collect(ctx context.Context, js jetstream.JetStream, want int) error {
	seen := map[string]bool{}
	for seq := uint64(1); len(seen) < want; seq++ {
		var msg *jetstream.RawStreamMsg
		err := again(ctx, func(ctx context.Context) error { // by number: a consumer may be gone with its server
			s, err := js.Stream(ctx, "HERD")
			if err == nil {
				msg, err = s.GetMsg(ctx, seq)
			}
			return err
		})
		if err != nil {
			return fmt.Errorf("%d of %d events arrived: %w", len(seen), want, err)
		}
		var event struct{ ID, Type, Farm string }
		if err := json.Unmarshal(msg.Data, &event); err != nil {
			return fmt.Errorf("read an event on %s: %w", msg.Subject, err)
		}
		if seen[event.ID] {
			return fmt.Errorf("event %s came twice", event.ID)
		}
		if event.Type != "dewclaw.locomotion.v1" || msg.Subject != "herd."+event.Farm+".locomotion" {
			return fmt.Errorf("an event of type %s on %s", event.Type, msg.Subject)
		}
		seen[event.ID] = true
	}
	fmt.Printf("%d events arrived, each once\n", len(seen))
	return nil
}
