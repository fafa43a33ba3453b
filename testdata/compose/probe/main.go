// Command probe is the chute and the recipient of the compose test: it publishes
// scores to the stream CHUTE and waits until their events arrive on the stream
// HERD, each exactly once.
package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

func main() {
	url := flag.String("url", nats.DefaultURL, "the NATS server")
	first := flag.Int("first", 0, "number of the first score to publish")
	count := flag.Int("count", 20, "scores to publish")
	want := flag.Int("want", 20, "events that must have arrived in all")
	patience := flag.Duration("patience", time.Minute, "how long to wait")
	flag.Parse()
	ctx, cancel := context.WithTimeout(context.Background(), *patience)
	defer cancel()
	if err := probe(ctx, *url, *first, *count, *want); err != nil {
		fmt.Fprintln(os.Stderr, "probe:", err)
		os.Exit(1)
	}
}

func probe(ctx context.Context, url string, first, count, want int) error {
	conn, err := connect(ctx, url)
	if err != nil {
		return err
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		return err
	}
	if _, err := js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{Name: "CHUTE", Subjects: []string{"chute.>"}}); err != nil {
		return fmt.Errorf("create stream CHUTE: %w", err)
	}
	for i := first; i < first+count; i++ {
		body := fmt.Sprintf(`{"ref":"s-%04d","eid":"84000314150%04d","when":"2025-06-02T06:%02d:%02d","points":%d}`, i, i, i/60%60, i%60, i%4)
		if _, err := js.Publish(ctx, "chute.scores", []byte(body)); err != nil {
			return fmt.Errorf("publish score %d: %w", i, err)
		}
	}
	return collect(ctx, js, want)
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
	var consumer jetstream.Consumer
	for {
		c, err := js.OrderedConsumer(ctx, "HERD", jetstream.OrderedConsumerConfig{})
		if err == nil {
			consumer = c
			break
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("the daemon did not make the stream HERD: %w", err)
		case <-time.After(200 * time.Millisecond):
		}
	}
	seen := map[string]bool{}
	for len(seen) < want {
		msg, err := consumer.Next(jetstream.FetchContext(ctx))
		if err != nil {
			return fmt.Errorf("%d of %d events arrived: %w", len(seen), want, err)
		}
		var event struct{ ID, Type, Farm string }
		if err := json.Unmarshal(msg.Data(), &event); err != nil {
			return fmt.Errorf("read an event on %s: %w", msg.Subject(), err)
		}
		if seen[event.ID] {
			return fmt.Errorf("event %s came twice", event.ID)
		}
		if event.Type != "dewclaw.locomotion.v1" || msg.Subject() != "herd."+event.Farm+".locomotion" {
			return fmt.Errorf("an event of type %s on %s", event.Type, msg.Subject())
		}
		seen[event.ID] = true
	}
	fmt.Printf("%d events arrived, each once\n", len(seen))
	return nil
}
