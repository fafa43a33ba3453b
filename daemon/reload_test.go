package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

func reloadOf(t *testing.T, p httpProject) (code int, out string) {
	t.Helper()
	b, err := exec.Command("dewclaw", "--config", filepath.Join(p.dir, "dewclaw.yaml"), "reload").CombinedOutput()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	if exit != nil {
		code = exit.ExitCode()
	}
	return code, string(b)
}

// TestReload_TakesOverAConfigWhileRecordsCome changes mapping and feeds of a daemon
// that is being sent records: nothing that was answered is lost or twice, the new
// feed has all of it, and a config with a mistake changes nothing.
func TestReload_TakesOverAConfigWhileRecordsCome(t *testing.T) {
	p := fedProject(t, "  first: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {folder: first}}\n")
	for _, d := range []string{"first", "second", "third"} {
		if err := os.Mkdir(filepath.Join(p.dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	said := p.run(t)
	untilSaid(t, said, "listening")
	stop := make(chan struct{})
	taken, known := 0, 0
	var sender sync.WaitGroup
	sender.Go(func() {
		for n := 1; ; n++ {
			select {
			case <-stop:
				return
			default:
			}
			for { // as a client does: no answer, or one that says later, is sent again
				status, got, err := p.post(gaitLine(n))
				if err == nil && status == 200 {
					taken++
					if got.Known {
						known++
					}
					break
				}
				if err == nil && status != 503 {
					t.Errorf("record %d: answered %d", n, status)
					return
				}
				time.Sleep(10 * time.Millisecond)
			}
		}
	})
	if code, out := reloadOf(t, p); code != 0 || !strings.Contains(out, "in force already") {
		t.Errorf("nothing changed: exit %d, %s", code, out)
	}
	feed := "  first: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {folder: first}}\n"
	rewrite(t, p, feed, feed+strings.ReplaceAll(feed, "first", "second"))
	if code, out := reloadOf(t, p); code != 0 || !strings.Contains(out, "is in force since") || !strings.Contains(out, "2 feeds") {
		t.Errorf("another feed: exit %d, %s\n%s", code, out, said)
	}
	rewrite(t, p, "kinds: [locomotion], to: {folder: second}", "kinds: [horn], to: {folder: second}")
	if code, out := reloadOf(t, p); code != 3 || !strings.Contains(out, "horn") {
		t.Errorf("a mistake: exit %d, %s", code, out)
	}
	pid := said.pid
	if err := syscall.Kill(pid, syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	untilSaid(t, said, "config is not taken over; the old one stays in force")
	rewrite(t, p, "kinds: [horn], to: {folder: second}", "kinds: [locomotion], to: {folder: second}")
	write(t, filepath.Join(p.dir, "gait.yaml"), strings.Replace(gaitNDJSON, "role: =scorer", "role: =vet", 1))
	if err := syscall.Kill(pid, syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	untilSaid(t, said, "config is in force")
	time.Sleep(50 * time.Millisecond)
	close(stop)
	sender.Wait()
	k := &killer{t: t}
	if got := len(k.events(p.dir)); got != taken {
		t.Errorf("%d events in the log, %d records were answered", got, taken)
	}
	for _, dir := range []string{"first", "second"} {
		untilFedEvents(t, filepath.Join(p.dir, dir), taken)
	}
	k.dewclaw(p.dir, "verify")
	t.Logf("%d records answered, %d of them known again", taken, known)
}

func untilSaid(t *testing.T, said *lockedBuffer, what string) {
	t.Helper()
	n := strings.Count(said.String(), what)
	for end := time.Now().Add(patience); strings.Count(said.String(), what) == n && n == 0; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("it does not say %q\n%s", what, said)
		}
	}
}

// untilFedEvents waits until the files of a feed have so many different events, and
// fails if one is there twice.
func untilFedEvents(t *testing.T, dir string, want int) {
	t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(50 * time.Millisecond) {
		ids := map[string]int{}
		names, err := filepath.Glob(filepath.Join(dir, "*.ndjson"))
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			for id, n := range idsIn(t, name) {
				ids[id] += n
			}
		}
		if len(ids) >= want || time.Now().After(end) {
			for id, n := range ids {
				if n != 1 {
					t.Errorf("%s has %s %d times", dir, id, n)
				}
			}
			if len(ids) != want {
				t.Errorf("%s has %d events, want %d", dir, len(ids), want)
			}
			return
		}
	}
}
