package mqttport

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewclaw/testdata/outside"
)

// On a disk that is full nothing is acknowledged that is not kept, and the port says
// that it has failed; opened again with room, it has all that it had acknowledged.
func TestPort_OnAFullDisk(t *testing.T) {
	t.Parallel()
	outside.NeedMounts(t)
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=8388608"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	p := open(t, Options{Dir: filepath.Join(dir, "mqtt")})
	body := strings.Repeat("x", 64<<10)
	send := func(i int) published {
		return publish(t, p, "chute", "of chute", "-q", "1", "-t", "chute/1", "-m", fmt.Sprint(i, body))
	}
	var want []string
	take := func(i int) bool {
		if got := send(i); !got.acknowledged {
			return false
		}
		want = append(want, fmt.Sprint("chute/1 ", i, body))
		return true
	}
	if !take(0) {
		t.Fatal("with room nothing is acknowledged")
	}
	filler := filepath.Join(dir, "filler")
	var fs syscall.Statfs_t
	if err := syscall.Statfs(dir, &fs); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filler, make([]byte, int64(fs.Bavail)*fs.Bsize-200<<10), 0o600); err != nil {
		t.Fatal(err)
	}
	n := 1
	for ; take(n); n++ {
		if n > 10 {
			t.Fatal("a full disk takes everything")
		}
	}
	for end := time.Now().Add(patience); p.Failed() == nil; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("the port does not say that it has failed")
		}
	}
	t.Logf("%d messages acknowledged, then: %v", len(want), p.Failed())
	if err := os.Remove(filler); err != nil {
		t.Fatal(err)
	}
	if err := p.Reopen(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !take(n) {
		t.Error("with room again nothing is acknowledged")
	}
	got := read(t, p, "chute").all()
	for _, w := range want {
		if len(got) > 0 && got[0] != w { // one that was not acknowledged may be there: its device sends it again
			got = got[1:]
		}
		if len(got) == 0 || got[0] != w {
			t.Fatalf("%.12q is acknowledged, and not there", w)
		}
		got = got[1:]
	}
	if err := p.Failed(); err != nil {
		t.Errorf("opened again: %v", err)
	}
}
