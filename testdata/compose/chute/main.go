// Command chute is a chute device that does not exist: it publishes invented
// locomotion scores over MQTT with QoS 1, one after the other, and writes the number
// of each into a file as soon as the broker has acknowledged it. Started again it
// goes on behind the last one of the file; the one that was on its way is published
// once more, word for word.
package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"net"
	"os"
	"os/signal"
	"syscall"
	"time"

	"github.com/eclipse/paho.golang/paho"
)

func main() {
	broker := flag.String("broker", "broker:1883", "the broker")
	topic := flag.String("topic", "chute/scores", "where to publish")
	sent := flag.String("sent", "/data/sent", "file of what was acknowledged, a number a line")
	every := flag.Duration("every", 200*time.Millisecond, "time between two scores")
	flag.Parse()
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, syscall.SIGTERM, syscall.SIGINT)
	if err := run(*broker, *topic, *sent, *every, stop); err != nil {
		fmt.Fprintln(os.Stderr, "chute:", err)
		os.Exit(1)
	}
}

func run(broker, topic, sent string, every time.Duration, stop <-chan os.Signal) error {
	f, err := os.OpenFile(sent, os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o644)
	if err != nil {
		return err
	}
	defer f.Close()
	before, err := os.ReadFile(sent)
	if err != nil {
		return err
	}
	var c *paho.Client
	for n := bytes.Count(before, []byte("\n")); ; {
		if c, err = publish(c, broker, topic, n); err != nil {
			fmt.Fprintf(os.Stderr, "chute: score %d: %v\n", n, err)
		} else if _, err := fmt.Fprintln(f, n); err != nil {
			return err
		} else {
			n++
		}
		select {
		case <-stop:
			return nil
		case <-time.After(every):
		}
	}
}

// nobodySubscribes is the reason code "No matching subscribers" of a PUBACK (MQTT
// 5.0, section 3.4.2.1): the broker has thrown the message away.
const nobodySubscribes = 0x10

// publish publishes a score, over a new connection if there is none, and returns
// when the broker has said that it has it. The connection is nil after an error.
func publish(c *paho.Client, broker, topic string, n int) (*paho.Client, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if c == nil {
		conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", broker)
		if err != nil {
			return nil, err
		}
		c = paho.NewClient(paho.ClientConfig{Conn: conn})
		if _, err := c.Connect(ctx, &paho.Connect{ClientID: "chute", KeepAlive: 30, CleanStart: true}); err != nil {
			return nil, errors.Join(err, conn.Close())
		}
	}
	body := fmt.Sprintf(`{"ref":"c-%06d","eid":"840003170%06d","when":"2025-06-03T07:%02d:%02d","points":%d}`, n, n, n/60%60, n%60, n%4)
	r, err := c.Publish(ctx, &paho.Publish{Topic: topic, QoS: 1, Payload: []byte(body)})
	if err == nil && r.ReasonCode == nobodySubscribes {
		return c, errors.New("the broker has nobody to keep it for yet")
	}
	if err != nil {
		_ = c.Disconnect(&paho.Disconnect{}) // it may be gone
		return nil, err
	}
	return c, nil
}
