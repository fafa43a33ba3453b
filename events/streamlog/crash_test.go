package streamlog

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/events"
)

// childDir names the folder in which a copy of the test binary appends until it
// is killed.
const childDir = "STREAMLOG_CHILD"

// appendForEver prints each position and hash once it is acknowledged, and the
// value it put into a bucket.
func appendForEver(dir string) int {
	ctx := context.Background()
	l, err := Open(ctx, Options{Dir: dir, Now: time.Now})
	if err != nil {
		fmt.Println("error", err)
		return 1
	}
	b, err := l.Bucket(ctx, "cursors")
	if err != nil {
		fmt.Println("error", err)
		return 1
	}
	fmt.Println("open")
	for i := 0; ; i++ {
		pos, err := l.Append(ctx, entry("s", 1+i%7*40, 600))
		if err != nil {
			fmt.Println("error", err)
			return 1
		}
		_, hash := l.Last()
		fmt.Println(pos, hash)
		if i%5 != 0 {
			continue
		}
		if err := b.Put(ctx, "cursor", fmt.Append(nil, pos)); err != nil {
			fmt.Println("error", err)
			return 1
		}
		fmt.Println("put", pos)
	}
}

// Killed at random moments, the log loses nothing that was acknowledged: the
// beats "append" and "save the feed's cursor".
func TestLog_SurvivesKills(t *testing.T) {
	kills := 20
	if *long {
		kills = 500
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 0))
	var dir string
	var acked []string // hash by position
	put, total := 0, 0
	for i := range kills {
		if i%25 == 0 { // each open after a kill reads all of the log
			dir, acked, put = t.TempDir(), []string{events.NoEntry}, 0
		}
		before := len(acked)
		after := time.Duration(rnd.IntN(60_000)) * time.Microsecond
		runChild(t, dir, after, i%4 == 3, func(line string) {
			var pos int
			var hash string
			if n, _ := fmt.Sscanf(line, "put %d", &pos); n == 1 {
				put = pos
			} else if n, _ := fmt.Sscanf(line, "%d %s", &pos, &hash); n == 2 && len(hash) == 64 {
				for len(acked) <= pos {
					acked = append(acked, "") // stored, but not acknowledged in time
				}
				acked[pos] = hash
			}
		})
		checkSurvivor(t, dir, acked, put)
		if t.Failed() {
			return
		}
		total += len(acked) - before
	}
	t.Logf("%d kills, %d acknowledged", kills, total)
	if total < kills {
		t.Errorf("only %d entries: the kills came too early to prove anything", total)
	}
}

// runChild runs the child, kills it some time after it has opened the log (or,
// early, after its start), and hands on every whole line it printed.
func runChild(t *testing.T, dir string, after time.Duration, early bool, line func(string)) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	kill := func() { _ = cmd.Process.Kill() }
	if early {
		time.AfterFunc(after, kill)
	}
	r := bufio.NewReader(out)
	for {
		s, err := r.ReadString('\n')
		if err != nil {
			break // a line cut short was not acknowledged
		}
		switch {
		case strings.HasPrefix(s, "error"):
			t.Error(s)
		case s == "open\n":
			if !early {
				time.AfterFunc(after, kill)
			}
		default:
			line(s)
		}
	}
	_ = cmd.Wait()
}

// checkSurvivor reads the log after a kill without opening it for append.
func checkSurvivor(t *testing.T, dir string, acked []string, put int) {
	t.Helper()
	l, err := Open(t.Context(), Options{Dir: dir, Now: clock, ReadOnly: true})
	if errors.Is(err, events.ErrNotFound) && len(acked) == 1 {
		return // killed before there was a log
	}
	if err != nil {
		t.Fatal(err)
	}
	defer shut(t, l)
	if err := l.Damage(); err != nil {
		t.Fatal(err)
	}
	prev := start
	for e, err := range l.Read(t.Context(), 0) {
		if err != nil {
			t.Fatal(err)
		}
		if e.At != prev.pos+1 {
			t.Fatalf("position %d after %d", e.At, prev.pos)
		}
		if int(prev.pos) < len(acked) && acked[prev.pos] != "" && acked[prev.pos] != e.Prev {
			t.Fatalf("entry %d: hash %s was acknowledged, the next one chains to %s", prev.pos, acked[prev.pos], e.Prev)
		}
		prev.pos = e.At
	}
	last, hash := l.Last()
	if int(last) < len(acked)-1 || last != prev.pos {
		t.Fatalf("the log ends at %d (read up to %d), %d was acknowledged", last, prev.pos, len(acked)-1)
	}
	if int(last) == len(acked)-1 && hash != acked[last] {
		t.Fatalf("entry %d: hash %s was acknowledged, got %s", last, acked[last], hash)
	}
	checkPut(t, l, put)
}

func checkPut(t *testing.T, l *Log, put int) {
	t.Helper()
	b, err := l.Bucket(t.Context(), "cursors")
	if err != nil {
		t.Fatal(err)
	}
	v, err := b.Get(t.Context(), "cursor")
	if errors.Is(err, events.ErrNotFound) && put == 0 {
		return
	}
	var got int
	if _, e := fmt.Sscan(string(v), &got); err != nil || e != nil || got < put {
		t.Fatalf("cursor: got %q %v, %d was put", v, err, put)
	}
}

func TestOpen_RefusesAFolderInUse(t *testing.T) {
	dir := t.TempDir()
	l := open(t, Options{Dir: dir})
	for _, readOnly := range []bool{false, true} {
		_, err := Open(t.Context(), Options{Dir: dir, Now: clock, ReadOnly: readOnly})
		if !errors.Is(err, events.ErrLocked) || !strings.Contains(err.Error(), fmt.Sprintf("process %d", os.Getpid())) {
			t.Errorf("read-only %t: got %v, want a lock that names process %d", readOnly, err, os.Getpid())
		}
	}
	shut(t, l)
	readers := []*Log{open(t, Options{Dir: dir, ReadOnly: true}), open(t, Options{Dir: dir, ReadOnly: true})}
	if _, err := Open(t.Context(), Options{Dir: dir, Now: clock}); !errors.Is(err, events.ErrLocked) {
		t.Errorf("two readers: got %v, want a lock", err)
	}
	for _, r := range readers {
		shut(t, r)
	}
	open(t, Options{Dir: dir})
}

func TestOpen_TakesTheFolderOfAKilledProcess(t *testing.T) {
	dir := t.TempDir()
	var child int
	runChild(t, dir, 0, false, func(string) {})
	b, err := os.ReadFile(filepath.Join(dir, lockName))
	if _, e := fmt.Sscan(string(b), &child); err != nil || e != nil || child == os.Getpid() {
		t.Fatalf("lock file: got %q %v, want the id of the child", b, errors.Join(err, e))
	}
	if err := open(t, Options{Dir: dir}).Damage(); err != nil {
		t.Error(err)
	}
}
