package folder

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/google/go-cmp/cmp"
)

func batch() *adapters.Batch {
	return &adapters.Batch{
		Name: "vet-17-0.csv", Body: []byte("animal;foot\r\n17;LF\r\n"), Rows: 1,
		First: events.Place{Position: 17}, Last: events.Place{Position: 18, Index: 3},
		IDs: []string{"e1.1", "e2.1"}, Feed: "vet", Recipient: "practice", Generation: 2, Grant: "larkfield to practice, care",
		Schemas: []string{events.KindLesion.DataSchema()},
	}
}

func newSink(t *testing.T, dir string) *Sink {
	t.Helper()
	s, err := OpenSink(SinkOptions{Who: "feed vet", Dir: dir, IDs: true})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func dirNames(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

func TestSend_WritesAFileAndItsManifest(t *testing.T) {
	dir := t.TempDir()
	b := batch()
	must(t, newSink(t, dir).Send(t.Context(), b))
	if got, want := dirNames(t, dir), []string{b.Name, b.Name + ManifestSuffix}; !slices.Equal(got, want) {
		t.Fatalf("the folder has %q, want %q", got, want)
	}
	body, err := os.ReadFile(filepath.Join(dir, b.Name))
	if err != nil || !bytes.Equal(body, b.Body) {
		t.Errorf("body %q, %v", body, err)
	}
	raw, err := os.ReadFile(filepath.Join(dir, b.Name+ManifestSuffix))
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(b.Body)
	want := map[string]any{
		"manifest": 1.0, "file": b.Name, "sha256": hex.EncodeToString(sum[:]), "bytes": 20.0, "rows": 1.0,
		"first": map[string]any{"position": 17.0, "index": 0.0}, "last": map[string]any{"position": 18.0, "index": 3.0},
		"feed": "vet", "recipient": "practice", "generation": 2.0, "grant": "larkfield to practice, care",
		"schemas": []any{events.KindLesion.DataSchema()}, "ids": []any{"e1.1", "e2.1"},
	}
	var got map[string]any
	must(t, json.Unmarshal(raw, &got))
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("manifest (-want +got):\n%s", diff)
	}
	m, err := ReadManifest(raw)
	if err != nil || m.SHA256 != hex.EncodeToString(sum[:]) || m.Last != b.Last {
		t.Errorf("read back %+v, %v", m, err)
	}
}

func TestSend_AgainChangesNothing(t *testing.T) {
	dir := t.TempDir()
	must(t, newSink(t, dir).Send(t.Context(), batch()))
	before := snapshot(t, dir)
	again := batch()
	again.Grant = "as renewed since" // what the first manifest says stays true
	must(t, newSink(t, dir).Send(t.Context(), again))
	if diff := cmp.Diff(before, snapshot(t, dir)); diff != "" {
		t.Errorf("(-before +after):\n%s", diff)
	}
}

func snapshot(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, name := range dirNames(t, dir) {
		fi, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		b, _ := os.ReadFile(filepath.Join(dir, name))
		out[name] = fmt.Sprint(inode(fi), fi.ModTime(), string(b))
	}
	return out
}

// A crash may come between any two steps; what each leaves is finished by sending
// the batch again, to the same two files.
func TestSend_FinishesWhatACrashLeft(t *testing.T) {
	b := batch()
	leave := map[string]func(dir string){
		"nothing":               func(string) {},
		"half a file":           func(dir string) { writeFile(t, filepath.Join(dir, passingName(b.Name)), "anim") },
		"a file and more of it": func(dir string) { writeFile(t, filepath.Join(dir, passingName(b.Name)), string(b.Body)+"x") },
		"a file":                func(dir string) { writeFile(t, filepath.Join(dir, b.Name), string(b.Body)) },
		"a file and half a manifest": func(dir string) {
			writeFile(t, filepath.Join(dir, b.Name), string(b.Body))
			writeFile(t, filepath.Join(dir, passingName(b.Name+ManifestSuffix)), "{")
		},
	}
	for name, f := range leave {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			f(dir)
			must(t, newSink(t, dir).Send(t.Context(), b))
			if got, want := dirNames(t, dir), []string{b.Name, b.Name + ManifestSuffix}; !slices.Equal(got, want) {
				t.Errorf("the folder has %q, want %q", got, want)
			}
			if body, _ := os.ReadFile(filepath.Join(dir, b.Name)); !bytes.Equal(body, b.Body) {
				t.Errorf("body %q", body)
			}
		})
	}
}

func TestSend_LeavesAFileOfOtherBytes(t *testing.T) {
	for name, other := range map[string]string{"of another length": "other", "of the same length": strings.Repeat("x", len(batch().Body))} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			writeFile(t, filepath.Join(dir, batch().Name), other)
			before := snapshot(t, dir)
			err := newSink(t, dir).Send(t.Context(), batch())
			if !errors.Is(err, events.ErrInvalid) || !strings.HasPrefix(err.Error(), "feed vet: "+filepath.Join(dir, batch().Name)) {
				t.Errorf("err = %v, want invalid and the file", err)
			}
			if diff := cmp.Diff(before, snapshot(t, dir)); diff != "" {
				t.Errorf("(-before +after):\n%s", diff)
			}
			must(t, os.Remove(filepath.Join(dir, batch().Name)))
			must(t, newSink(t, dir).Send(t.Context(), batch()))
		})
	}
	t.Run("a folder of that name", func(t *testing.T) {
		dir := t.TempDir()
		must(t, os.Mkdir(filepath.Join(dir, batch().Name), 0o700))
		if err := newSink(t, dir).Send(t.Context(), batch()); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("err = %v, want invalid", err)
		}
	})
	t.Run("a symlink of that name", func(t *testing.T) {
		dir, outside := t.TempDir(), filepath.Join(t.TempDir(), "precious")
		writeFile(t, outside, "precious")
		must(t, os.Symlink(outside, filepath.Join(dir, batch().Name)))
		if err := newSink(t, dir).Send(t.Context(), batch()); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("err = %v, want invalid", err)
		}
		if b, _ := os.ReadFile(outside); string(b) != "precious" {
			t.Errorf("the file outside is %q", b)
		}
	})
}

func TestSend_RefusesNamesThatLeadElsewhere(t *testing.T) {
	for _, name := range []string{"", ".", "..", "../a.csv", "a/b.csv", `a\b.csv`, "/a.csv", ".hidden.csv", "a.csv.tmp"} {
		b := batch()
		b.Name = name
		if err := newSink(t, t.TempDir()).Send(t.Context(), b); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("name %q: %v, want invalid", name, err)
		}
	}
	if _, err := OpenSink(SinkOptions{}); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("no folder: %v, want invalid", err)
	}
}

func TestSend_SaysThatTheFolderIsAway(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	s := newSink(t, dir)
	err := s.Send(t.Context(), batch())
	if !errors.Is(err, events.ErrUnavailable) || !strings.Contains(err.Error(), dir) {
		t.Errorf("err = %v, want unavailable and the folder", err)
	}
	must(t, os.Mkdir(dir, 0o700))
	must(t, s.Send(t.Context(), batch()))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Send(ctx, batch()); !errors.Is(err, context.Canceled) {
		t.Errorf("err = %v, want canceled", err)
	}
}

func TestSend_SaysThatItMayNotWrite(t *testing.T) {
	if asNobody(t) {
		return
	}
	dir := t.TempDir()
	must(t, os.Chmod(dir, 0o500))
	if err := newSink(t, dir).Send(t.Context(), batch()); !errors.Is(err, events.ErrUnavailable) || !errors.Is(err, os.ErrPermission) {
		t.Errorf("err = %v, want unavailable, no permission", err)
	}
	if got := dirNames(t, dir); len(got) != 0 {
		t.Errorf("the folder has %q", got)
	}
}

// A limit on the size of files stands in for a full disk: the write fails in the
// middle, by the system's own hand.
func TestSend_LeavesNothingHalfWhenThereIsNoRoom(t *testing.T) {
	if inChild(t, false) {
		return
	}
	signal.Ignore(syscall.SIGXFSZ)
	dir := t.TempDir()
	b := batch()
	b.Body = bytes.Repeat(b.Body, 1000)
	var old syscall.Rlimit
	must(t, syscall.Getrlimit(syscall.RLIMIT_FSIZE, &old))
	must(t, syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: 10_000, Max: old.Max}))
	err := newSink(t, dir).Send(t.Context(), b)
	names := dirNames(t, dir)
	must(t, syscall.Setrlimit(syscall.RLIMIT_FSIZE, &old))
	if !errors.Is(err, events.ErrUnavailable) || !errors.Is(err, syscall.EFBIG) {
		t.Errorf("err = %v, want unavailable, too large", err)
	}
	if len(names) != 0 {
		t.Errorf("the folder has %q", names)
	}
	must(t, newSink(t, dir).Send(t.Context(), b))
}

func TestReadManifest_RefusesWhatIsNone(t *testing.T) {
	for _, s := range []string{"", "{}", "[]", `{"manifest":2}`, `{"manifest":"1"}`, "null"} {
		if m, err := ReadManifest([]byte(s)); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%q: %+v, %v; want invalid", s, m, err)
		}
	}
}

// What a sink writes a source takes, whole, and the manifest is there by then
// only if it is waited for.
func TestSink_FeedsASource(t *testing.T) {
	b := newBench(t, Options{Patterns: []string{"*.csv"}})
	must(t, newSink(t, b.dir).Send(t.Context(), batch()))
	b.take(batch().Name, string(batch().Body))
	b.nothing()
}
