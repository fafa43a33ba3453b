package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A pair is two daemons, each a process with a data folder of its own, on one log,
// one folder of a source, one of a feed and one archive.
type pair struct {
	t     *testing.T
	dir   string
	procs map[string]*exec.Cmd
	out   map[string]*bytes.Buffer
	rows  int
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
	cmd := exec.Command("dewclaw", append([]string{"--config", filepath.Join(p.dir, "dewclaw.yaml")}, args...)...)
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
