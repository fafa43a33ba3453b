package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	httpx "dewclaw/adapters/http"
	"dewclaw/daemon/internal/intake"
)

// httpProject is a project with one source that takes requests.
type httpProject struct {
	dir, url, token string
}

const gaitNDJSON = `mapping: gait
direction: in
read: {format: ndjson}
record: {key: $.id}
animal: {transponder: $.cow}
occurred: {at: $.at, layout: "YYYY-MM-DDTHH:mm:ss"}
events:
  - locomotion: {scale: =mob4-uk, score: $.score, role: =scorer}
`

func newHTTPProject(t testing.TB, more string) httpProject {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	l.Close()
	p := httpProject{t.TempDir(), "http://" + address, "a token of the tests"}
	write(t, filepath.Join(p.dir, "dewclaw.yaml"), fmt.Sprintf(`version: 1
listen: {address: %q}
tokens: [{name: device, sha256: %q, farms: [hilltop]}]
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources: {scores: {farm: hilltop, http: {max-body: 64KiB}, mapping: gait.yaml}}
`, address, httpx.HashToken(p.token))+more)
	write(t, filepath.Join(p.dir, "gait.yaml"), gaitNDJSON)
	return p
}

// post sends a body until the daemon answers, and returns what it says.
func (p httpProject) post(body string) (int, httpx.Receipt, error) {
	for end := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		r, err := http.NewRequest("POST", p.url+"/v1/records/scores", strings.NewReader(body))
		if err != nil {
			return 0, httpx.Receipt{}, err
		}
		r.Header.Set("Content-Type", "application/x-ndjson")
		r.Header.Set("Authorization", "Bearer "+p.token)
		w, err := http.DefaultClient.Do(r)
		if err != nil {
			if strings.Contains(err.Error(), "refused") && time.Now().Before(end) {
				continue
			}
			return 0, httpx.Receipt{}, err
		}
		defer w.Body.Close()
		var ok httpx.Receipt
		b, err := io.ReadAll(w.Body)
		if err == nil && w.StatusCode == 200 {
			err = json.Unmarshal(b, &ok)
		}
		return w.StatusCode, ok, err
	}
}

func gaitLine(n int) string {
	return fmt.Sprintf(`{"id":"g-%d","cow":"276000312%06d","at":"2025-03-03T06:41:10","score":2}`+"\n", n, n)
}

// TestKill_BetweenAppendAndAnswerLeavesABodyOnceInTheLog stops the daemon exactly
// there, in lockstep, and kills it: the client has no answer, sends the same bytes
// again, and they are known.
func TestKill_BetweenAppendAndAnswerLeavesABodyOnceInTheLog(t *testing.T) {
	if testing.Short() {
		t.Skip("what is killed tells the race detector no more than what runs")
	}
	p := newHTTPProject(t, "")
	body := gaitLine(1) + gaitLine(2) + `{"id":"g-3","cow":"276000312000003","at":"2025-03-03T06:41:10","score":9}` + "\n"
	failed := make(chan error, 1)
	go func() {
		status, _, err := p.post(body)
		if err == nil {
			err = fmt.Errorf("answered %d", status)
		} else {
			err = nil
		}
		failed <- err
	}()
	killAt(t, p.dir, intake.BeatAcknowledge)
	if err := <-failed; err != nil {
		t.Fatalf("the daemon was killed before it could answer: %v", err)
	}
	k := &killer{t: t}
	if got := k.events(p.dir); len(got) != 2 {
		t.Fatalf("%d events in the log, wanted 2: it was killed behind the append", len(got))
	}

	cmd := exec.Command("dewclaw", "--config", filepath.Join(p.dir, "dewclaw.yaml"), "run")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	status, got, err := p.post(body)
	if err != nil || status != 200 || !got.Known || got.Counts.Duplicate != 2 || got.Counts.Held != 1 {
		t.Errorf("sent again: %d %+v, %v", status, got, err)
	}
	if len(got.Records) != 3 || got.Records[2].Held == "" {
		t.Errorf("what became of each: %+v", []adapters.Fate(got.Records))
	}
	if got := k.events(p.dir); len(got) != 2 {
		t.Errorf("%d events in the log, wanted 2", len(got))
	}
	k.dewclaw(p.dir, "verify")
}
