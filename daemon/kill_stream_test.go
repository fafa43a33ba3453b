package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/daemon/internal/intake"
)

// gaitMapping reads a score out of a message.
const gaitMapping = `mapping: gait
direction: in
read: {format: json}
record: {key: $.id}
animal: {transponder: $.cow}
occurred: {at: $.at, layout: "YYYY-MM-DDTHH:mm:ss"}
events:
  - locomotion: {scale: =mob4-uk, score: $.score, role: =scorer}
`

// TestKill_BetweenAppendAndAcknowledgeLeavesAMessageOnceInTheLog stops the
// daemon exactly there, in lockstep, and kills it: the message is in the log, the
// server was told nothing and hands it over again, and it is known.
func TestKill_BetweenAppendAndAcknowledgeLeavesAMessageOnceInTheLog(t *testing.T) {
	if testing.Short() {
		t.Skip("what is killed tells the race detector no more than what runs")
	}
	url, _, js := startJetStream(t)
	ctx, cancel := context.WithTimeout(t.Context(), 2*patience)
	defer cancel()
	stream, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: "CHUTE", Subjects: []string{"chute.>"}})
	if err != nil {
		t.Fatal(err)
	}
	const messages = 3
	for i := range messages {
		body := fmt.Sprintf(`{"id":"g-%d","cow":"27600031231234%d","at":"2025-03-03T06:41:10","score":2}`, i, i)
		if _, err := js.Publish(ctx, "chute.one", []byte(body)); err != nil {
			t.Fatal(err)
		}
	}
	dir := t.TempDir()
	write(t, filepath.Join(dir, "dewclaw.yaml"), fmt.Sprintf(`version: 1
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources:
  scores: {farm: hilltop, nats: {url: %q, subject: "chute.>"}, mapping: gait.yaml}
`, url))
	write(t, filepath.Join(dir, "gait.yaml"), gaitMapping)
	killAt(t, dir, intake.BeatAcknowledge)
	k := &killer{t: t}
	inLog := k.events(dir)
	if len(inLog) == 0 {
		t.Fatal("nothing is in the log, though it was killed behind the append")
	}
	consumer, err := stream.Consumer(ctx, "dewclaw-scores")
	if err != nil {
		t.Fatal(err)
	}
	if info, err := consumer.Info(ctx); err != nil || info.AckFloor.Stream != 0 {
		t.Fatalf("server was told of %d messages (%v), wanted none", info.AckFloor.Stream, err)
	}

	cmd := exec.Command("dewclaw", "--config", filepath.Join(dir, "dewclaw.yaml"), "run")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	for {
		info, err := consumer.Info(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if info.AckFloor.Stream == messages {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if got := k.events(dir); len(got) != messages {
		t.Errorf("%d events in the log, wanted %d", len(got), messages)
	}
	k.dewclaw(dir, "verify")
}

// killAt runs the daemon and kills it when the beat has begun and nothing of it
// was done.
func killAt(t *testing.T, dir, beat string) {
	t.Helper()
	c := startInLockstep(t, dir)
	defer c.close()
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
	if err := c.kill(); err != nil {
		t.Fatal(err)
	}
}

func write(t testing.TB, name, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}
