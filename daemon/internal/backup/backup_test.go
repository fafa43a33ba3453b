package backup

import (
	"archive/tar"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/daemon/internal/archive"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

func clock() time.Time { return time.Date(2026, 3, 2, 10, 11, 12, 0, time.UTC) }

// A world is a data folder with a log, an archive and a cursor.
type world struct {
	t       *testing.T
	log     *streamlog.Log
	archive *archive.Archive
	values  Values
}

func newWorld(t *testing.T) *world {
	t.Helper()
	dir := t.TempDir()
	l, err := streamlog.Open(t.Context(), streamlog.Options{Dir: filepath.Join(dir, "log"), Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	a, err := archive.Open(filepath.Join(dir, "archive"))
	if err != nil {
		t.Fatal(err)
	}
	return &world{t: t, log: l, archive: a, values: Values{"feeds": {"vet.state": []byte(`{"v":1}`)}}}
}

// read appends n entries, each with an original of its own.
func (w *world) read(n int) {
	w.t.Helper()
	for range n {
		at, _ := w.log.Last()
		hash, _, err := w.archive.Put(w.t.Context(), strings.NewReader(fmt.Sprintf("rows of file %d\n", at+1)))
		if err != nil {
			w.t.Fatal(err)
		}
		e := &events.Entry{
			Cause: events.CauseChunk, Source: "chute", Archive: hash, Name: fmt.Sprintf("%d.csv", at+1),
			Time: events.FormatTime(clock().Add(time.Duration(at) * time.Hour)), To: &events.Cursor{Records: 1, End: true},
		}
		if _, err := w.log.Append(w.t.Context(), e); err != nil {
			w.t.Fatal(err)
		}
	}
}

func (w *world) options(path string) Options {
	return Options{
		Path: path, Log: w.log, Archive: w.archive, Now: clock, Config: "dewclaw.yaml",
		Values: func(context.Context) (Values, error) { return w.values, nil },
		Files:  []File{{"dewclaw.yaml", []byte("version: 1\n")}, {"maps/chute.yaml", []byte("mapping: chute\n")}},
	}
}

func (w *world) backup(path string) *Manifest {
	w.t.Helper()
	m, err := Write(w.t.Context(), w.options(path))
	if err != nil {
		w.t.Fatal(err)
	}
	return m
}

func check(t *testing.T, path string) *Backup {
	t.Helper()
	b, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.Close() })
	if err := b.Check(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	return b
}

// restored makes a log of a backup, in a folder of its own, and opens it.
func restored(t *testing.T, b *Backup, through events.Position) (*Restored, *streamlog.Log, *archive.Archive) {
	t.Helper()
	dir := t.TempDir()
	r, err := b.Restore(t.Context(), RestoreOptions{
		LogDir: filepath.Join(dir, "log"), ArchiveDir: filepath.Join(dir, "archive"), Through: through, Now: clock, Logger: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	l, err := streamlog.Open(t.Context(), streamlog.Options{Dir: filepath.Join(dir, "log"), Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	a, err := archive.OpenReadOnly(filepath.Join(dir, "archive"))
	if err != nil {
		t.Fatal(err)
	}
	return r, l, a
}

func TestBackup_ComesBackByteForByte(t *testing.T) {
	for _, form := range []string{"folder", "one.tar"} {
		t.Run(form, func(t *testing.T) {
			w := newWorld(t)
			w.read(7)
			path := filepath.Join(t.TempDir(), form)
			m := w.backup(path)
			w.read(2) // after it: not in it
			if m.Position != 7 || m.Originals != 7 || m.Log != w.log.ID() {
				t.Errorf("manifest: %+v", m)
			}
			b := check(t, path)
			for _, through := range []events.Position{7, 3} {
				r, l, a := restored(t, b, through)
				want := map[events.Position][]byte{}
				for raw, err := range w.log.ReadRaw(t.Context(), 1, through) {
					if err != nil {
						t.Fatal(err)
					}
					want[raw.Entry.At] = raw.Body
				}
				n := 0
				for raw, err := range l.ReadRaw(t.Context(), 1, 99) {
					if err != nil || !bytes.Equal(raw.Body, want[raw.Entry.At]) {
						t.Fatalf("entry %d: %v", n+1, err)
					}
					if err := a.Verify(t.Context(), raw.Entry.Archive); err != nil {
						t.Error(err)
					}
					n++
				}
				if n != int(through) || r.Position != through || r.Originals != int(through) {
					t.Errorf("restored %d entries, %+v; want %d", n, r, through)
				}
				bucket, err := l.Bucket(t.Context(), "feeds")
				if err != nil {
					t.Fatal(err)
				}
				if v, err := bucket.Get(t.Context(), "vet.state"); err != nil || string(v) != `{"v":1}` {
					t.Errorf("cursor: %s, %v", v, err)
				}
			}
			files, err := b.Files()
			if err != nil || len(files) != 2 {
				t.Errorf("config: %v, %v", files, err)
			}
		})
	}
}

// The checksums are what sha256sum of GNU coreutils reads.
func TestBackup_IsCheckedBySha256sum(t *testing.T) {
	if _, err := exec.LookPath("sha256sum"); err != nil {
		t.Skip("no sha256sum here")
	}
	w := newWorld(t)
	w.read(3)
	dir := t.TempDir()
	m := w.backup(dir)
	cmd := exec.Command("sha256sum", "-c", "--strict", m.State+"/"+sumsName)
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil || strings.Count(string(out), ": OK") != 3+1+1+1+2 {
		t.Errorf("%v\n%s", err, out) // three originals, entries, README, cursors, two files of the config
	}
}

func TestBackup_AddsWhatIsNew(t *testing.T) {
	w := newWorld(t)
	w.read(3)
	dir := t.TempDir()
	w.backup(dir)
	before := inodes(t, dir)
	w.read(2)
	m := w.backup(dir)
	if m.Position != 5 || m.Originals != 5 || len(m.Segments) != 2 {
		t.Errorf("manifest: %+v", m)
	}
	after := inodes(t, dir)
	for name, fi := range before {
		if strings.HasPrefix(name, "entries/") || strings.HasPrefix(name, "archive/") {
			if now := after[name]; now == nil || !os.SameFile(fi, now) {
				t.Errorf("%s was written again", name)
			}
		}
	}
	states := 0
	for name := range after {
		if strings.HasSuffix(name, sumsName) {
			states++
		}
	}
	if states != 1 {
		t.Errorf("%d states, want one", states)
	}
	r, _, _ := restored(t, check(t, dir), 0)
	if r.Position != 5 {
		t.Errorf("restored up to %d, want 5", r.Position)
	}
}

func inodes(t *testing.T, dir string) map[string]fs.FileInfo {
	t.Helper()
	out := map[string]fs.FileInfo{}
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			rel, _ := filepath.Rel(dir, p)
			out[filepath.ToSlash(rel)], err = d.Info()
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestBackup_RefusesAPlaceThatIsNotItsOwn(t *testing.T) {
	w, other := newWorld(t), newWorld(t)
	w.read(1)
	other.read(1)
	theirs, full, file := t.TempDir(), t.TempDir(), filepath.Join(t.TempDir(), "b.tar")
	other.backup(theirs)
	for _, name := range []string{filepath.Join(full, "photo.jpg"), file} {
		if err := os.WriteFile(name, []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, path := range []string{theirs, full, file} {
		if _, err := Write(t.Context(), w.options(path)); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%s: got %v, want invalid", path, err)
		}
	}
	check(t, theirs)
}

// After a restore to an older point a log goes another way. The backup of the
// way before must not be mixed with it.
func TestBackup_RefusesAnotherWayOfTheSameLog(t *testing.T) {
	w := newWorld(t)
	w.read(3)
	dir := t.TempDir()
	w.backup(dir)
	_, l, a := restored(t, check(t, dir), 2)
	back := &world{t: t, log: l, archive: a, values: Values{}}
	e := &events.Entry{Cause: events.CauseChunk, Source: "chute", Name: "another.csv"}
	if _, err := l.Append(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	if _, err := Write(t.Context(), back.options(dir)); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("got %v, want invalid", err)
	}
	check(t, dir)
}

// A bit in any file of a backup is found, and named.
func TestCheck_FindsABitAnywhere(t *testing.T) {
	w := newWorld(t)
	w.read(2)
	dir := t.TempDir()
	w.backup(dir)
	check(t, dir)
	for name := range inodes(t, dir) {
		path := filepath.Join(dir, filepath.FromSlash(name))
		was, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, at := range []int{0, len(was) / 2, len(was) - 2} {
			b := bytes.Clone(was)
			b[at] ^= 0x04
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
			back, err := Open(dir)
			if err == nil {
				err = errors.Join(back.Check(t.Context(), nil), back.Close())
			}
			if !errors.Is(err, events.ErrCorrupt) || !strings.Contains(fmt.Sprint(err), filepath.Base(name)) && name != manifestName {
				t.Errorf("bit in byte %d of %s: got %v", at, name, err)
			}
		}
		if err := os.WriteFile(path, was, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(path, path+".away"); err != nil {
			t.Fatal(err)
		}
		back, err := Open(dir)
		if err == nil {
			err = errors.Join(back.Check(t.Context(), nil), back.Close())
		}
		if err == nil {
			t.Errorf("%s is missing: not found", name)
		}
		if err := os.Rename(path+".away", path); err != nil {
			t.Fatal(err)
		}
	}
	check(t, dir)
}

// What of an archive is damaged is left out and named; the rest is whole.
func TestBackup_NamesOriginalsItCouldNotRead(t *testing.T) {
	w := newWorld(t)
	w.read(3)
	var hash string
	for e, err := range w.log.Read(t.Context(), 2) {
		if err != nil {
			t.Fatal(err)
		}
		hash = e.Archive
		break
	}
	path := w.archive.Path(hash)
	if err := errors.Join(os.Chmod(path, 0o600), os.WriteFile(path, []byte("other bytes"), 0o600)); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	m := w.backup(dir)
	if len(m.Missing) != 1 || m.Missing[0] != hash || m.Originals != 2 {
		t.Errorf("manifest: %+v", m)
	}
	r, _, _ := restored(t, check(t, dir), 0)
	if len(r.Missing) != 1 || r.Originals != 2 {
		t.Errorf("restored: %+v", r)
	}
}

// A tar file can hold anything under any name. What is no file of a backup is
// never read, so nothing is written outside the new folder.
func TestOpen_TakesNothingElseFromATar(t *testing.T) {
	w := newWorld(t)
	w.read(1)
	path := filepath.Join(t.TempDir(), "b.tar")
	w.backup(path)
	var evil bytes.Buffer
	out := tar.NewWriter(&evil)
	for _, h := range []*tar.Header{
		{Name: "../outside", Typeflag: tar.TypeReg, Mode: 0o600},
		{Name: "/etc/outside", Typeflag: tar.TypeReg, Mode: 0o600},
		{Name: "archive", Typeflag: tar.TypeSymlink, Linkname: "/etc"},
		{Name: "entries/device", Typeflag: tar.TypeChar},
	} {
		if err := out.WriteHeader(h); err != nil {
			t.Fatal(err)
		}
	}
	if err := out.Flush(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append(evil.Bytes(), whole...), 0o600); err != nil {
		t.Fatal(err)
	}
	restored(t, check(t, path), 0)
}

func TestManifest_NamesStayBelow(t *testing.T) {
	m := &Manifest{State: "state-000000000001-20260302T101112000000000Z"}
	for name, want := range map[string]bool{
		m.State + "/config/dewclaw.yaml": true, m.State + "/config/maps/a b.yaml": true, m.State + "/cursors.json": true,
		"archive/ab/ab" + strings.Repeat("0", 62): true, "README": true, "entries/000000000001-000000000002.ndjson": true,
		m.State + "/config/../../x": false, m.State + "/config//x": false, m.State + "/config/../x": false, "/etc/passwd": false, "../x": false,
		m.State + "/config/a\nb": false, m.State + "/config/C:x": false, `entries\x`: false, "archive/ab/cd" + strings.Repeat("0", 62): false,
		m.State + "/config/\x00": false, m.State: false, "": false, "manifest.json": false,
	} {
		if got := m.belongs(name); got != want {
			t.Errorf("%q: got %t, want %t", name, got, want)
		}
	}
}
