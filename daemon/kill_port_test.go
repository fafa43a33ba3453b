package main

import (
	"fmt"
	"net"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	httpx "dewclaw/adapters/http"
	"dewclaw/daemon/internal/intake"
	"dewclaw/testdata/outside"
)

// TestKill_BehindPubackOfThePortLosesNothing kills the daemon when a device has its
// acknowledgements from the MQTT port: once before anything is in the log, once
// when it is there and the port has not been told. The device sends nothing again.
// By content alone the first message, read behind the second that corrects it, would
// take the correction back.
func TestKill_BehindPubackOfThePortLosesNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("what is killed tells the race detector no more than what runs")
	}
	outside.Need(t, "mosquitto_pub")
	for beat, inLog := range map[string]bool{intake.BeatArchive: false, intake.BeatAcknowledge: true} {
		t.Run(beat, func(t *testing.T) {
			t.Parallel()
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			address := l.Addr().String()
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			dir, token := t.TempDir(), "a token of the tests"
			write(t, filepath.Join(dir, "dewclaw.yaml"), fmt.Sprintf(`version: 1
listen: {mqtt: %q}
tokens: [{name: device, sha256: %q, sources: [scores]}]
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources: {scores: {farm: hilltop, mqtt-port: {topics: chute/+}, mapping: gait.yaml}}
`, address, httpx.HashToken(token)))
			write(t, filepath.Join(dir, "gait.yaml"), gaitMapping)
			c := startInLockstep(t, dir)
			defer c.close()
			sent := make(chan error, 1)
			go func() { sent <- sendToPort(address, token) }()
			for {
				got, ok := c.next(patience)
				if !ok {
					t.Fatalf("beat %q did not come\n%s", beat, c.out.String())
				}
				if got == beat {
					break
				}
				c.step()
			}
			if err := <-sent; err != nil {
				t.Fatal(err)
			}
			if err := c.kill(); err != nil {
				t.Fatal(err)
			}
			k := &killer{t: t}
			if n := len(k.events(dir)); n > 0 != inLog {
				t.Fatalf("%d events are in the log", n)
			}
			cmd := exec.Command("dewclaw", "--config", filepath.Join(dir, "dewclaw.yaml"), "run")
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
			for end := time.Now().Add(patience); len(k.events(dir)) < 3; time.Sleep(50 * time.Millisecond) {
				if time.Now().After(end) {
					t.Fatalf("%d events in the log, wanted 3: two, and the correction of one", len(k.events(dir)))
				}
			}
			if out := k.dewclaw(dir, "verify"); !strings.Contains(string(out), "read 3 = accepted 2 + duplicate 0 + amended 1 ") {
				t.Errorf("the books:\n%s", out)
			}
		})
	}
}

// sendToPort sends three messages with Debian's client, as soon as the port is
// there, and returns when all are acknowledged.
func sendToPort(address, token string) error {
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		return err
	}
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		cmd := exec.Command("mosquitto_pub", "-h", "127.0.0.1", "-p", port, "-u", "scores", "-P", token, "-q", "1", "-t", "chute/one", "-l")
		cmd.Stdin = strings.NewReader(`{"id":"g-1","cow":"276000312312341","at":"2025-03-03T06:41:10","score":2}
{"id":"g-1","cow":"276000312312341","at":"2025-03-03T06:41:10","score":3}
{"id":"g-2","cow":"276000312312342","at":"2025-03-03T06:42:10","score":0}
`)
		out, err := cmd.CombinedOutput()
		if err == nil {
			return nil
		}
		if !strings.Contains(string(out), "refused") || time.Now().After(end) {
			return fmt.Errorf("%w: %s", err, out)
		}
	}
}
