package main

import (
	"context"
	"io"
	"log/slog"
	"net"
	"os/exec"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mqttport"
	"dewclaw/adapters/nats"
	"dewclaw/testdata/outside"
)

// TestDevices_AreReadOnWhenThePortIsOpenedAgain: a reader stays while the port is
// closed and opened beneath it, has what was sent before and after once each, and
// what it had not settled comes again.
func TestDevices_AreReadOnWhenThePortIsOpenedAgain(t *testing.T) {
	outside.Need(t, "mosquitto_pub")
	t.Parallel()
	ctx, cancel := context.WithTimeout(t.Context(), 2*patience)
	defer cancel()
	logger := slog.New(slog.DiscardHandler)
	port, err := mqttport.Open(ctx, mqttport.Options{Listen: "127.0.0.1:0", Dir: t.TempDir(), Logger: logger, Sources: []mqttport.Source{
		{ID: "chute", Topics: []string{"chute"}, May: func(token string) bool { return token == "good" }},
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	}()
	source, err := deviceSource(port, "chute", nats.SourceOptions{Who: "source chute", After: func(string) (uint64, bool) { return 0, false }})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = source.Close() }()
	send := func(body string) {
		t.Helper()
		_, number, err := net.SplitHostPort(port.Addr())
		if err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("mosquitto_pub", "-V", "mqttv311", "-h", "127.0.0.1", "-p", number, "-u", "chute", "-P", "good", "-q", "1", "-t", "chute", "-m", body).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	next := func() (*adapters.Delivery, string) {
		t.Helper()
		for {
			d, err := source.Next(ctx)
			if err != nil && ctx.Err() == nil {
				time.Sleep(10 * time.Millisecond) // as the daemon does, which waits longer
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			b, err := d.Open(ctx)
			if err != nil {
				t.Fatal(err)
			}
			body, err := io.ReadAll(b)
			if err != nil {
				t.Fatal(err)
			}
			return d, string(body)
		}
	}
	settle := func(d *adapters.Delivery) {
		t.Helper()
		if err := d.Settle(ctx, adapters.Taken); err != nil {
			t.Fatal(err)
		}
	}
	send("one")
	send("two")
	d, body := next()
	if body != "one" || d.Name != "chute" {
		t.Errorf("got %q of %q", body, d.Name)
	}
	settle(d)
	waits := func(want int) {
		t.Helper()
		for {
			n, err := port.Waiting(ctx, "chute")
			if err != nil {
				t.Fatal(err)
			}
			if n == want {
				return
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	waits(1)
	unsettled, body := next()
	if body != "two" {
		t.Errorf("got %q", body)
	}
	if err := port.Reopen(ctx); err != nil {
		t.Fatal(err)
	}
	send("three")
	again := false
	for body != "three" {
		d, body = next()
		if again = again || d.Message == unsettled.Message; d.Message == unsettled.Message && body != "two" {
			t.Errorf("%s is %q and was two", d.Message, body)
		}
		settle(d)
	}
	if !again {
		settle(unsettled) // it was kept for us
	}
	waits(0) // two and three were settled, and nothing else is there
}
