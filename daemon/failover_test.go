package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	httpx "dewclaw/adapters/http"
	"dewclaw/daemon/internal/delivery"
)

// A pair is two daemons, each a process with a data folder of its own, on one log,
// one folder of a source, one of a feed and one archive.
type pair struct {
	t     *testing.T
	dir   string
	procs map[string]*exec.Cmd
	out   map[string]*bytes.Buffer
	rows  int
	ports map[string]string // where a daemon listens, with a config of its own; nil if none does
}

const pairLease = time.Second

func startPair(t *testing.T) *pair {
	url, _, _ := startJetStream(t)
	p := &pair{t: t, dir: t.TempDir(), procs: map[string]*exec.Cmd{}, out: map[string]*bytes.Buffer{}}
	config := strings.Replace(killConfig, "version: 1\n", fmt.Sprintf(
		"version: 1\narchive: archive\nlog: {url: %q, stream: HOOVES, lease: %v}\n", url, pairLease), 1)
	config = strings.Replace(config, "rest: 100ms", "rest: 100ms, scan: 200ms, again: 500ms", 1)
	config = strings.Replace(config, "batch: {rows: 1000}", "batch: {rows: 100}", 1)
	write(t, filepath.Join(p.dir, "dewclaw.yaml"), config)
	write(t, filepath.Join(p.dir, "chute.yaml"), killMapping)
	for _, d := range []string{"in", "out"} {
		write(t, filepath.Join(p.dir, d, ".keep"), "")
	}
	t.Cleanup(func() {
		for name := range p.procs {
			p.kill(name)
		}
		if t.Failed() {
			for name, b := range p.out {
				t.Logf("daemon %s:\n%s", name, b)
			}
		}
	})
	return p
}

func (p *pair) command(name string, args ...string) *exec.Cmd {
	config := "dewclaw.yaml"
	if p.ports[name] != "" {
		config = name + ".yaml"
	}
	cmd := exec.Command("dewclaw", append([]string{"--config", filepath.Join(p.dir, config)}, args...)...)
	cmd.Env = append(os.Environ(), "DEWCLAW_DATA="+filepath.Join(p.dir, "data-"+name), "DEWCLAW_DAEMON="+name)
	return cmd
}

func (p *pair) start(name string) {
	p.t.Helper()
	cmd := p.command(name, "run")
	if p.out[name] == nil {
		p.out[name] = &bytes.Buffer{}
	}
	cmd.Stderr = p.out[name]
	if err := cmd.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.procs[name] = cmd
}

func (p *pair) kill(name string) {
	_ = p.procs[name].Process.Kill()
	_ = p.procs[name].Wait() // it tells that it was killed
	delete(p.procs, name)
}

func (p *pair) signal(name string, s os.Signal) {
	p.t.Helper()
	if err := p.procs[name].Process.Signal(s); err != nil {
		p.t.Fatal(err)
	}
}

func (p *pair) ask(name string, args ...string) (string, error) {
	cmd := p.command(name, args...)
	out, err := cmd.Output()
	return string(out), err
}

// holder asks a daemon who has a lease.
func (p *pair) holder(asked, what, id string) string {
	out, err := p.ask(asked, "leases", "--json")
	if err != nil {
		return ""
	}
	for line := range strings.Lines(out) {
		var i leaseItem
		if json.Unmarshal([]byte(line), &i) == nil && i.What == what && i.ID == id {
			return i.Daemon
		}
	}
	return ""
}

// until waits for a state.
func (p *pair) until(what string, within time.Duration, is func() bool) {
	p.t.Helper()
	for end := time.Now().Add(within); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			p.t.Fatalf("not within %v: %s", within, what)
		}
	}
}

// files puts files of rows into the folder of the source, under their final names.
func (p *pair) files(n, rows int) {
	p.t.Helper()
	for range n {
		name := filepath.Join(p.dir, fmt.Sprintf("part-%06d.csv", p.rows))
		write(p.t, name, rowsFrom(p.rows, rows))
		if err := os.Rename(name, filepath.Join(p.dir, "in", filepath.Base(name))); err != nil {
			p.t.Fatal(err)
		}
		p.rows += rows
	}
}

// fed counts the events in the files of the feed; one that is there twice is a failure.
func (p *pair) fed() map[string]digest {
	k := &killer{t: p.t}
	got := map[string]digest{}
	files, err := filepath.Glob(filepath.Join(p.dir, "out", "*.ndjson"))
	if err != nil {
		p.t.Fatal(err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			p.t.Fatal(err)
		}
		k.add(got, b, filepath.Base(f))
	}
	return got
}

// Of two daemons on one log, one after the other is killed, or stopped for longer
// than its lease and let go on, while files come in. The other one takes over what
// it read and fed within the time of the lease; every record is in the log once,
// and with the recipient once, and the books balance at either.
func TestFailover_LosesAndDoublesNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("leases take their time to end")
	}
	p := startPair(t)
	p.start("a")
	p.until("a has source and feed", patience, func() bool {
		return p.holder("a", "source", "chute") == "a" && p.holder("a", "feed", "vet") == "a"
	})
	p.start("b")
	p.until("b answers", patience, func() bool { return p.holder("b", "source", "chute") == "a" })
	if out, err := p.command("b", "feed", "pause", "vet").CombinedOutput(); err == nil || !strings.Contains(string(out), "daemon a runs it") {
		t.Errorf("b pauses what a runs: %v %s", err, out)
	}

	takeover := pairLease + pairLease/leaseRenewals + 3*time.Second // and what a busy machine takes
	p.files(5, 100)
	p.files(1, 20_000)
	for round, now := range []string{"a", "b", "a", "b"} {
		other := map[string]string{"a": "b", "b": "a"}[now]
		p.files(5, 100)
		p.until("something was fed", patience, func() bool { return len(p.fed()) > 0 })
		if round%2 == 0 {
			p.kill(now)
		} else {
			p.signal(now, syscall.SIGSTOP)
		}
		p.until(other+" takes over", takeover, func() bool {
			return p.holder(other, "source", "chute") == other && p.holder(other, "feed", "vet") == other
		})
		if round%2 == 0 {
			p.start(now)
		} else {
			p.files(5, 100)
			p.signal(now, syscall.SIGCONT)
		}
		p.until(now+" answers", patience, func() bool { return p.holder(now, "source", "chute") == other })
	}
	p.files(5, 100)
	p.until("everything is fed", 2*patience, func() bool { return len(p.fed()) >= 2*p.rows })
	if got := len(p.fed()); got != 2*p.rows {
		t.Errorf("%d events fed, wanted %d", got, 2*p.rows)
	}
	for _, name := range []string{"a", "b"} { // each knows all, whoever wrote it
		out, err := p.ask(name, "events", "--json")
		if err != nil {
			t.Fatalf("events of %s: %v", name, err)
		}
		got := map[string]digest{}
		(&killer{t: t}).add(got, []byte(out), "log of "+name)
		if len(got) != 2*p.rows {
			t.Errorf("%s: %d events in the log, wanted %d", name, len(got), 2*p.rows)
		}
		if out, err := p.command(name, "verify").CombinedOutput(); err != nil {
			t.Errorf("verify at %s: %v\n%s", name, err, out)
		}
	}
	for _, name := range []string{"a", "b"} {
		p.signal(name, syscall.SIGTERM)
		if err := p.procs[name].Wait(); err != nil {
			t.Errorf("stop %s: %v", name, err)
		}
		delete(p.procs, name)
	}
}

// askOf asks one of the daemons over HTTP, and returns the answer with its body.
func (p *pair) askOf(name, method, path, body string) (*http.Response, string) {
	p.t.Helper()
	r, err := http.NewRequest(method, "http://"+p.ports[name]+path, strings.NewReader(body))
	if err != nil {
		p.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-ndjson")
	r.Header.Set("Authorization", "Bearer "+pairToken)
	w, err := http.DefaultClient.Do(r)
	if err != nil {
		p.t.Fatal(err)
	}
	defer w.Body.Close()
	b, err := io.ReadAll(w.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return w, string(b)
}

const pairToken = "a token of the tests"

// startAskedPair is a pair with a source of requests, a feed that posts and one that
// is fetched; each daemon listens at a port of its own.
func startAskedPair(t *testing.T, hook string) *pair {
	p := startPair(t)
	p.ports = map[string]string{}
	b, err := os.ReadFile(filepath.Join(p.dir, "dewclaw.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"a", "b"} {
		p.ports[name], _ = freeAddress(t)
		config := strings.Replace(string(b), "sources:\n", fmt.Sprintf(`listen: {address: %q}
tokens: [{name: device, sha256: %q, farms: [hilltop]}]
sources:
  scores: {farm: hilltop, http: {}, mapping: gait.yaml}
`, p.ports[name], httpx.HashToken(pairToken)), 1)
		config = strings.Replace(config, "feeds:\n", fmt.Sprintf(`feeds:
  hook: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {webhook: {url: %q, secrets: [{file: hook.key}], timeout: 2s}}}
  fetched: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {pull: {page: 7}}}
`, hook), 1)
		config = strings.Replace(config, "kinds: [examination, lesion], fields", "kinds: [examination, lesion, locomotion], fields", 1)
		write(t, filepath.Join(p.dir, name+".yaml"), config)
	}
	write(t, filepath.Join(p.dir, "gait.yaml"), gaitNDJSON)
	write(t, filepath.Join(p.dir, "hook.key"), hookSecret+"\n")
	return p
}

// Of two daemons on one log the one that is posted to, that posts and that is
// fetched from is killed, in the middle of a request to a receiver. The other one
// refuses what is not its own (503, to be asked again) while the first lives, and
// afterwards goes on with all of it: bodies are known, the webhook has every event,
// the fetcher goes on with its cursor, and replies to either are noted.
func TestFailover_OfRequestsWebhookFetchesAndReplies(t *testing.T) {
	if testing.Short() {
		t.Skip("leases take their time to end")
	}
	t.Parallel()
	const half, all = 20, 30
	hangs := make(chan struct{})
	m := &moody{kept: map[string]int{}, mood: func(call int, _ string) string {
		if call == half+4 {
			close(hangs)
			return "hangs"
		}
		return "fine"
	}}
	s := httptest.NewServer(m)
	t.Cleanup(s.Close)
	p := startAskedPair(t, s.URL)
	has := func(asked, holder string) func() bool {
		return func() bool {
			return p.holder(asked, "source", "scores") == holder && p.holder(asked, "feed", "hook") == holder && p.holder(asked, "feed", "fetched") == holder
		}
	}
	p.start("a")
	p.until("a has all", patience, has("a", "a"))
	p.start("b")
	p.until("b answers", patience, has("b", "a"))

	refused := func(method, path, body string) {
		t.Helper()
		w, said := p.askOf("b", method, path, body)
		if w.StatusCode != http.StatusServiceUnavailable || w.Header.Get("Retry-After") == "" ||
			w.Header.Get("Content-Type") != "application/problem+json" || !strings.Contains(said, "problem/unavailable") {
			t.Errorf("%s %s of the other daemon: %s %v\n%s", method, path, w.Status, w.Header, said)
		}
	}
	refused("POST", "/v1/records/scores", gaitLine(99))
	refused("GET", "/v1/feeds/fetched/events", "")
	refused("POST", "/v1/feeds/hook/replies", `{"id":"none","outcome":"confirmed"}`)
	// A command beside them takes nothing away and says who has it.
	out, err := p.command("c", "once").CombinedOutput()
	if err == nil || !strings.Contains(string(out), "daemon a has the lease") {
		t.Errorf("once beside a: %v\n%s", err, out)
	}

	post := func(name string, from, to int) httpx.Receipt {
		t.Helper()
		var body strings.Builder
		for n := from; n <= to; n++ {
			body.WriteString(gaitLine(n))
		}
		w, said := p.askOf(name, "POST", "/v1/records/scores", body.String())
		var r httpx.Receipt
		if err := json.Unmarshal([]byte(said), &r); err != nil || w.StatusCode != 200 {
			t.Fatalf("post %d to %d to %s: %s %s", from, to, name, w.Status, said)
		}
		return r
	}
	ids, cursor := map[string]bool{}, ""
	fetch := func(name string, want int) {
		t.Helper()
		p.until(fmt.Sprintf("%d events are fetched from %s", want, name), patience, func() bool {
			path := "/v1/feeds/fetched/events"
			if cursor != "" {
				path += "?after=" + cursor
			}
			w, said := p.askOf(name, "GET", path, "")
			if w.StatusCode != 200 {
				return false
			}
			var page []struct{ ID string }
			if err := json.Unmarshal([]byte(said), &page); err != nil {
				t.Fatalf("%v: %s", err, said)
			}
			for _, e := range page {
				if ids[e.ID] {
					t.Errorf("%s is fetched twice", e.ID)
				}
				ids[e.ID] = true
			}
			cursor = w.Header.Get(httpx.NextHeader)
			return len(ids) >= want
		})
	}
	replied := map[string]bool{}
	reply := func(name string) {
		t.Helper()
		for id := range ids {
			if replied[id] {
				continue
			}
			w, said := p.askOf(name, "POST", "/v1/feeds/hook/replies", fmt.Sprintf(`{"id":%q,"outcome":"confirmed"}`, id))
			if w.StatusCode != 200 || !strings.Contains(said, `"result":"noted"`) {
				t.Errorf("reply to %s: %s %s", name, w.Status, said)
			}
			replied[id] = true
		}
	}
	post("a", 1, half)
	fetch("a", half)
	p.until("the webhook has the first half", patience, func() bool { return m.count() == half })
	reply("a")
	post("a", half+1, all)
	select {
	case <-hangs:
	case <-time.After(patience):
		t.Fatal("the receiver was not asked")
	}
	p.kill("a")
	p.until("b takes over", patience, has("b", "b")) // the time it takes is held by the test above
	if r := post("b", half+1, all); !r.Known || r.Counts.Duplicate != all-half {
		t.Errorf("sent again, to b: %+v", r)
	}
	if r := post("b", all+1, all+2); r.Counts.Accepted != 2 {
		t.Errorf("new ones to b: %+v", r)
	}
	fetch("b", all+2)
	p.until("the webhook has everything", patience, func() bool { return m.count() == all+2 })
	reply("b")
	if len(ids) != all+2 {
		t.Errorf("%d events are fetched, wanted %d", len(ids), all+2)
	}
	m.mu.Lock()
	for id, n := range m.kept {
		if n > 2 || !ids[id] {
			t.Errorf("the webhook has %s %d times", id, n)
		}
	}
	m.mu.Unlock()
	text, err := p.ask("b", "feed", "show", "hook", "--json")
	var show delivery.State
	if err == nil {
		err = json.Unmarshal([]byte(text), &show)
	}
	if err != nil || show.Confirmed != all+2 || show.Refused != 0 {
		t.Errorf("%d confirmed, %d refused, wanted %d and none (%v)", show.Confirmed, show.Refused, all+2, err)
	}
	if out, err := p.command("b", "verify").CombinedOutput(); err != nil {
		t.Errorf("verify: %v\n%s", err, out)
	}
}
