package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/daemon/internal/api"
)

var soakFor = flag.Duration("soak", 0, "how long TestSoak lasts; 0 is 15 s in CI and not at all elsewhere")

// TestSoak lets a daemon live for a while: files, messages and posted records come
// side by side, some again, some corrected by their source, some rotten; a person
// withdraws events, puts held records right and looks at lists; one recipient is
// dead all the time. Into that fall faults: restarts, kills, a broker that is
// restarted, a recipient that answers no more. In the second half the daemon is
// left running, and what it takes must not grow.
//
// In the end each record is in the log with the revisions that its source and the
// persons made, each is with the recipients, those of an animal in their order,
// and the books balance. It reports memory and descriptors over the time, and how
// long an event took from when its record was sent to when a recipient had it.
//
//	go test ./daemon -run '^TestSoak$' -soak 1h -timeout 2h -v
func TestSoak(t *testing.T) {
	if testing.Short() {
		t.Skip("what it tells of happens in other processes")
	}
	if *soakFor == 0 && os.Getenv("CI") == "" {
		t.Skip("takes its time: -soak 1h")
	}
	t.Parallel()
	if *soakFor == 0 {
		*soakFor = 15 * time.Second
	}
	s := newSoak(t)
	s.live(*soakFor)
	s.judge()
	s.report()
}

// mostOpen is how many descriptors a daemon of the soak may have open.
const mostOpen = 256

type soak struct {
	httpProject
	t       *testing.T
	rnd     *rand.Rand
	store   string // of the broker
	port    int
	broker  *server.Server
	daemon  *exec.Cmd
	started time.Time // the daemon
	began   time.Time // the soak

	mu      sync.Mutex
	deaf    bool           // the recipient answers 503
	epoch   int            // counts the beginnings and ends of faults: odd while one lasts
	records map[string]int // revisions that must be there, by recordKey
	sent    map[string]sending
	arrived map[string]int // newest revision that the recipient has
	repeats int
	calm    []time.Duration // latencies with no fault in between
	all     []time.Duration
	rotten  int
	samples []soakSample
	faults  map[string]int
}

// A sending is when a revision was sent, and in which epoch.
type sending struct {
	at    time.Time
	epoch int
}

type soakSample struct {
	at, age time.Duration // of the soak and of the process
	memory  int64         // resident bytes
	own     int64         // of these, what is no page of a file
	live    int64         // bytes of Go's heap that the last collection of garbage left
	tasks   int           // goroutines
	open    int           // descriptors
	records int           // sent by then
}

func (x soakSample) String() string {
	return fmt.Sprintf("%8s  process %8s old, %4d MiB (%d without pages of files), live heap %5.1f MiB, %3d goroutines, %3d descriptors, %7d records",
		x.at.Round(time.Second), x.age.Round(time.Second), x.memory>>20, x.own>>20, float64(x.live)/(1<<20), x.tasks, x.open, x.records)
}

func newSoak(t *testing.T) *soak {
	s := &soak{
		t: t, rnd: rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 5)), store: t.TempDir(), port: server.RANDOM_PORT, records: map[string]int{},
		sent: map[string]sending{}, arrived: map[string]int{}, faults: map[string]int{},
	}
	s.startBroker()
	receiver := httptest.NewServer(http.HandlerFunc(s.receive))
	t.Cleanup(receiver.Close)
	s.httpProject = newHTTPProject(t, fmt.Sprintf(`  files: {farm: hilltop, folder: in, files: ["*.csv"], mapping: rows.yaml, rest: 50ms, scan: 500ms, after: move, move-to: done}
  stream: {farm: hilltop, nats: {url: %q, subject: "chute.>"}, mapping: message.yaml}
recipients: {vet: {name: The vet}, gone: {name: Nobody}}
feeds:
  live: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {webhook: {url: %q, secrets: [{file: hook.key}], timeout: 2s}}}
  files: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {folder: out}, batch: {rows: 500}, every: 1s}
  gone: {recipient: gone, farms: [hilltop], kinds: [locomotion], to: {webhook: {url: "http://127.0.0.1:9/", secrets: [{file: hook.key}]}}}
grants:
  - {farm: hilltop, recipient: vet, purpose: care, kinds: [locomotion], fields: identities, from: 2025-01-01}
  - {farm: hilltop, recipient: gone, purpose: care, kinds: [locomotion], fields: identities, from: 2025-01-01}
`, fmt.Sprintf("nats://127.0.0.1:%d", s.port), receiver.URL))
	config := filepath.Join(s.dir, "dewclaw.yaml")
	b, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	write(t, config, strings.NewReplacer("sources: {scores: {farm: hilltop, http: {max-body: 64KiB}, mapping: gait.yaml}}",
		"sources:\n  scores: {farm: hilltop, http: {max-body: 64KiB}, mapping: gait.yaml}",
		"listen: {", "listen: {metrics: open, ").Replace(string(b)))
	write(t, filepath.Join(s.dir, "hook.key"), hookSecret+"\n")
	write(t, filepath.Join(s.dir, "message.yaml"), strings.NewReplacer("mapping: gait", "mapping: message", "ndjson", "json").Replace(gaitNDJSON))
	write(t, filepath.Join(s.dir, "rows.yaml"), strings.NewReplacer("mapping: gait", "mapping: rows", "ndjson", "csv", "$.", "").Replace(gaitNDJSON))
	for _, name := range []string{"in", "done", "out"} {
		write(t, filepath.Join(s.dir, name, ".keep"), "")
	}
	return s
}

// receive is the recipient: it notes what arrives.
func (s *soak) receive(w http.ResponseWriter, r *http.Request) {
	var e soakEvent
	err := json.NewDecoder(r.Body).Decode(&e)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.deaf || err != nil {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	w.WriteHeader(http.StatusNoContent)
	record := e.record()
	switch was := s.arrived[record]; {
	case e.Revision <= was:
		s.repeats++
		return
	case e.Revision > was+1:
		s.t.Errorf("%s: revision %d arrives behind %d", record, e.Revision, was)
	}
	s.arrived[record] = e.Revision
	sending := fmt.Sprint(record, e.Revision)
	sent, ok := s.sent[sending]
	if !ok {
		return // what a person did
	}
	delete(s.sent, sending)
	d := time.Since(sent.at)
	s.all = append(s.all, d)
	if sent.epoch == s.epoch && s.epoch%2 == 0 {
		s.calm = append(s.calm, d)
	}
}

// A soakEvent is what the test looks at of a CloudEvent.
type soakEvent struct {
	ID, Subject, Time string
	Revision          int
}

// record is the key of the record an event is of.
func (e *soakEvent) record() string {
	return recordKey(strings.TrimPrefix(e.Subject, "transponder:"), e.Time[:min(len(e.Time), len("2025-01-02T06:41:10"))])
}

// recordKey names a record: an animal is looked at once a day.
func recordKey(cow, at string) string { return cow + " " + at }

// soakHerd is how many animals a source tells of, so that the log grows and the herd
// does not: from then on it is another day.
const soakHerd = 2000

// what returns which animal a record of a source is of, and when.
func (s *soak) what(source, n int) (cow, at string) {
	day := time.Date(2025, 1, 2, 6, 41, 10, 0, time.UTC).AddDate(0, 0, n/soakHerd)
	return fmt.Sprintf("276000%d%08d", source, n%soakHerd), day.Format("2006-01-02T15:04:05")
}

// line is a record of a source, in JSON or as a row.
func (s *soak) line(source, n, score int, row bool) string {
	id := fmt.Sprintf("%d-%d", source, n)
	cow, at := s.what(source, n)
	if row {
		return fmt.Sprintf("%s,%s,%s,%d\n", id, cow, at, score)
	}
	return fmt.Sprintf(`{"id":%q,"cow":%q,"at":%q,"score":%d}`+"\n", id, cow, at, score)
}

// says notes that a source is about to say something new of a record.
func (s *soak) says(source, n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	record := recordKey(s.what(source, n))
	s.records[record]++
	s.sent[fmt.Sprint(record, s.records[record])] = sending{time.Now(), s.epoch}
}

// The three sources, and animals of rows that are rotten.
const (
	byFile = 1 + iota
	byPost
	byMessage
	byMistake
)

// files writes a file twice a second: 25 rows, now and then a rotten one; every
// fourth is the one before again, with a row corrected.
func (s *soak) files(ctx context.Context) error {
	n := 0
	var last []string
	for i := 0; every(ctx, 500*time.Millisecond); i++ {
		if i%4 == 3 {
			s.says(byFile, n-1)
			last[len(last)-1] = s.line(byFile, n-1, 1, true)
		} else {
			last = last[:0]
			for range 25 {
				s.says(byFile, n)
				last = append(last, s.line(byFile, n, 2, true))
				n++
			}
		}
		text := "id,cow,at,score\n" + strings.Join(last, "")
		if i%10 == 0 {
			text += s.line(byMistake, i, 9, true)
			s.mu.Lock()
			s.rotten++
			s.mu.Unlock()
		}
		name := filepath.Join(s.dir, "in", fmt.Sprintf("%06d.csv", i))
		if err := os.WriteFile(name+".part", []byte(text), 0o644); err != nil {
			return err
		}
		if err := os.Rename(name+".part", name); err != nil {
			return err
		}
	}
	return nil
}

// posts sends five times a second a body of ten records, the last of which
// corrects the first of the body before. A body that was not answered is sent
// again as it is.
func (s *soak) posts(ctx context.Context) error {
	for n := 0; every(ctx, 200*time.Millisecond); n += 9 {
		var body strings.Builder
		for i := n; i < n+9; i++ {
			s.says(byPost, i)
			body.WriteString(s.line(byPost, i, 2, false))
		}
		if n > 0 {
			s.says(byPost, n-9)
			body.WriteString(s.line(byPost, n-9, 1, false))
		}
		err := s.until(func() error {
			status, _, err := s.post(body.String())
			if err == nil && status != http.StatusOK {
				err = fmt.Errorf("status %d", status)
			}
			return err
		})
		if err != nil {
			return fmt.Errorf("post: %w", err)
		}
	}
	return nil
}

// messages publishes thirty times a second; every tenth message comes twice, and
// every fifteenth is corrected.
func (s *soak) messages(ctx context.Context) error {
	conn, err := nats.Connect(fmt.Sprintf("nats://127.0.0.1:%d", s.port), nats.MaxReconnects(-1), nats.ReconnectWait(50*time.Millisecond))
	if err != nil {
		return err
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		return err
	}
	publish := func(text string) error {
		return s.until(func() error {
			ctx, cancel := context.WithTimeout(s.t.Context(), time.Second)
			defer cancel()
			_, err := js.Publish(ctx, "chute.one", []byte(text))
			return err
		})
	}
	for n := 0; every(ctx, time.Second/30); n++ {
		s.says(byMessage, n)
		text := s.line(byMessage, n, 2, false)
		if err := publish(text); err != nil {
			return err
		}
		if n%10 == 0 {
			if err := publish(text); err != nil {
				return err
			}
		}
		if n%15 == 0 {
			s.says(byMessage, n)
			if err := publish(s.line(byMessage, n, 1, false)); err != nil {
				return err
			}
		}
	}
	return nil
}

// until tries again until it is fine.
func (s *soak) until(f func() error) error {
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		err := f()
		if err == nil || time.Now().After(end) || s.t.Context().Err() != nil {
			return err
		}
	}
}

// every waits for the next of so many; false if it is over.
func every(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
		return true
	}
}

// live lets all of it go on for so long.
func (s *soak) live(long time.Duration) {
	s.startDaemon()
	s.t.Cleanup(func() { _ = s.daemon.Process.Kill(); s.broker.Shutdown() })
	ctx, cancel := context.WithTimeout(s.t.Context(), long)
	defer cancel()
	var wg sync.WaitGroup
	for _, f := range []func(context.Context) error{s.files, s.posts, s.messages} {
		wg.Go(func() {
			if err := f(ctx); err != nil {
				s.t.Errorf("%v", err)
			}
		})
	}
	s.began = time.Now()
	step := min(long/10, time.Minute)
	nextFault, nextSample, n := step, time.Duration(0), 0
	for i := 0; every(ctx, min(step/4, time.Second)); i++ {
		at := time.Since(s.began)
		if at >= nextSample {
			s.sample()
			nextSample += min(max(long/60, time.Second), 30*time.Second)
		}
		if at >= nextFault {
			s.fault(n, at < long/2)
			nextFault, n = nextFault+step, n+1
			continue
		}
		s.person(i)
	}
	wg.Wait()
}

// fault does one of the things that go wrong. In the second half the daemon is
// left running.
func (s *soak) fault(n int, first bool) {
	s.mu.Lock()
	s.epoch++
	s.mu.Unlock()
	kinds := []string{"restart", "kill -9", "broker", "deaf recipient"}
	if !first {
		kinds = kinds[2:]
	}
	kind := kinds[n%len(kinds)]
	switch kind {
	case "restart":
		s.stopDaemon()
		s.startDaemon()
	case "kill -9":
		_ = s.daemon.Process.Kill()
		_ = s.daemon.Wait()
		s.startDaemon()
	case "broker":
		s.broker.Shutdown()
		s.broker.WaitForShutdown()
		time.Sleep(200 * time.Millisecond) // it is away for a while
		s.startBroker()
	case "deaf recipient":
		s.hear(false)
		time.Sleep(500 * time.Millisecond) // it is deaf for a while
		s.hear(true)
	}
	s.mu.Lock()
	s.epoch++
	s.faults[kind]++
	s.mu.Unlock()
}

func (s *soak) hear(yes bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.deaf = !yes
}

func (s *soak) startBroker() {
	s.t.Helper()
	b, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: s.port, JetStream: true, StoreDir: s.store, SyncAlways: true, NoLog: true, NoSigs: true,
	})
	if err != nil {
		s.t.Fatal(err)
	}
	b.Start()
	if !b.ReadyForConnections(patience) {
		s.t.Fatal("NATS server does not answer")
	}
	s.broker = b
	if s.port != server.RANDOM_PORT {
		return
	}
	at := b.ClientURL()
	if s.port, err = strconv.Atoi(at[strings.LastIndexByte(at, ':')+1:]); err != nil {
		s.t.Fatal(err)
	}
	conn, err := nats.Connect(at)
	if err != nil {
		s.t.Fatal(err)
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err == nil {
		_, err = js.CreateStream(s.t.Context(), jetstream.StreamConfig{Name: "CHUTE", Subjects: []string{"chute.>"}})
	}
	if err != nil {
		s.t.Fatal(err)
	}
}

func (s *soak) startDaemon() {
	s.t.Helper()
	log, err := os.OpenFile(filepath.Join(s.dir, "daemon.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		s.t.Fatal(err)
	}
	defer log.Close()
	s.daemon = exec.Command("dewclaw", "--config", filepath.Join(s.dir, "dewclaw.yaml"), "run")
	s.daemon.Stderr = log
	if err := s.daemon.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.started = time.Now()
	err = s.until(func() error {
		_, err := api.Dial(s.t.Context(), filepath.Join(s.dir, "data"))
		return err
	})
	if err != nil {
		s.t.Fatalf("the daemon does not answer: %v\n%s", err, s.log())
	}
}

func (s *soak) log() string {
	b, _ := os.ReadFile(filepath.Join(s.dir, "daemon.log")) // for people
	return string(b[max(0, len(b)-4000):])
}

func (s *soak) stopDaemon() {
	s.t.Helper()
	_ = s.daemon.Process.Signal(syscall.SIGTERM)
	if err := s.daemon.Wait(); err != nil {
		s.t.Errorf("the daemon ended with %v\n%s", err, s.log())
	}
}

func (s *soak) dewclaw(args ...string) []byte {
	s.t.Helper()
	return (&killer{t: s.t}).dewclaw(s.dir, args...)
}

// person does what a person does: withdraws an event, puts a held record right,
// looks at lists.
func (s *soak) person(i int) {
	signed := []string{"--who", "anna", "--why", "looked again"}
	switch i % 3 {
	case 0:
		record := s.withdrawable()
		if record == "" {
			return
		}
		cow, _, _ := strings.Cut(record, " ")
		for line := range bytes.Lines(s.dewclaw("events", "--json", "--animal", cow, "--current")) {
			var e soakEvent
			if err := json.Unmarshal(line, &e); err != nil {
				s.t.Errorf("%v: %s", err, line)
			}
			if e.record() == record {
				s.dewclaw(slices.Concat([]string{"correct", e.ID, "--withdraw"}, signed)...)
				return
			}
		}
		s.t.Errorf("no event of %s is told", record)
	case 1:
		line, _, _ := bytes.Cut(s.dewclaw("held", "list", "--json"), []byte("\n"))
		var h struct{ ID, Raw string }
		if json.Unmarshal(line, &h) != nil {
			return // nothing is held
		}
		cells := strings.Split(h.Raw, ",")
		s.dewclaw(slices.Concat([]string{"held", "fix", h.ID, "--set", "score=2"}, signed)...)
		s.mu.Lock()
		s.records[recordKey(cells[1], cells[2])] = 1
		s.rotten--
		s.mu.Unlock()
		s.dewclaw(slices.Concat([]string{"held", "release", h.ID}, signed)...)
	case 2:
		s.dewclaw("worklist", "--date", "2025-04-01")
	}
}

// withdrawable chooses a record that its source says nothing more of, and notes
// that its event will be withdrawn; "" if there is none.
func (s *soak) withdrawable() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	for range 20 {
		record := recordKey(s.what(byMessage, 7+15*s.rnd.IntN(1+len(s.arrived)/15)))
		if s.records[record] == 1 && s.arrived[record] == 1 {
			s.records[record]++
			return record
		}
	}
	return ""
}

// sample notes what the daemon takes.
func (s *soak) sample() {
	proc := filepath.Join("/proc", strconv.Itoa(s.daemon.Process.Pid))
	fds, err := os.ReadDir(filepath.Join(proc, "fd"))
	status, err2 := os.ReadFile(filepath.Join(proc, "status"))
	if err != nil || err2 != nil {
		s.t.Errorf("look at the daemon: %v, %v\n%s", err, err2, s.log())
		return
	}
	bytesOf := func(name string) int64 {
		_, rest, _ := strings.Cut(string(status), "\n"+name+":")
		fields := strings.Fields(rest)
		if len(fields) == 0 {
			s.t.Errorf("/proc/PID/status lacks %s", name)
			return 0
		}
		kb, err := strconv.ParseInt(fields[0], 10, 64)
		if err != nil {
			s.t.Errorf("%s: %v", name, err)
		}
		return kb << 10
	}
	x := soakSample{at: time.Since(s.began), age: time.Since(s.started), memory: bytesOf("VmRSS"), own: bytesOf("RssAnon"), open: len(fds)}
	live, tasks := s.runtime()
	x.live, x.tasks = int64(live), int(tasks)
	s.mu.Lock()
	defer s.mu.Unlock()
	x.records = len(s.records)
	s.samples = append(s.samples, x)
	if *soakFor > time.Minute {
		s.t.Log(x)
	}
}

// runtime asks the daemon for what its metrics tell of Go's heap and goroutines.
func (s *soak) runtime() (live, tasks float64) {
	r, err := http.Get(s.url + "/metrics")
	if err != nil {
		s.t.Errorf("metrics: %v", err)
		return 0, 0
	}
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	value := func(name string) float64 {
		_, rest, _ := strings.Cut(string(b), "\n"+name+" ")
		text, _, _ := strings.Cut(rest, "\n")
		v, perr := strconv.ParseFloat(text, 64)
		if err != nil || perr != nil {
			s.t.Errorf("metrics lack %s: %v, %v", name, err, perr)
		}
		return v
	}
	return value("go_gc_heap_live_bytes"), value("go_goroutines")
}

// judge waits until the recipients have everything, and holds log, recipients and
// books to what was sent.
func (s *soak) judge() {
	lacks := func() (n int) {
		s.mu.Lock()
		defer s.mu.Unlock()
		for record, revisions := range s.records {
			n += revisions - s.arrived[record]
		}
		return n
	}
	for end := time.Now().Add(2 * patience); lacks() > 0 && time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
	}
	if n := lacks(); n != 0 {
		s.t.Errorf("the recipient lacks %d events\n%s", n, s.log())
	}
	want := 0
	for _, revisions := range s.records {
		want += revisions
	}
	fed := map[string]int{}
	for end := time.Now().Add(patience); len(fed) < want && time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		clear(fed)
		files, err := filepath.Glob(filepath.Join(s.dir, "out", "*.ndjson"))
		if err != nil {
			s.t.Fatal(err)
		}
		for _, f := range files {
			for id, n := range idsIn(s.t, f) {
				fed[id] += n
			}
		}
	}
	s.stopDaemon()
	if out := s.dewclaw("verify"); !bytes.Contains(out, []byte("The books balance")) {
		s.t.Errorf("verify: %s", out)
	}
	got, ids := map[string]int{}, map[string]bool{}
	for line := range bytes.Lines(s.dewclaw("events", "--json", "--kind", "locomotion")) {
		var e soakEvent
		if err := json.Unmarshal(line, &e); err != nil || ids[e.ID] {
			s.t.Fatalf("%v or twice: %s", err, line)
		}
		ids[e.ID] = true
		got[e.record()]++
		if fed[e.ID] != 1 {
			s.t.Errorf("%s is %d times in the files of the feed", e.ID, fed[e.ID])
		}
	}
	for record, revisions := range s.records {
		if got[record] != revisions {
			s.t.Errorf("%s has %d revisions in the log, wanted %d", record, got[record], revisions)
		}
	}
	if len(got) != len(s.records) || len(ids) != want || len(fed) != want {
		s.t.Errorf("%d records and %d events in the log, %d in the files of the feed; wanted %d records and %d events", len(got), len(ids), len(fed), len(s.records), want)
	}
	if n := bytes.Count(s.dewclaw("held", "list", "--json"), []byte("\n")); n != s.rotten {
		s.t.Errorf("%d records are held, wanted %d", n, s.rotten)
	}
	for _, kind := range []string{"restart", "kill -9", "broker", "deaf recipient"} {
		if s.faults[kind] == 0 {
			s.t.Errorf("%s did not happen", kind)
		}
	}
	s.flat()
}

// flat holds every sample to the bounds, and looks whether what the process that
// lived through the second half has grows.
func (s *soak) flat() {
	var last []soakSample // of that process
	for _, x := range s.samples {
		if len(last) > 0 && x.age < last[len(last)-1].age {
			last = nil
		}
		last = append(last, x)
		if x.memory > mostMemory || x.open > mostOpen {
			s.t.Errorf("after %v: %d MiB and %d descriptors, wanted at most %d and %d", x.at.Round(time.Second), x.memory>>20, x.open, mostMemory>>20, mostOpen)
		}
	}
	told, bad := grows(last)
	s.t.Log(told)
	if bad != nil {
		s.t.Error(bad)
	}
}

// soakWarm is how long a process may fill its caches, and the herd its animals.
const soakWarm = 2 * time.Minute

// grows compares the two halves of the life of a process: the medians of the heap
// that its collections of garbage left, of descriptors and of goroutines. The
// heap that is resident says less: it is as large as it may be (memoryLimit), and
// beside it the caches of SQLite fill up to their bounds. A collection in the middle
// of a list finds that list, hence medians, and a tolerance.
func grows(list []soakSample) (told string, err error) {
	for len(list) > 0 && list[0].age < soakWarm {
		list = list[1:]
	}
	if len(list) < 12 {
		return "too short to tell whether anything grows", nil
	}
	type figures struct{ live, memory, open, tasks int64 }
	of := func(list []soakSample) figures {
		median := func(get func(soakSample) int64) int64 {
			var all []int64
			for _, x := range list {
				all = append(all, get(x))
			}
			slices.Sort(all)
			return all[len(all)/2]
		}
		return figures{
			median(func(x soakSample) int64 { return x.live }), median(func(x soakSample) int64 { return x.memory }),
			median(func(x soakSample) int64 { return int64(x.open) }), median(func(x soakSample) int64 { return int64(x.tasks) }),
		}
	}
	a, b := of(list[:len(list)/2]), of(list[len(list)/2:])
	const mib = float64(1 << 20)
	told = fmt.Sprintf("halves of the last process: live heap %.1f and %.1f MiB, resident %.0f and %.0f MiB, descriptors %d and %d, goroutines %d and %d (medians)",
		float64(a.live)/mib, float64(b.live)/mib, float64(a.memory)/mib, float64(b.memory)/mib, a.open, b.open, a.tasks, b.tasks)
	if b.live > a.live+a.live/5+2<<20 || b.open > a.open+8 || b.tasks > a.tasks+20 {
		err = errors.New("that grows")
	}
	return told, err
}

// The soak would see 200 bytes kept for each of its records, a descriptor or a
// goroutine for every thousandth, and not the noise of collections.
func TestSoak_SeesWhatGrows(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for _, tt := range []struct {
		name               string
		each, opens, tasks float64 // of a record
		want               bool
	}{
		{"noise", 0, 0, 0, false}, {"memory", 200, 0, 0, true}, {"descriptors", 0, 0.001, 0, true}, {"goroutines", 0, 0, 0.001, true},
	} {
		var list []soakSample
		for at := time.Duration(0); at < time.Hour; at += 30 * time.Second {
			n := at.Seconds() * 90
			x := soakSample{
				at: at, age: at, memory: 200 << 20, open: 31 + rnd.IntN(5) + int(tt.opens*n), tasks: 65 + rnd.IntN(12) + int(tt.tasks*n),
				live: 25<<20 + rnd.Int64N(12<<20) + int64(tt.each*n),
			}
			if rnd.IntN(4) == 0 {
				x.live += 30 << 20 // a list is being made
			}
			list = append(list, x)
		}
		if told, err := grows(list); err != nil != tt.want {
			t.Errorf("%s: %s: %v, wanted an error: %t", tt.name, told, err, tt.want)
		}
	}
	if _, err := grows(nil); err != nil {
		t.Errorf("no samples: %v", err)
	}
}

// report prints what was measured.
func (s *soak) report() {
	percent := func(list []time.Duration, p int) time.Duration {
		if len(list) == 0 {
			return 0
		}
		return list[min(len(list)*p/100, len(list)-1)].Round(time.Millisecond)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%v: %d records, %d sent again to the recipient, faults %v\n", *soakFor, len(s.records), s.repeats, s.faults)
	for _, x := range s.samples {
		fmt.Fprintln(&b, x)
	}
	for _, l := range []struct {
		name string
		list []time.Duration
	}{{"with no fault in between", s.calm}, {"all", s.all}} {
		slices.Sort(l.list)
		fmt.Fprintf(&b, "record sent to event received, %s: p50 %v, p95 %v, p99 %v, longest %v of %d\n", l.name,
			percent(l.list, 50), percent(l.list, 95), percent(l.list, 99), percent(l.list, 100), len(l.list))
	}
	s.t.Log(b.String())
}
