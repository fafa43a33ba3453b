package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"dewclaw/daemon/internal/api"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events/herd"
	"dewclaw/events/index"
)

// TestKillRest kills the program (SIGKILL) in the middle of what is not reading:
// while a person fixes, releases or drops held records or corrects events, while
// the feed carries what followed from that, and while the read model or the index
// is built anew; and a running daemon while it decides what a command asks of it
// through its socket. Each kill falls a random moment into a beat that was aimed at.
// After each of them the log has the decision once with all that follows from it,
// or not at all; the same command, given again, does it or says that it is done;
// and the books balance. In the end the log has what a second folder has in which
// nobody was killed, the feed has all of it once, and both read models are what
// building them from nothing gives.
//
//	go test ./daemon -run '^TestKillRest$' -kills 200
func TestKillRest(t *testing.T) {
	if testing.Short() {
		t.Skip("what is killed tells of nothing else")
	}
	count := *killCount / 2
	if *long {
		count = max(count, 1000)
	}
	seed := *killSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano())
	}
	t.Logf("seed %d (repeat with -kill-seed)", seed)
	const killers = 2 // side by side: most of what one does is to wait for a process
	all, kills := map[string]int{}, 0
	t.Run("killers", func(t *testing.T) {
		var mu sync.Mutex
		for i := range killers {
			t.Run(fmt.Sprint(i), func(t *testing.T) {
				t.Parallel()
				k := &restKiller{t: t, rnd: rand.New(rand.NewPCG(seed, uint64(3+i))), last: map[string]int{}}
				for k.kills < count/killers && !t.Failed() {
					k.round(count / killers)
				}
				mu.Lock()
				defer mu.Unlock()
				kills += k.kills
				for a, n := range k.last {
					all[a] += n
				}
			})
		}
	})
	t.Logf("%d kills, by beat: %v", kills, all)
	least := count / killers / len(restAims()) * killers
	for _, a := range restAims() {
		if all[a.String()] < least {
			t.Errorf("%s: %d kills, wanted at least %d", a, all[a.String()], least)
		}
	}
}

// An aim is a beat of a deed.
type aim struct{ deed, beat string }

func (a aim) String() string { return a.deed + "/" + a.beat }

// restAims are all beats that are killed.
func restAims() (out []aim) {
	for _, deed := range []string{"fix", "release", "drop", "correct", "original", asked} {
		for _, beat := range []string{intake.BeatDecide, intake.BeatAppend, intake.BeatIndex, intake.BeatAcknowledge} {
			out = append(out, aim{deed, beat})
		}
	}
	for _, beat := range delivery.Beats() {
		out = append(out, aim{"feed", beat})
	}
	for _, beat := range herd.Beats() {
		out = append(out, aim{"read model", beat})
	}
	for _, beat := range index.Beats() {
		out = append(out, aim{"index", beat})
	}
	return out
}

// asked is any of the deeds of one record, done by a daemon.
const asked = "asked"

type restKiller struct {
	t     *testing.T
	rnd   *rand.Rand
	kills int
	last  map[string]int // kills by aim

	dir       string
	held      []string // records that nobody has touched, at random
	fixed     []string // records that are fixed and still held
	originals []string // held records that stand for a whole original
	lesions   []string // ids of events to correct
	done      [][]string
	log       map[string]string // id and content of every event but decisions, and how often each decision was taken
}

// Sizes of the folder of one round.
const (
	restFiles     = 24
	restRows      = 20
	restOriginals = 8
)

const restConfig = `version: 1
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources:
  chute: {farm: hilltop, folder: in, files: ["*.csv"], mapping: chute.yaml, rest: 0s}
  late: {farm: hilltop, folder: late, files: ["*.csv"], mapping: late.yaml, rest: 0s}
recipients: {vet: {name: The vet}}
feeds:
  vet: {recipient: vet, farms: [hilltop], kinds: [examination, lesion], to: {folder: out}, batch: {rows: 5}}
grants:
  - {farm: hilltop, recipient: vet, purpose: care, kinds: [examination, lesion], fields: identities, from: 2025-01-01}
`

// project fills a folder: two rows of five are held, and the originals of a second
// source as a whole; then the mappings are put right.
func (k *restKiller) project(dir string) {
	write(k.t, filepath.Join(dir, "dewclaw.yaml"), restConfig)
	write(k.t, filepath.Join(dir, "chute.yaml"), killMapping)
	late := strings.Replace(killMapping, "mapping: chute", "mapping: late", 1)
	write(k.t, filepath.Join(dir, "late.yaml"), strings.Replace(late, "lesion: {code: lesion,", "lesion: {code: finding,", 1))
	write(k.t, filepath.Join(dir, "out", ".keep"), "")
	file := func(name, text string) {
		write(k.t, filepath.Join(dir, name), text)
		if err := os.Chtimes(filepath.Join(dir, name), time.Time{}, time.Now().Add(-time.Hour)); err != nil {
			k.t.Fatal(err)
		}
	}
	for i := range restFiles {
		lines := strings.SplitAfter(rowsFrom(i*restRows, restRows), "\n")
		for n := 1; n < len(lines); n += 5 {
			for m := n; m < min(n+2, len(lines)); m++ {
				lines[m] = strings.Replace(lines[m], ",SU,", ",XX,", 1)
			}
		}
		file(fmt.Sprintf("in/%02d.csv", i), strings.Join(lines, ""))
	}
	for i := range restOriginals {
		file(fmt.Sprintf("late/%02d.csv", i), rowsFrom((restFiles+i)*restRows, 3))
	}
	k.dewclaw(dir, "once")
	write(k.t, filepath.Join(dir, "late.yaml"), late)
	write(k.t, filepath.Join(dir, "chute.yaml"), strings.Replace(killMapping, "code: lesion,", "code: {from: lesion, table: {SU: SU, XX: WLF}},", 1))
}

// round takes a new folder and kills over it until there were enough kills or
// nothing is left to decide.
func (k *restKiller) round(count int) {
	k.dir, k.done, k.held, k.fixed, k.originals, k.lesions = k.t.TempDir(), nil, nil, nil, nil, nil
	k.project(k.dir)
	k.log = k.read(k.dir)
	for line := range bytes.Lines(k.dewclaw(k.dir, "held", "list", "--json")) {
		var h struct{ ID, Source string }
		if err := json.Unmarshal(line, &h); err != nil {
			k.t.Fatal(err)
		}
		if h.Source == "late" {
			k.originals = append(k.originals, h.ID)
		} else {
			k.held = append(k.held, h.ID)
		}
	}
	for id := range k.log {
		if strings.Contains(k.log[id], `"type":"dewclaw.lesion.v1"`) {
			k.lesions = append(k.lesions, id)
		}
	}
	for _, list := range [][]string{k.held, k.originals, k.lesions} {
		slices.Sort(list)
		k.rnd.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	}
	if len(k.held) < 100 || len(k.originals) != restOriginals || len(k.lesions) < 100 {
		k.t.Fatalf("%d records and %d originals are held, %d lesions are there", len(k.held), len(k.originals), len(k.lesions))
	}
	for k.kills < count && !k.t.Failed() {
		a := k.aim()
		if !k.one(a) {
			break
		}
	}
	k.judge()
}

// aim chooses among the beats with the fewest kills.
func (k *restKiller) aim() aim {
	all := restAims()
	k.rnd.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	return slices.MinFunc(all, func(a, b aim) int { return cmp.Compare(k.last[a.String()], k.last[b.String()]) })
}

// one kills once and looks at what is left; false if nothing is left to decide.
func (k *restKiller) one(a aim) bool {
	switch a.deed {
	case "feed":
		k.feed(a)
	case "read model":
		k.rebuild(a, "herd", "worklist", "--date", "2024-01-20", "--for", "everyone", "--format", "json")
	case "index":
		k.rebuild(a, "index", "held", "list", "--state", "all", "--json")
	default:
		args := k.deed(a.deed)
		if args == nil {
			return false
		}
		k.decide(a, args)
	}
	return true
}

func pop(list *[]string) string {
	last := len(*list) - 1
	s := (*list)[last]
	*list = (*list)[:last]
	return s
}

// deed makes a command that settles something; nil if there is nothing left.
func (k *restKiller) deed(deed string) []string {
	signed := []string{"--who", "anna", "--why", fmt.Sprintf("decision %d", len(k.done)+1)}
	if deed == asked {
		deed = []string{"fix", "release", "drop", "correct"}[k.rnd.IntN(4)]
	}
	switch {
	case deed == "original" && len(k.originals) > 0:
		return append([]string{"held", "release", pop(&k.originals)}, signed...)
	case deed == "correct" && len(k.lesions) > 0:
		id := pop(&k.lesions)
		what := [][]string{
			{"--set", "severity.value=3", "--set", "code=WLF"}, {"--withdraw"}, {"--foot", "LF"}, {"--animal", "ear-tag:DE0900009999"},
		}[k.rnd.IntN(4)]
		return slices.Concat([]string{"correct", id}, what, signed)
	case len(k.held) == 0 || deed == "original" || deed == "correct":
		return nil
	case deed == "drop":
		return append([]string{"held", "drop", pop(&k.held)}, signed...)
	case deed == "release":
		id := &k.held
		if len(k.fixed) > 0 && k.rnd.IntN(2) == 0 {
			id = &k.fixed
		}
		return append([]string{"held", "release", pop(id)}, signed...)
	}
	k.fixed = append(k.fixed, pop(&k.held))
	return append([]string{"held", "fix", k.fixed[len(k.fixed)-1], "--set", "lesion=SU"}, signed...)
}

// decide kills a decision and looks whether it stands. It is given again: then it
// is done, or refused because it is.
func (k *restKiller) decide(a aim, args []string) {
	k.t.Helper()
	before := k.log
	var killed, answered bool
	if a.deed == asked {
		killed, answered = k.killAsked(a, args...)
	} else {
		killed = k.kill(a, args...)
	}
	k.done = append(k.done, args)
	why := args[len(args)-1]
	if out, err := k.command(k.dir, args...).CombinedOutput(); err != nil {
		if !saysDone(string(out)) {
			k.t.Errorf("%v killed at %s and given again: %v\n%s", args, a, err, out)
		}
		if killed && a.beat == intake.BeatDecide {
			k.t.Errorf("%v killed at %s stands", args, a)
		}
	} else if (answered || a.beat == intake.BeatIndex || a.beat == intake.BeatAcknowledge) && args[1] != "fix" && a.deed != "original" {
		k.t.Errorf("%v killed at %s and given again: it was done once more", args, a)
	}
	k.log = k.read(k.dir)
	if k.log[why] != "1" {
		k.t.Errorf("%v killed at %s and given again: it is %s times in the log", args, a, k.log[why])
	}
	if got, want := len(grown(before, k.log)), consequences(args, a.deed); got != want {
		k.t.Errorf("%v killed at %s: %d events follow from it, wanted %d: %v", args, a, got, want, grown(before, k.log))
	}
	k.dewclaw(k.dir, "verify")
}

// saysDone reports whether a refusal tells that the decision stands.
func saysDone(out string) bool {
	for _, s := range []string{"one that was released at log position", "one that was dropped at log position", "got what is there already", "was retracted",
		"wanted the foot that is there and the one it should be"} {
		if strings.Contains(out, s) {
			return true
		}
	}
	return false
}

// consequences is how many events follow from a decision, it included: a record
// has an examination and a lesion, an original three records.
func consequences(args []string, deed string) int {
	switch {
	case deed == "original":
		return 1 + 3*2
	case args[1] == "release":
		return 1 + 2
	case args[0] == "correct":
		return 1 + 1
	}
	return 1
}

// feed kills the program while it feeds what the last decisions changed.
func (k *restKiller) feed(a aim) {
	for range 2 {
		if len(k.lesions) == 0 {
			return
		}
		args := []string{"correct", pop(&k.lesions), "--set", "severity.value=2", "--set", "code=WLF", "--who", "anna", "--why", fmt.Sprintf("decision %d", len(k.done)+1)}
		k.dewclaw(k.dir, args...)
		k.done = append(k.done, args)
	}
	k.log = k.read(k.dir)
	k.kill(a, "once")
	k.dewclaw(k.dir, "once")
	k.fed(a.String())
}

// rebuild throws a read model away and kills the program while it makes it anew.
// What the program tells when it has gone on is what it tells when nobody killed it.
func (k *restKiller) rebuild(a aim, folder string, args ...string) {
	k.t.Helper()
	remove := func() {
		if err := os.RemoveAll(filepath.Join(k.dir, "data", folder)); err != nil {
			k.t.Fatal(err)
		}
	}
	remove()
	k.kill(a, args...)
	tell := func() []byte {
		b := k.dewclaw(k.dir, args...)
		if _, rest, ok := cutMember(b, `,"made":"`); ok { // of a list: when it was made
			return rest
		}
		return b
	}
	got := tell()
	remove()
	if want := tell(); !bytes.Equal(got, want) || len(want) < 100 {
		k.t.Errorf("killed at %s: it tells\n%.2000s\nwanted\n%.2000s", a, got, want)
	}
	k.dewclaw(k.dir, "verify")
}

// kill runs a command to a beat and kills it a random moment later; false if it
// came to its end before that.
func (k *restKiller) kill(a aim, args ...string) bool {
	k.t.Helper()
	c := commandInLockstep(k.t, append([]string{"--config", filepath.Join(k.dir, "dewclaw.yaml")}, args...)...)
	defer c.close()
	skip := 0
	if a.deed == "index" || a.deed == "feed" {
		skip = k.rnd.IntN(3)
	}
	for {
		beat, ok := c.next(patience)
		if !ok {
			if err := c.cmd.Wait(); err != nil {
				k.t.Fatalf("%v: %v\n%s", args, err, c.out.String())
			}
			return false
		}
		c.step()
		if beat != a.beat {
			continue
		}
		if skip--; skip < 0 {
			break
		}
	}
	time.Sleep(time.Duration(k.rnd.Int64N(int64(longest)))) // a moment within the beat, not a wait for a state
	if err := c.kill(); err != nil {
		if c.cmd.ProcessState.Success() {
			return false
		}
		k.t.Fatalf("%v: %v\n%s", args, err, c.out.String())
	}
	k.kills++
	k.last[a.String()]++
	return true
}

// killAsked has a daemon do what a command asks for, to a beat, and kills the daemon
// a random moment later. It reports whether it was killed, and whether the command
// was told before that it is done.
func (k *restKiller) killAsked(a aim, args ...string) (killed, answered bool) {
	k.t.Helper()
	c := startInLockstep(k.t, k.dir)
	defer c.close()
	done := make(chan error, 1)
	go func() {
		for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			if _, err := api.Dial(k.t.Context(), filepath.Join(k.dir, "data")); err == nil {
				break
			}
		}
		done <- k.command(k.dir, args...).Run()
	}()
	for deciding := false; ; {
		beat, ok := c.next(patience)
		if !ok {
			k.t.Fatalf("%v asked of a daemon: no beat %s\n%s", args, a.beat, c.out.String())
		}
		c.step()
		deciding = deciding || beat == intake.BeatDecide // what went before is of the start
		if deciding && beat == a.beat {
			break
		}
	}
	time.Sleep(time.Duration(k.rnd.Int64N(int64(longest)))) // a moment within the beat, not a wait for a state
	if err := c.kill(); err != nil {
		k.t.Fatalf("%v asked of a daemon: %v\n%s", args, err, c.out.String())
	}
	k.kills++
	k.last[a.String()]++
	return true, <-done == nil
}

// judge holds the folder to one in which the same was done and nobody was killed.
func (k *restKiller) judge() {
	k.t.Helper()
	twin := k.t.TempDir()
	k.project(twin)
	end := k.run(twin)
	for _, args := range k.done {
		k.dewclaw(twin, args...)
	}
	end()
	k.dewclaw(k.dir, "once")
	k.log = k.read(k.dir)
	if want := k.read(twin); !maps.Equal(k.log, want) {
		k.t.Errorf("the log has %d events, wanted the %d of a folder that was left alone: %v, %v", len(k.log), len(want), grown(want, k.log), grown(k.log, want))
	}
	k.fed("the end")
	k.dewclaw(k.dir, "verify")
}

// run starts a daemon, which does what commands ask for; end stops it.
func (k *restKiller) run(dir string) (end func()) {
	k.t.Helper()
	cmd := k.command(dir, "run")
	if err := cmd.Start(); err != nil {
		k.t.Fatal(err)
	}
	for began := time.Now(); ; time.Sleep(10 * time.Millisecond) {
		if _, err := api.Dial(k.t.Context(), filepath.Join(dir, "data")); err == nil {
			break
		}
		if time.Since(began) > patience {
			_ = cmd.Process.Kill()
			k.t.Fatal("the daemon does not answer")
		}
	}
	return func() {
		k.t.Helper()
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil {
			k.t.Errorf("the daemon ended with %v", err)
		}
	}
}

// fed compares the files of the feed with the log.
func (k *restKiller) fed(when string) {
	k.t.Helper()
	files, err := filepath.Glob(filepath.Join(k.dir, "out", "*.ndjson"))
	if err != nil || len(files) == 0 {
		k.t.Fatalf("no feed files: %v", err)
	}
	has := map[string]bool{}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			k.t.Fatal(err)
		}
		for line := range bytes.Lines(b) {
			id, _, ok := cutMember(line, `"id":"`)
			if !ok || has[id] {
				k.t.Errorf("%s: %s: event %q is there twice, or is none", when, filepath.Base(f), id)
			}
			has[id] = true
		}
	}
	for id := range k.log {
		if !has[id] && strings.Contains(id, ".") {
			k.t.Errorf("%s: the feed lacks %s", when, id)
		}
		delete(has, id)
		delete(has, id+".moved") // told of an event that was given to another animal
	}
	if len(has) > 0 {
		k.t.Errorf("%s: the feed has what the log has not: %v", when, slices.Collect(maps.Keys(has)))
	}
}

// read returns the content of every event by its id, and how many decisions there
// are by why each was taken.
func (k *restKiller) read(dir string) map[string]string {
	k.t.Helper()
	out, decisions := map[string]string{}, map[string]int{}
	for line := range bytes.Lines(k.dewclaw(dir, "events", "--json")) {
		var e struct {
			Type string
			Data struct{ Why string }
		}
		id, _, ok1 := cutMember(line, `"id":"`)
		_, rest, ok2 := cutMember(line, `,"recordedtime":"`)
		if err := json.Unmarshal(line, &e); err != nil || !ok1 || !ok2 {
			k.t.Fatalf("not an event: %s", line)
		}
		if e.Type == "dewclaw.decision.v1" {
			decisions[e.Data.Why]++
			continue
		}
		if out[id] != "" {
			k.t.Errorf("event %s is twice in the log", id)
		}
		out[id] = string(rest)
	}
	for why, n := range decisions {
		out[why] = fmt.Sprint(n)
	}
	return out
}

// grown lists what is new or other in b.
func grown(a, b map[string]string) (out []string) {
	for id, v := range b {
		if a[id] != v {
			out = append(out, id)
		}
	}
	return out
}

func (k *restKiller) command(dir string, args ...string) *exec.Cmd {
	return exec.Command("dewclaw", append([]string{"--config", filepath.Join(dir, "dewclaw.yaml")}, args...)...)
}

func (k *restKiller) dewclaw(dir string, args ...string) []byte {
	k.t.Helper()
	return (&killer{t: k.t}).dewclaw(dir, args...)
}
