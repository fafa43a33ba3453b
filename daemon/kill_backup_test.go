package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"dewclaw/daemon/internal/backup"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// TestKillBackup kills backup and restore (SIGKILL) in each of their beats, a
// random moment after it began. Nothing that is half made may pass for whole: a
// new backup that was cut short is none, one that was added to is the older or
// the newer one, whole; a data folder that was being restored is not there, or
// whole. The next try succeeds.
//
//	go test ./daemon -run '^TestKillBackup$' -long
func TestKillBackup(t *testing.T) {
	if testing.Short() {
		t.Skip("what is killed tells of nothing else")
	}
	rounds := 1
	if *long {
		rounds = perBeat
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	k := &backupKiller{t: t, rnd: rand.New(rand.NewPCG(seed, 2)), kills: map[string]int{}}
	k.prepare()
	for range rounds {
		for _, beat := range []string{backup.BeatEntries, backup.BeatOriginals, backup.BeatState, backup.BeatManifest} {
			k.backup(beat)
		}
		for _, beat := range []string{backup.BeatArchive, backup.BeatLog, backup.BeatCursors, backup.BeatRename} {
			k.restore(beat)
		}
		k.imported()
	}
	t.Logf("kills by beat: %v", k.kills)
	for beat, n := range k.kills {
		if n < rounds {
			t.Errorf("beat %s: %d kills, wanted %d", beat, n, rounds)
		}
	}
}

type backupKiller struct {
	t     *testing.T
	rnd   *rand.Rand
	dir   string // a project with something in its log
	kills map[string]int
	old   events.Position // position of the backup in dir/older
}

func (k *backupKiller) config() string { return filepath.Join(k.dir, "dewclaw.yaml") }

// dewclaw runs a command and wants it to be fine.
func (k *backupKiller) dewclaw(args ...string) {
	k.t.Helper()
	out, err := exec.Command("dewclaw", append([]string{"--config", k.config()}, args...)...).CombinedOutput()
	if err != nil {
		k.t.Fatalf("dewclaw %v: %v\n%s", args, err, out)
	}
}

func (k *backupKiller) prepare() {
	k.dir = k.t.TempDir()
	write(k.t, k.config(), killConfig)
	write(k.t, filepath.Join(k.dir, "chute.yaml"), killMapping)
	write(k.t, filepath.Join(k.dir, "out", ".keep"), "")
	file := func(i int) {
		path := filepath.Join(k.dir, "in", fmt.Sprintf("%02d.csv", i))
		write(k.t, path, rowsFrom(100*i, 60))
		if err := os.Chtimes(path, time.Time{}, time.Now().Add(-time.Hour)); err != nil {
			k.t.Fatal(err)
		}
	}
	for i := range 8 {
		file(i)
	}
	k.dewclaw("once")
	k.dewclaw("backup", filepath.Join(k.dir, "older"))
	k.old = k.whole(filepath.Join(k.dir, "older"))
	for i := range 8 {
		file(8 + i)
	}
	k.dewclaw("once")
	k.dewclaw("export", "--out", filepath.Join(k.dir, "all.ndjson"))
}

// imported kills an import between two appends.
func (k *backupKiller) imported() {
	dir, file := filepath.Join(k.dir, "imported"), filepath.Join(k.dir, "all.ndjson")
	if err := os.RemoveAll(dir); err != nil {
		k.t.Fatal(err)
	}
	write(k.t, filepath.Join(dir, "dewclaw.yaml"), killConfig)
	write(k.t, filepath.Join(dir, "chute.yaml"), killMapping)
	was := k.dir
	k.dir = dir
	defer func() { k.dir = was }()
	k.killIn(intake.BeatAppend, "import", file)
	if _, err := os.Stat(filepath.Join(dir, "data")); errors.Is(err, fs.ErrNotExist) {
		k.dewclaw("import", file)
	}
	k.dewclaw("verify")
	k.dewclaw("export", "--out", filepath.Join(dir, "again.ndjson"))
	want, err := os.ReadFile(file)
	if err != nil {
		k.t.Fatal(err)
	}
	if got, err := os.ReadFile(filepath.Join(dir, "again.ndjson")); err != nil || !bytes.Equal(got, want) {
		k.t.Errorf("what was imported is not what was exported (%v)", err)
	}
}

// whole checks a backup and returns its position.
func (k *backupKiller) whole(path string) events.Position {
	k.t.Helper()
	b, err := backup.Open(path)
	if err != nil {
		k.t.Fatal(err)
	}
	defer b.Close()
	if err := b.Check(k.t.Context(), nil); err != nil {
		k.t.Fatal(err)
	}
	return b.Position
}

// killIn runs a command up to a beat and kills it a moment after it began.
func (k *backupKiller) killIn(beat string, args ...string) {
	k.t.Helper()
	c := commandInLockstep(k.t, append([]string{"--config", k.config()}, args...)...)
	defer c.close()
	for {
		b, ok := c.next(20 * time.Second)
		if !ok {
			k.t.Fatalf("beat %s did not come:\n%s", beat, c.out.String())
		}
		c.step()
		if b == beat {
			break
		}
	}
	time.Sleep(time.Duration(k.rnd.IntN(8000)) * time.Microsecond)
	_ = c.cmd.Process.Kill()
	_ = c.cmd.Wait()
	k.kills[beat]++ // one that had ended is a kill behind its last byte: nothing may be half there either
}

func (k *backupKiller) backup(beat string) {
	fresh, added, file := filepath.Join(k.dir, "fresh"), filepath.Join(k.dir, "added"), filepath.Join(k.dir, "one.tar")
	for _, p := range []string{fresh, added, file} {
		if err := os.RemoveAll(p); err != nil {
			k.t.Fatal(err)
		}
	}
	if err := os.CopyFS(added, os.DirFS(filepath.Join(k.dir, "older"))); err != nil {
		k.t.Fatal(err)
	}
	places := []string{fresh, added, file}
	if !*long { // fresh is what is restored afterwards
		places = []string{fresh, places[1+k.rnd.IntN(2)]}
	}
	for _, p := range places {
		k.killIn(beat, "backup", p)
		b, err := backup.Open(p)
		switch {
		case errors.Is(err, events.ErrNotFound) && p != added: // cut short: no backup
		case err != nil:
			k.t.Fatalf("%s killed in %s: %v", p, beat, err)
		default:
			if err := errors.Join(b.Check(k.t.Context(), nil), b.Close()); err != nil {
				k.t.Fatalf("%s killed in %s: %v", p, beat, err)
			}
			if p == file { // it was whole: a second one would be refused
				continue
			}
		}
		k.dewclaw("backup", p)
		if at := k.whole(p); at <= k.old {
			k.t.Errorf("%s: position %d, want more than %d", p, at, k.old)
		}
	}
}

func (k *backupKiller) restore(beat string) {
	from, into := filepath.Join(k.dir, "fresh"), filepath.Join(k.dir, "again")
	if err := os.RemoveAll(into); err != nil {
		k.t.Fatal(err)
	}
	k.killIn(beat, "restore", from, "--into", into)
	if _, err := os.Stat(into); errors.Is(err, fs.ErrNotExist) {
		k.dewclaw("restore", from, "--into", into)
	}
	if _, err := os.Stat(into + backup.Building); !errors.Is(err, fs.ErrNotExist) {
		k.t.Errorf("something half restored is left: %v", err)
	}
	out, err := exec.Command("dewclaw", "--config", filepath.Join(into, "dewclaw.yaml"), "verify").CombinedOutput()
	if err != nil {
		k.t.Fatalf("verify what was restored: %v\n%s", err, out)
	}
}
