package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cgi"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// hookSecret is a key of webhooks: 32 bytes of "a".
const hookSecret = "whsec_YWFhYWFhYWFhYWFhYWFhYWFhYWFhYWFhYWFhYWFhYWE="

// fedProject adds a recipient with the feeds to a project of requests.
func fedProject(t testing.TB, feeds string) httpProject {
	t.Helper()
	p := newHTTPProject(t, `recipients: {vet: {name: The vet}}
feeds:
`+feeds+`grants:
  - {farm: hilltop, recipient: vet, purpose: care, kinds: [locomotion], fields: identities, from: 2025-01-01}
`)
	write(t, filepath.Join(p.dir, "hook.key"), hookSecret+"\n")
	return p
}

// run runs the daemon until the test ends and returns what it says.
func (p httpProject) run(t testing.TB) *lockedBuffer {
	t.Helper()
	out := new(lockedBuffer)
	cmd := exec.Command("dewclaw", "--config", filepath.Join(p.dir, "dewclaw.yaml"), "run")
	cmd.Stderr = out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	out.pid = cmd.Process.Pid
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil {
			t.Errorf("daemon: %v\n%s", err, out)
		}
	})
	return out
}

type lockedBuffer struct {
	pid int
	mu  sync.Mutex
	b   bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// send sends records from to to, both included, and fails unless they are in the log.
func (p httpProject) send(t testing.TB, from, to int) {
	t.Helper()
	var body strings.Builder
	for n := from; n <= to; n++ {
		body.WriteString(gaitLine(n))
	}
	if status, got, err := p.post(body.String()); err != nil || status != 200 || got.Counts.Accepted != to-from+1 {
		t.Fatalf("sent %d to %d: %d %+v, %v", from, to, status, got, err)
	}
}

// idsIn returns how often the id of each event stands in a file of events.
func idsIn(t testing.TB, file string) map[string]int {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	ids := map[string]int{}
	for line := range strings.Lines(string(b)) {
		var e struct{ ID, Type string }
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			if !strings.HasSuffix(line, "\n") {
				break // it is being written
			}
			t.Fatalf("%s: %v in %q", file, err, line)
		}
		if e.Type != "dewclaw.locomotion.v1" {
			t.Fatalf("%s: an event of type %s", file, e.Type)
		}
		ids[e.ID]++
	}
	return ids
}

// onceEach waits until a file has so many events, and fails unless each is there once.
func onceEach(t testing.TB, file string, want int) {
	t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		ids := idsIn(t, file)
		if len(ids) < want && time.Now().Before(end) {
			continue
		}
		if len(ids) != want {
			t.Errorf("%s has %d events, want %d", file, len(ids), want)
		}
		for id, n := range ids {
			if n != 1 {
				t.Errorf("%s has event %s %d times", file, id, n)
			}
		}
		return
	}
}

func freeAddress(t testing.TB) (address, port string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, err = net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	return l.Addr().String(), port
}

// example returns how to run an example of a receiver.
func example(t testing.TB, name string, args ...string) *exec.Cmd {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("..", "testdata", "receivers", name))
	if err != nil {
		t.Fatal(err)
	}
	if strings.HasSuffix(name, ".go") {
		bin := filepath.Join(t.TempDir(), strings.TrimSuffix(name, ".go"))
		if out, err := exec.Command("go", "build", "-o", bin, path).CombinedOutput(); err != nil {
			t.Fatalf("build %s: %v\n%s", name, err, out)
		}
		return exec.Command(bin, args...)
	}
	return exec.Command(path, args...)
}

// TestReceivers_OfWebhooksInThreeLanguages runs the examples that README names: each
// gets every event once, and none that somebody else has signed.
func TestReceivers_OfWebhooksInThreeLanguages(t *testing.T) {
	for _, name := range []string{"webhook.go", "webhook.py", "webhook.sh"} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "events")
			var url string
			if name == "webhook.sh" {
				cmd := example(t, name)
				s := httptest.NewServer(&cgi.Handler{Path: cmd.Path, Env: []string{"SECRET=" + hookSecret, "FILE=" + file}, Stderr: os.Stderr})
				t.Cleanup(s.Close)
				url = s.URL
			} else {
				_, port := freeAddress(t)
				cmd := example(t, name, port, file)
				cmd.Env, cmd.Stderr = append(os.Environ(), "SECRET="+hookSecret), os.Stderr
				if err := cmd.Start(); err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
				url = "http://127.0.0.1:" + port
			}
			p := fedProject(t, fmt.Sprintf("  vet: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {webhook: {url: %q, secrets: [{file: hook.key}]}}}\n", url))
			p.run(t)
			p.send(t, 1, 12)
			onceEach(t, file, 12)
			r, err := http.NewRequest("POST", url, strings.NewReader(`{"id":"forged","type":"dewclaw.locomotion.v1"}`))
			if err != nil {
				t.Fatal(err)
			}
			r.Header.Set("webhook-id", "forged")
			r.Header.Set("webhook-timestamp", fmt.Sprint(time.Now().Unix()))
			r.Header.Set("webhook-signature", "v1,Zm9yZ2Vk")
			w, err := http.DefaultClient.Do(r)
			if err != nil || w.StatusCode != 401 {
				t.Errorf("a forged one: got %v, %v", w, err)
			}
			onceEach(t, file, 12)
		})
	}
}

// TestReceivers_ThatFetchInThreeLanguages runs the examples that README names: each
// gets every event once, and later only what is new.
func TestReceivers_ThatFetchInThreeLanguages(t *testing.T) {
	p := fedProject(t, "  vet: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {pull: {page: 5}}}\n")
	p.run(t)
	p.send(t, 1, 12)
	for _, name := range []string{"pull.go", "pull.py", "pull.sh"} {
		file := filepath.Join(t.TempDir(), "events")
		cmd := example(t, name, p.url+"/v1/feeds/vet/events", file)
		cmd.Env = append(os.Environ(), "TOKEN="+p.token)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		onceEach(t, file, 12)
		again := exec.Command(cmd.Path, cmd.Args[1:]...)
		again.Env = cmd.Env
		if out, err := again.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		onceEach(t, file, 12)
	}
	out, err := exec.Command("dewclaw", "--config", filepath.Join(p.dir, "dewclaw.yaml"), "feed", "show", "vet").CombinedOutput()
	if err != nil || !strings.Contains(string(out), "whoever fetches it") || !strings.Contains(string(out), "fetched") {
		t.Errorf("%v\n%s", err, out)
	}
}

// A moody receiver answers as it likes, and keeps what it has answered 2xx.
type moody struct {
	mu    sync.Mutex
	calls int
	kept  map[string]int
	mood  func(call int, id string) string // fine, broken, hangs, resets or refuses
}

func (m *moody) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	id := r.Header.Get("webhook-id")
	_, _ = io.Copy(io.Discard, r.Body)
	m.mu.Lock()
	m.calls++
	mood := m.mood(m.calls, id)
	if mood == "fine" {
		m.kept[id]++
	}
	m.mu.Unlock()
	switch mood {
	case "broken":
		w.WriteHeader(http.StatusInternalServerError)
	case "refuses":
		http.Error(w, "no such cow here", http.StatusUnprocessableEntity)
	case "hangs":
		<-r.Context().Done()
	case "resets":
		c, _, err := http.NewResponseController(w).Hijack()
		if err == nil {
			_ = c.(*net.TCPConn).SetLinger(0)
			c.Close()
		}
	}
}

func (m *moody) count() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.kept)
}

// TestWebhook_GetsEverythingThroughToAMoodyReceiver has a receiver that answers 500,
// hangs and resets: it has every event in the end, each once, and the books balance.
func TestWebhook_GetsEverythingThroughToAMoodyReceiver(t *testing.T) {
	m := &moody{kept: map[string]int{}, mood: func(call int, _ string) string {
		return []string{"fine", "fine", "broken", "fine", "hangs", "fine", "fine", "resets", "fine", "fine", "fine"}[min(call-1, 10)]
	}}
	s := httptest.NewServer(m)
	t.Cleanup(s.Close)
	p := fedProject(t, fmt.Sprintf("  vet: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {webhook: {url: %q, secrets: [{file: hook.key}], timeout: 1s}}}\n", s.URL))
	said := p.run(t)
	p.send(t, 1, 30)
	for end := time.Now().Add(patience); m.count() < 30 && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	if m.count() != 30 {
		t.Errorf("it has %d of 30\n%s", m.count(), said)
	}
	for id, n := range m.kept {
		if n != 1 {
			t.Errorf("it has %s %d times", id, n)
		}
	}
	(&killer{t: t}).dewclaw(p.dir, "verify")
}

// TestWebhook_ParksWhatIsRefusedAndReplaysIt has a receiver that refuses one in ten:
// the others arrive, what was refused is shown with its reason, and a replay sends it.
func TestWebhook_ParksWhatIsRefusedAndReplaysIt(t *testing.T) {
	refuse, refused := true, map[string]bool{}
	m := &moody{kept: map[string]int{}, mood: func(_ int, id string) string {
		if refuse && (refused[id] || len(refused) < 3 && id[len(id)-3]%4 == 0) {
			refused[id] = true
			return "refuses"
		}
		return "fine"
	}}
	s := httptest.NewServer(m)
	t.Cleanup(s.Close)
	p := fedProject(t, fmt.Sprintf("  vet: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {webhook: {url: %q, secrets: [{file: hook.key}], attempts: 1}}}\n", s.URL))
	p.run(t)
	p.send(t, 1, 30)
	k := &killer{t: t}
	for end := time.Now().Add(patience); m.count() < 27 && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	var show struct {
		Parked  int
		Animals []struct {
			Parked bool
			Why    string
		}
	}
	for end := time.Now().Add(patience); show.Parked < 3 && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if err := json.Unmarshal(k.dewclaw(p.dir, "feed", "show", "vet", "--json"), &show); err != nil {
			t.Fatal(err)
		}
	}
	if m.count() != 27 || show.Parked != 3 || len(show.Animals) != 3 || !strings.Contains(show.Animals[0].Why, "422 Unprocessable Entity: no such cow here") {
		t.Fatalf("it has %d of 27, and %+v stays behind", m.count(), show)
	}
	m.mu.Lock()
	refuse = false
	m.mu.Unlock()
	k.dewclaw(p.dir, "feed", "replay", "vet")
	for end := time.Now().Add(patience); m.count() < 30 && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	if m.count() != 30 {
		t.Errorf("after the replay it has %d of 30", m.count())
	}
	for id, n := range m.kept {
		if n != 1 {
			t.Errorf("it has %s %d times", id, n)
		}
	}
}

// A receiver that answers 2xx and forgets is taken at its word; a rewind brings it
// everything again, as messages with ids of their own, which it has not seen.
func TestWebhook_RewindBringsWhatAReceiverForgot(t *testing.T) {
	forgets := true
	m := &moody{kept: map[string]int{}, mood: func(call int, _ string) string {
		if forgets && call%3 == 0 {
			return "forgets"
		}
		return "fine"
	}}
	s := httptest.NewServer(m)
	t.Cleanup(s.Close)
	p := fedProject(t, fmt.Sprintf("  vet: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {webhook: {url: %q, secrets: [{file: hook.key}]}}}\n", s.URL))
	p.run(t)
	p.send(t, 1, 30)
	k := &killer{t: t}
	var show struct{ Rows, Parked int }
	for end := time.Now().Add(patience); show.Rows < 30 && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if err := json.Unmarshal(k.dewclaw(p.dir, "feed", "show", "vet", "--json"), &show); err != nil {
			t.Fatal(err)
		}
	}
	if show.Rows != 30 || show.Parked != 0 || m.count() != 20 {
		t.Fatalf("%+v, and it has %d, want 30 sent of which it forgot 10", show, m.count())
	}
	m.mu.Lock()
	forgets = false
	m.mu.Unlock()
	k.dewclaw(p.dir, "feed", "rewind", "vet", "--to", "1")
	for end := time.Now().Add(patience); m.count() < 50 && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
	}
	if m.count() != 50 {
		t.Errorf("after the rewind it has kept %d messages, want the 20 from before and all 30", m.count())
	}
}

// rewrite changes one part of the config of a project.
func rewrite(t testing.TB, p httpProject, old, new string) {
	t.Helper()
	name := filepath.Join(p.dir, "dewclaw.yaml")
	b, err := os.ReadFile(name)
	if err != nil || !strings.Contains(string(b), old) {
		t.Fatalf("%q is not in the config: %v\n%s", old, err, b)
	}
	write(t, name, strings.Replace(string(b), old, new, 1))
}
