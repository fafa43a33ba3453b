package main

import (
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewclaw/testdata/outside"
)

// Of two daemons on one log one has slept, and knows nothing of what the other one took
// from a broker meanwhile, when that one is killed and the source is its own. MQTT
// numbers no messages: the daemon must count on from where the log ends, not from where
// it thinks that it does. Or it takes what waits at the broker for what the log has
// under those numbers, and acknowledges it unread.
func TestFailover_CountsTheMessagesOfABrokerFromTheEndOfTheLog(t *testing.T) {
	if testing.Short() {
		t.Skip("leases take their time to end")
	}
	t.Parallel()
	outside.Need(t, "mosquitto", "mosquitto_pub")
	broker, err := outside.Mosquitto(t.TempDir())
	if err == nil {
		err = broker.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = broker.Stop() })
	p := startPair(t)
	b, err := os.ReadFile(filepath.Join(p.dir, "dewclaw.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(p.dir, "dewclaw.yaml"), strings.Replace(string(b), "sources:\n", fmt.Sprintf(
		"sources:\n  scores: {farm: hilltop, mqtt: {url: \"mqtt://%s\", topics: chute/one, qos: 1}, mapping: gait.yaml, again: 500ms}\n", broker.Address()), 1))
	write(t, filepath.Join(p.dir, "gait.yaml"), gaitNDJSON)

	publish := exec.Command("mosquitto_pub", "-p", fmt.Sprint(broker.Port), "-q", "1", "-t", "chute/one", "-l")
	in, err := publish.StdinPipe()
	if err == nil {
		err = publish.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = in.Close(); _ = publish.Wait() })
	sent := 0
	send := func(n int, every time.Duration) {
		t.Helper()
		for range n {
			if _, err := io.WriteString(in, gaitLine(sent)); err != nil {
				t.Fatal(err)
			}
			sent++
			time.Sleep(every)
		}
	}
	logged := func(asked string) int {
		out, err := p.ask(asked, "events", "--kind", "locomotion", "--json")
		if err != nil {
			return -1
		}
		return strings.Count(out, "\n")
	}

	p.start("a")
	p.until("a has the source", patience, func() bool { return p.holder("a", "source", "scores") == "a" })
	p.start("b")
	p.until("b answers", patience, func() bool { return p.holder("b", "source", "scores") == "a" })
	p.until("the broker has a session", patience, func() bool { return strings.Contains(broker.Log(), "Received SUBSCRIBE") })
	for _, now := range []string{"a", "b", "a", "b"} {
		other := map[string]string{"a": "b", "b": "a"}[now]
		p.signal(other, syscall.SIGSTOP)
		send(150, 10*time.Millisecond) // many entries
		p.until("what was sent is in the log", patience, func() bool { return logged(now) == sent })
		p.kill(now)
		send(40, 0)
		time.Sleep(pairLease)
		p.signal(other, syscall.SIGCONT)
		p.until(other+" takes over", patience, func() bool { return p.holder(other, "source", "scores") == other })
		p.start(now)
		p.until(now+" answers", patience, func() bool { return p.holder(now, "source", "scores") == other })
	}
	p.until("every message is in the log", patience, func() bool { return logged("a") == sent && logged("b") == sent })
	for _, name := range []string{"a", "b"} {
		if out, err := p.command(name, "verify").CombinedOutput(); err != nil {
			t.Errorf("verify at %s: %v\n%s", name, err, out)
		}
	}
}
