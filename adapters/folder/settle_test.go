package folder

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
)

func TestSettle_KeepsMovesOrDeletesAfterTheCommitOnly(t *testing.T) {
	t.Parallel()
	for _, after := range []After{Keep, Move, Delete} {
		t.Run([]string{"keep", "move", "delete"}[after], func(t *testing.T) {
			done := t.TempDir()
			b := newBench(t, Options{After: after, MoveTo: done})
			b.write("rows.csv", "1\n")
			modified := mtime(t, filepath.Join(b.dir, "rows.csv"))
			d := b.next()
			if got := b.files(b.dir); !slices.Equal(got, []string{"rows.csv"}) {
				t.Fatalf("before it is settled: %q", got)
			}
			settle(t, d, adapters.NotTaken)
			if got := b.files(b.dir); !slices.Equal(got, []string{"rows.csv"}) {
				t.Fatalf("not taken: %q", got)
			}
			b.take("rows.csv", "1\n")
			var here, there []string
			switch after {
			case Keep:
				here = []string{"rows.csv"}
			case Move:
				there = []string{"rows.csv"}
				if got := mtime(t, filepath.Join(done, "rows.csv")); !got.Equal(modified) {
					t.Errorf("time of change %v, was %v", got, modified)
				}
			}
			if got := b.files(b.dir); !slices.Equal(got, here) {
				t.Errorf("in the folder %q, want %q", got, here)
			}
			if got := b.files(done); !slices.Equal(got, there) {
				t.Errorf("moved %q, want %q", got, there)
			}
			if _, err := os.Stat(filepath.Join(b.dir, asideName)); !errors.Is(err, os.ErrNotExist) {
				t.Errorf("%s is left: %v", asideName, err)
			}
			b.nothing()
		})
	}
}

func mtime(t *testing.T, name string) time.Time {
	t.Helper()
	fi, err := os.Stat(name)
	if err != nil {
		t.Fatal(err)
	}
	return fi.ModTime()
}

func TestSettle_NeverMovesOverAFile(t *testing.T) {
	t.Parallel()
	done := t.TempDir()
	b := newBench(t, Options{After: Move, MoveTo: done})
	for _, body := range []string{"first", "second", "third"} {
		b.write("rows.csv.gz", body)
		b.take("rows.csv.gz", body)
		b.write(".x", "") // a name that begins with its point is never taken
	}
	for name, want := range map[string]string{"rows.csv.gz": "first", "rows-2.csv.gz": "second", "rows-3.csv.gz": "third"} {
		if got, err := os.ReadFile(filepath.Join(done, name)); err != nil || string(got) != want {
			t.Errorf("%s = %q, %v; want %q", name, got, err, want)
		}
	}
}

func TestNumbered(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		base string
		n    int
		want string
	}{{"a.csv", 1, "a.csv"}, {"a.csv", 2, "a-2.csv"}, {"a.csv.gz", 10, "a-10.csv.gz"}, {"a", 3, "a-3"}, {".a.csv", 2, ".a-2.csv"}} {
		if got := numbered(tt.base, tt.n); got != tt.want {
			t.Errorf("numbered(%q, %d) = %q, want %q", tt.base, tt.n, got, tt.want)
		}
	}
}

func TestSettle_DoesNotTouchAFileThatTookThePlace(t *testing.T) {
	t.Parallel()
	for _, after := range []After{Move, Delete} {
		done := t.TempDir()
		b := newBench(t, Options{After: after, MoveTo: done})
		b.write("rows.csv", "old")
		d := b.next()
		b.write("rows.csv.tmp", "new")
		must(t, os.Rename(filepath.Join(b.dir, "rows.csv.tmp"), filepath.Join(b.dir, "rows.csv")))
		settle(t, d, adapters.Taken)
		if got := b.files(done); len(got) != 0 {
			t.Errorf("moved unread: %q", got)
		}
		b.take("rows.csv", "new")
		if got := b.files(b.dir); len(got) != 0 {
			t.Errorf("left: %q", got)
		}
	}
}

// The moment between the look at a file and its removal is the one in which a
// file could be lost unread: what was set aside is looked at again.
func TestFinish_PutsBackWhatShouldNotHaveBeenSetAside(t *testing.T) {
	t.Parallel()
	for _, after := range []After{Move, Delete} {
		b := newBench(t, Options{After: after, MoveTo: t.TempDir()})
		root, err := os.OpenRoot(b.dir)
		if err != nil {
			t.Fatal(err)
		}
		defer root.Close()
		b.write("rows.csv", "taken")
		fi, err := root.Lstat("rows.csv")
		if err != nil {
			t.Fatal(err)
		}
		must(t, os.Mkdir(filepath.Join(b.dir, asideName), 0o700))
		b.write(filepath.Join(asideName, "rows.csv"), "replaced a moment ago")
		must(t, b.finish(t.Context(), place{root, asideName, "rows.csv"}, place{root, ".", "rows.csv"}, nil, stateOf(fi)))
		if got := b.files(b.dir); !slices.Equal(got, []string{"rows-2.csv", "rows.csv"}) {
			t.Errorf("in the folder: %q, want both files", got)
		}
		if got, _ := os.ReadFile(filepath.Join(b.dir, "rows-2.csv")); string(got) != "replaced a moment ago" {
			t.Errorf("put back: %q", got)
		}
	}
}

func TestSource_PutsBackWhatACrashLeftAside(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{After: Delete})
	must(t, os.Mkdir(filepath.Join(b.dir, asideName), 0o700))
	b.write(filepath.Join(asideName, "rows.csv"), "from before")
	b.write(filepath.Join(asideName, "both.csv"), "older")
	b.write("both.csv", "newer")
	got := map[string]string{}
	for range 3 {
		d := b.next()
		got[d.Name] = body(t, d)
		settle(t, d, adapters.Taken)
	}
	if got["rows.csv"] != "from before" || got["both.csv"] != "newer" || got["both-2.csv"] != "older" {
		t.Errorf("got %q", got)
	}
	b.nothing()
	if left := b.files(b.dir); len(left) != 0 {
		t.Errorf("left: %q", left)
	}
}

func TestSettle_TriesAFailedMoveAgainWithoutReading(t *testing.T) {
	t.Parallel()
	done := filepath.Join(t.TempDir(), "done")
	b := newBench(t, Options{After: Move, MoveTo: done})
	b.write("rows.csv", "1\n")
	d := b.next()
	err := d.Settle(t.Context(), adapters.Taken)
	if !errors.Is(err, events.ErrUnavailable) || !strings.HasPrefix(err.Error(), "source chute: rows.csv: move to "+done) {
		t.Fatalf("err = %v, want unavailable and what was to be done", err)
	}
	b.nothing()
	if said := b.reports(); len(said) != 1 {
		t.Errorf("reported %q, want the failed move once", said)
	}
	must(t, os.Mkdir(done, 0o700))
	b.nothing() // not read again
	if got := b.files(done); !slices.Equal(got, []string{"rows.csv"}) {
		t.Errorf("moved %q, want rows.csv", got)
	}
}

func TestSource_MovesKnownFilesWithoutReading(t *testing.T) {
	t.Parallel()
	done := t.TempDir()
	b := newBench(t, Options{After: Move, MoveTo: done, Known: func(f File) bool { return f.Name == "known.csv" }})
	b.write("known.csv", "known")
	b.write("new.csv", "new")
	b.take("new.csv", "new")
	b.nothing()
	if got := b.files(done); !slices.Equal(got, []string{"known.csv", "new.csv"}) {
		t.Errorf("moved %q, want both", got)
	}
}

func TestSource_ReadsKnownFilesBeforeItDeletesThem(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{After: Delete, Known: func(File) bool { return true }})
	b.write("known.csv", "known")
	b.take("known.csv", "known")
	if got := b.files(b.dir); len(got) != 0 {
		t.Errorf("left: %q", got)
	}
}

func TestSettle_MovesAcrossFileSystems(t *testing.T) {
	t.Parallel()
	other, err := os.MkdirTemp("/dev/shm", "done")
	if err != nil {
		t.Skip("there is no second file system to move to: ", err)
	}
	defer os.RemoveAll(other)
	b := newBench(t, Options{After: Move, MoveTo: other})
	if device(t, other) == device(t, b.dir) {
		t.Skip("/dev/shm is on the file system of the temporary files")
	}
	writeFile(t, filepath.Join(other, "rows.csv"), "there before")
	b.write("rows.csv", strings.Repeat("0123456789abcdef", 1<<16))
	modified := mtime(t, filepath.Join(b.dir, "rows.csv"))
	b.take("rows.csv", strings.Repeat("0123456789abcdef", 1<<16))
	if got := b.files(other); !slices.Equal(got, []string{"rows-2.csv", "rows.csv"}) {
		t.Errorf("moved %q", got)
	}
	if got := b.files(b.dir); len(got) != 0 {
		t.Errorf("left: %q", got)
	}
	moved, err := os.ReadFile(filepath.Join(other, "rows-2.csv"))
	if err != nil || string(moved) != strings.Repeat("0123456789abcdef", 1<<16) {
		t.Errorf("%d bytes, %v", len(moved), err)
	}
	if got := mtime(t, filepath.Join(other, "rows-2.csv")); !got.Equal(modified) {
		t.Errorf("time of change %v, was %v", got, modified)
	}

	b.write("stopped.csv", "x")
	d := b.next()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := d.Settle(ctx, adapters.Taken); !errors.Is(err, context.Canceled) {
		t.Errorf("err = %v, want canceled", err)
	}
	if got := b.files(b.dir); !slices.Equal(got, []string{"stopped.csv"}) {
		t.Errorf("in the folder: %q, want the file in its place", got)
	}
	if got := b.files(other); len(got) != 2 {
		t.Errorf("half a copy is left: %q", got)
	}
}

func device(t *testing.T, name string) uint64 {
	t.Helper()
	var st syscall.Stat_t
	if err := syscall.Stat(name, &st); err != nil {
		t.Fatal(err)
	}
	return uint64(st.Dev)
}

func TestRenameReserved_NeverRenamesOverAFile(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	writeFile(t, filepath.Join(dir, "a"), "a")
	writeFile(t, filepath.Join(dir, "b"), "b")
	at := func(base string) place { return place{root, ".", base} }
	if err := renameReserved(at("a"), at("b")); !errors.Is(err, os.ErrExist) {
		t.Errorf("err = %v, want that the name is taken", err)
	}
	must(t, renameReserved(at("a"), at("c")))
	if err := renameReserved(at("none"), at("d")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("err = %v, want that there is none", err)
	}
	entries, _ := os.ReadDir(dir)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	if !slices.Equal(names, []string{"b", "c"}) {
		t.Errorf("left %q", names)
	}
}
