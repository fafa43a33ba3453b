package main

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewclaw/daemon/internal/delivery"
	"dewclaw/daemon/internal/intake"
)

var (
	killCount = flag.Int("kills", 6, "how often the kill test kills the daemon")
	killRows  = flag.Int("rows", 5000, "rows of the file the kill test reads")
	killSeed  = flag.Uint64("kill-seed", 0, "seed of the kill test; 0 for one from the clock")
)

// perBeat is how many kills each beat must get when there are kills for all.
const perBeat = 10

// TestKill kills the daemon (SIGKILL) in the middle of its work, again and
// again, aiming at each beat in turn, and starts it again over the same folder.
// When the file is through, the log must hold each event exactly once, as a run
// that nobody disturbed has them; the feed must lack nothing and tell nothing
// under two names; and the books, worked out again from the archive, must
// balance. Then it begins anew, until there were enough kills.
func TestKill(t *testing.T) {
	seed := *killSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d (repeat with -kill-seed)", seed)
	k := &killer{t: t, rnd: rand.New(rand.NewPCG(seed, 1)), last: map[string]int{}, beats: slices.Concat(intake.Beats(), delivery.Beats())}
	k.file = []byte(goodRows(*killRows))
	k.want = k.undisturbed()
	for k.kills < *killCount || *killCount >= perBeat*len(k.beats) && k.fewest() < perBeat {
		k.round()
	}
	t.Logf("%d kills in %d rounds, by the beat that had begun: %v", k.kills, k.rounds, k.last)
	for _, b := range k.beats {
		if *killCount >= perBeat*len(k.beats) && k.last[b] < perBeat {
			t.Errorf("beat %q: %d kills, wanted at least %d", b, k.last[b], perBeat)
		}
	}
}

type killer struct {
	t      *testing.T
	rnd    *rand.Rand
	beats  []string
	file   []byte
	want   map[string]digest // events of an undisturbed run: id and content
	kills  int
	rounds int
	last   map[string]int // kills by the last beat that was told
}

// fewest returns the kills of the beat that got the fewest.
func (k *killer) fewest() int {
	n := k.last[k.beats[0]]
	for _, b := range k.beats {
		n = min(n, k.last[b])
	}
	return n
}

// target returns the beat to aim at: the one with the fewest kills.
func (k *killer) target() string {
	return slices.MinFunc(k.beats, func(a, b string) int { return k.last[a] - k.last[b] })
}

// project makes a folder with the file in it.
func (k *killer) project() string {
	dir := k.t.TempDir()
	for name, text := range map[string]string{"dewclaw.yaml": killConfig, "chute.yaml": killMapping} {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			k.t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			k.t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "out"), 0o755); err != nil {
		k.t.Fatal(err)
	}
	path := filepath.Join(dir, "in", "rows.csv")
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		k.t.Fatal(err)
	}
	if err := os.WriteFile(path, k.file, 0o644); err != nil {
		k.t.Fatal(err)
	}
	old := time.Now().Add(-time.Hour)
	if err := os.Chtimes(path, old, old); err != nil {
		k.t.Fatal(err)
	}
	return dir
}

// The project of the kill test: one source, one feed of small files.
const (
	killConfig = `version: 1
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources:
  chute: {farm: hilltop, folder: in, files: ["*.csv"], mapping: chute.yaml, rest: 100ms}
recipients: {vet: {name: The vet}}
feeds:
  vet: {recipient: vet, farms: [hilltop], kinds: [examination, lesion], to: {folder: out}, batch: {rows: 1000}}
grants:
  - {farm: hilltop, recipient: vet, purpose: care, kinds: [examination, lesion], fields: identities, from: 2025-01-01}
`
	killMapping = `mapping: chute
direction: in
dates: YYYY-MM-DD
times: HH:mm:ss
read: {format: csv}
record: {identifier: [ear-tag]}
animal: {ear-tag: tag}
occurred: {date: date, time: time}
row: {foot: foot, claw: claw}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown, remarks: note}
  - lesion: {code: lesion, zones: {from: zone, map: claw-zones-13}, severity: {from: sev, scale: grade-3}}
`
)

// undisturbed reads the file in one go and returns its events.
func (k *killer) undisturbed() map[string]digest {
	dir := k.project()
	k.dewclaw(dir, "once")
	return k.events(dir)
}

// round takes a new folder and kills the daemon over it until the file is
// through or there were enough kills; then it lets it finish and judges.
func (k *killer) round() {
	k.rounds++
	dir := k.project()
	for range 400 {
		if k.kills >= *killCount && k.fewest() >= perBeat {
			break
		}
		if k.kill(dir) {
			break
		}
	}
	k.dewclaw(dir, "once")
	k.judge(dir)
}

// idle is how long no beat must come before the daemon counts as through.
const idle = 3 * time.Second

// kill starts the daemon, waits for a beat and kills it there, a random moment
// later. It reports whether the daemon came to rest before that.
func (k *killer) kill(dir string) (through bool) {
	r, w, err := os.Pipe()
	if err != nil {
		k.t.Fatal(err)
	}
	defer r.Close()
	cmd := exec.Command("dewclaw", "--config", filepath.Join(dir, "dewclaw.yaml"), "run")
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	cmd.ExtraFiles = []*os.File{w}
	cmd.Env = append(os.Environ(), beatsVariable+"=3")
	if err := cmd.Start(); err != nil {
		k.t.Fatal(err)
	}
	w.Close()
	beats := bufio.NewReader(r)
	aim, skip := k.target(), k.rnd.IntN(6)
	last := ""
	for {
		if err := r.SetReadDeadline(time.Now().Add(idle)); err != nil {
			k.t.Fatal(err)
		}
		line, err := beats.ReadString('\n')
		if err != nil { // nothing left to do, or it failed
			if err := cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
				k.t.Fatal(err)
			}
			if err := cmd.Wait(); err != nil {
				k.t.Fatalf("daemon failed: %v\n%s", err, out.String())
			}
			return true
		}
		last = strings.TrimSpace(line)
		if last != aim {
			continue
		}
		if skip--; skip < 0 {
			break
		}
	}
	time.Sleep(time.Duration(k.rnd.Int64N(int64(2 * time.Millisecond)))) // a moment within the beat, not a wait for a state
	if err := cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		k.t.Fatal(err)
	}
	if err := r.SetReadDeadline(time.Time{}); err != nil {
		k.t.Fatal(err)
	}
	rest, _ := io.ReadAll(beats)
	if lines := strings.Fields(string(rest)); len(lines) > 0 {
		last = lines[len(lines)-1]
	}
	err = cmd.Wait()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
		if err != nil {
			k.t.Fatalf("daemon failed before it was killed: %v\n%s", err, out.String())
		}
		return true
	}
	k.kills++
	k.last[last]++
	return false
}

// judge holds a folder to what must be in it.
func (k *killer) judge(dir string) {
	k.t.Helper()
	got := k.events(dir)
	if !maps.Equal(got, k.want) {
		k.t.Errorf("%d events in the log, wanted the %d of an undisturbed run: %s", len(got), len(k.want), difference(got, k.want))
	}
	fed := map[string]digest{}
	files, err := filepath.Glob(filepath.Join(dir, "out", "*.ndjson"))
	if err != nil || len(files) == 0 {
		k.t.Fatalf("no feed files: %v", err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			k.t.Fatal(err)
		}
		k.add(fed, b, filepath.Base(f))
	}
	if !maps.Equal(fed, k.want) {
		k.t.Errorf("%d events in the feed, wanted %d: %s", len(fed), len(k.want), difference(fed, k.want))
	}
	k.dewclaw(dir, "verify")
}

func (k *killer) events(dir string) map[string]digest {
	m := map[string]digest{}
	k.add(m, k.dewclaw(dir, "events", "--json"), "log")
	return m
}

// A digest stands for a whole event but for the time at which it was recorded.
type digest [16]byte

// add reads CloudEvents, one a line.
func (k *killer) add(m map[string]digest, ndjson []byte, where string) {
	k.t.Helper()
	for line := range bytes.Lines(ndjson) {
		id, _, ok1 := cutMember(line, `"id":"`)
		_, rest, ok2 := cutMember(line, `,"recordedtime":"`)
		if !ok1 || !ok2 {
			k.t.Fatalf("%s: not an event: %s", where, line)
		}
		sum := sha256.Sum256(rest)
		if _, twice := m[id]; twice {
			k.t.Errorf("%s: event %s is there twice", where, id)
		}
		m[id] = digest(sum[:16])
	}
}

// cutMember returns the text of the first member that opens with mark, and the
// line without it.
func cutMember(line []byte, mark string) (value string, rest []byte, ok bool) {
	i := bytes.Index(line, []byte(mark))
	if i < 0 {
		return "", nil, false
	}
	n := bytes.IndexByte(line[i+len(mark):], '"')
	if n < 0 {
		return "", nil, false
	}
	end := i + len(mark) + n
	return string(line[i+len(mark) : end]), slices.Concat(line[:i], line[end+1:]), true
}

func (k *killer) dewclaw(dir string, args ...string) []byte {
	k.t.Helper()
	cmd := exec.Command("dewclaw", append([]string{"--config", filepath.Join(dir, "dewclaw.yaml")}, args...)...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		k.t.Fatalf("dewclaw %v: %v\n%s%s", args, err, out, stderr.String())
	}
	return out
}

func difference(got, want map[string]digest) string {
	var w []string
	for id := range want {
		if got[id] != want[id] {
			w = append(w, "lacks or differs "+id)
		}
	}
	for id := range got {
		if _, ok := want[id]; !ok {
			w = append(w, "has too much "+id)
		}
	}
	return fmt.Sprint(w[:min(len(w), 5)])
}
