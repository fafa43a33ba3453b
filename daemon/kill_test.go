package main

import (
	"bytes"
	"crypto/sha256"
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
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
// The daemon tells its beats in lockstep: it goes on with a beat only when it is
// told to, and is killed a random moment later, so that the kill falls within
// the beat or, if that was over sooner, before anything of the next one. When
// the files are through, the log must hold each event exactly once, as a run
// that nobody disturbed has them; the feed must lack nothing and tell nothing
// under two names; and the books, worked out again from the archive, must
// balance. Then it begins anew, until there were enough kills.
//
//	go test ./daemon -run '^TestKill$' -kills 200 -rows 200000
func TestKill(t *testing.T) {
	if testing.Short() {
		t.Skip("what is killed tells of nothing else")
	}
	if *long {
		*killCount, *killRows = max(*killCount, 1000), max(*killRows, 200_000)
	}
	seed := *killSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d (repeat with -kill-seed)", seed)
	k := &killer{t: t, rnd: rand.New(rand.NewPCG(seed, 1)), last: map[string]int{}}
	k.beats = slices.Concat([]string{"next"}, intake.Beats(), delivery.Beats())
	k.enough = (*killCount + len(k.beats) - 1) / len(k.beats)
	k.want = k.undisturbed()
	for !k.done() && !t.Failed() {
		k.round()
	}
	t.Logf("%d kills in %d rounds, by beat: %v", k.kills, k.rounds, k.last)
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
	enough int               // kills of each beat
	want   map[string]digest // events of an undisturbed run: id and content
	kills  int
	rounds int
	last   map[string]int // kills by beat
}

// done reports whether there were enough kills: so many in all, and when there
// are kills for all, of each beat.
func (k *killer) done() bool {
	if k.kills < *killCount {
		return false
	}
	if *killCount < perBeat*len(k.beats) {
		return true
	}
	for _, b := range k.beats {
		if k.last[b] < perBeat {
			return false
		}
	}
	return true
}

// target returns a beat that has not had enough kills yet.
func (k *killer) target() string {
	var open []string
	for _, b := range k.beats {
		if k.last[b] < k.enough {
			open = append(open, b)
		}
	}
	if len(open) == 0 {
		open = k.beats
	}
	return open[k.rnd.IntN(len(open))]
}

// smallFiles stand before and behind the large one, so that the beats of a
// whole original come often.
const smallFiles = 30

// project makes a folder with the files in it: one of -rows rows and small ones.
func (k *killer) project() string {
	dir := k.t.TempDir()
	write(k.t, filepath.Join(dir, "dewclaw.yaml"), killConfig)
	write(k.t, filepath.Join(dir, "chute.yaml"), killMapping)
	write(k.t, filepath.Join(dir, "out", ".keep"), "")
	at := 0
	file := func(name string, rows int) {
		path := filepath.Join(dir, "in", name)
		write(k.t, path, rowsFrom(at, rows))
		old := time.Now().Add(-time.Hour)
		if err := os.Chtimes(path, old, old); err != nil {
			k.t.Fatal(err)
		}
		at += rows
	}
	for i := range smallFiles {
		file(fmt.Sprintf("a-%02d.csv", i), 10)
	}
	file("m-large.csv", *killRows)
	for i := range smallFiles {
		file(fmt.Sprintf("z-%02d.csv", i), 10)
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

// round takes a new folder and kills the daemon over it until the files are
// through or there were enough kills; then it lets it finish and judges.
func (k *killer) round() {
	k.rounds++
	dir := k.project()
	for !k.done() && !k.kill(dir) {
		continue
	}
	k.dewclaw(dir, "once")
	k.judge(dir)
}

// Bounds of one life of the daemon.
const (
	idle    = 2 * time.Second         // no beat for so long: it is through
	reAim   = 200                     // after so many beats without the one aimed at, another is chosen
	longest = 1500 * time.Microsecond // a beat is killed at the latest so long after it has begun; most are shorter
)

// kill starts the daemon, follows its beats to the one it aims at, lets that
// begin and kills the daemon a random moment later. It reports whether the
// daemon came to rest before that.
func (k *killer) kill(dir string) (through bool) {
	c := startInLockstep(k.t, dir)
	defer c.close()
	aim, skip, seen := k.target(), k.rnd.IntN(4), 0
	wait := patience // it may have an index to build first
	for {
		beat, ok := c.next(wait)
		wait = idle
		if !ok { // nothing left to do, or it failed
			c.release()
			if err := c.stop(); err != nil {
				k.t.Fatalf("daemon failed: %v\n%s", err, c.out.String())
			}
			return true
		}
		if seen++; seen%reAim == 0 {
			aim, skip = k.target(), 0
		}
		if beat != aim || skip > 0 {
			if beat == aim {
				skip--
			}
			c.step()
			continue
		}
		c.step()
		time.Sleep(time.Duration(k.rnd.Int64N(int64(longest)))) // a moment within the beat, not a wait for a state
		if err := c.kill(); err != nil {
			k.t.Fatalf("%v\n%s", err, c.out.String())
		}
		k.kills++
		k.last[beat]++
		return false
	}
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
