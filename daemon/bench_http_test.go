package main

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"
)

// BenchmarkRecords sends records to a daemon in a process of its own, in bodies of
// a hundred from eight clients at once, each of which waits for its answer:
//
//	go test ./daemon -run '^$' -bench Records -benchtime 1x
//
// It reports records/s and the time of answers in the middle and of the slowest
// hundredth.
func BenchmarkRecords(b *testing.B) {
	const bodies, each, clients = 1000, 100, 8
	for b.Loop() {
		b.StopTimer()
		p := newHTTPProject(b, "")
		cmd := exec.Command("dewclaw", "--config", filepath.Join(p.dir, "dewclaw.yaml"), "run")
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		if _, _, err := p.post(gaitLine(0)); err != nil {
			b.Fatal(err)
		}
		work := make(chan []byte, bodies)
		for i := range bodies {
			var body bytes.Buffer
			for n := range each {
				body.WriteString(gaitLine(1 + i*each + n))
			}
			work <- body.Bytes()
		}
		close(work)
		client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: clients}}
		took := make(chan time.Duration, bodies)
		var wg sync.WaitGroup
		start := time.Now()
		b.StartTimer()
		for range clients {
			wg.Go(func() {
				for body := range work {
					sent := time.Now()
					if err := p.sendBytes(client, body); err != nil {
						b.Error(err)
						return
					}
					took <- time.Since(sent)
				}
			})
		}
		wg.Wait()
		b.StopTimer()
		all := time.Since(start)
		close(took)
		var list []time.Duration
		for d := range took {
			list = append(list, d)
		}
		slices.Sort(list)
		b.ReportMetric(bodies*each/all.Seconds(), "records/s")
		b.ReportMetric(float64(list[len(list)/2].Microseconds())/1000, "p50-ms")
		b.ReportMetric(float64(list[len(list)*99/100].Microseconds())/1000, "p99-ms")
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil {
			b.Error(err)
		}
		b.StartTimer()
	}
}

func (p httpProject) sendBytes(c *http.Client, body []byte) error {
	r, err := http.NewRequest("POST", p.url+"/v1/records/scores", bytes.NewReader(body))
	if err != nil {
		return err
	}
	r.Header.Set("Content-Type", "application/x-ndjson")
	r.Header.Set("Authorization", "Bearer "+p.token)
	w, err := c.Do(r)
	if err != nil {
		return err
	}
	defer w.Body.Close()
	said, err := io.ReadAll(w.Body)
	if err == nil && (w.StatusCode != 200 || !bytes.Contains(said, []byte(`"accepted":100`))) {
		err = fmt.Errorf("%s: %s", w.Status, said)
	}
	return err
}
