package main

import (
	"bytes"
	"fmt"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// BenchmarkLatency publishes 1,000 messages a second to a NATS server and takes
// the time until each one's event stands on a NATS feed, with a daemon in a
// process of its own between, which appends and syncs it to its log:
//
//	go test ./daemon -run '^$' -bench Latency -benchtime 1x
//
// It reports the time in the middle, of the slowest hundredth and of the slowest.
// Server, publisher and receiver share the machine with the daemon.
func BenchmarkLatency(b *testing.B) {
	const rate, messages, cows = 1000, 20_000, 1000
	for b.Loop() {
		b.StopTimer()
		p := newStreamProject(b)
		sent := make([]time.Time, messages)
		took := make(chan time.Duration, messages)
		var late atomic.Int64
		sub, err := p.conn.Subscribe("fed.>", func(m *nats.Msg) {
			if n := numberOf(m.Data, cows); n >= 0 {
				took <- time.Since(sent[n])
			}
		})
		if err != nil {
			b.Fatal(err)
		}
		cmd := exec.Command("dewclaw", "--config", filepath.Join(p.dir, "dewclaw.yaml"), "run")
		var out bytes.Buffer
		cmd.Stderr = &out
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		start := time.Now()
		for i := range messages {
			// The first second finds the daemon starting and is left out below.
			if d := time.Until(start.Add(time.Duration(i) * time.Second / rate)); d > 0 {
				time.Sleep(d) // the rate is what is given here
			} else if d < -10*time.Millisecond {
				late.Add(1)
			}
			sent[i] = time.Now()
			if _, err := p.js.PublishAsync("chute.one", fmt.Appendf(nil, `{"id":"%d","cow":"276%012d","at":"2025-03-%02dT06:41:10","score":2}`, i, i%cows, 1+i/cows)); err != nil {
				b.Fatal(err)
			}
		}
		var list []time.Duration
		for len(list) < messages {
			select {
			case d := <-took:
				list = append(list, d)
			case <-time.After(patience):
				b.Fatalf("%d of %d came\n%s", len(list), messages, out.String())
			}
		}
		b.StopTimer()
		list = list[5*rate:]
		slices.Sort(list)
		ms := func(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
		b.ReportMetric(ms(list[len(list)/2]), "p50-ms")
		b.ReportMetric(ms(list[len(list)*99/100]), "p99-ms")
		b.ReportMetric(ms(list[len(list)-1]), "slowest-ms")
		b.ReportMetric(float64(late.Load()), "sent-late")
		_ = sub.Unsubscribe()
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil {
			b.Errorf("%v\n%s", err, out.String())
		}
		cpu := cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
		b.ReportMetric(float64(cpu.Microseconds())/messages, "cpu-us/message")
		b.StartTimer()
	}
}

// A streamProject has a NATS server with a stream to read and one to feed.
type streamProject struct {
	dir  string
	conn *nats.Conn
	js   jetstream.JetStream
}

func newStreamProject(b *testing.B) streamProject {
	p := streamProject{dir: b.TempDir()}
	var url string
	url, p.conn, p.js = startJetStream(b)
	for name, subject := range map[string]string{"CHUTE": "chute.>", "FED": "fed.>"} {
		if _, err := p.js.CreateStream(b.Context(), jetstream.StreamConfig{Name: name, Subjects: []string{subject}}); err != nil {
			b.Fatal(err)
		}
	}
	write(b, filepath.Join(p.dir, "gait.yaml"), gaitMapping)
	write(b, filepath.Join(p.dir, "dewclaw.yaml"), fmt.Sprintf(`version: 1
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources:
  scores: {farm: hilltop, nats: {url: %q, subject: "chute.>"}, mapping: gait.yaml}
recipients: {vet: {name: The vet}}
feeds:
  stream: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {nats: {url: %q, subject: fed}}}
grants:
  - {farm: hilltop, recipient: vet, purpose: care, kinds: [locomotion], fields: identities, from: 2025-01-01}
`, url, url))
	return p
}

var cowAndDay = regexp.MustCompile(`"276(\d{12})".*"date":"2025-03-(\d\d)"`)

// numberOf returns the number of the message an event was made of; -1 if it is
// not to be found.
func numberOf(event []byte, cows int) int {
	m := cowAndDay.FindSubmatch(event)
	if m == nil {
		return -1
	}
	cow, err := strconv.Atoi(string(m[1]))
	day, err2 := strconv.Atoi(string(m[2]))
	if err != nil || err2 != nil {
		return -1
	}
	return (day-1)*cows + cow
}
