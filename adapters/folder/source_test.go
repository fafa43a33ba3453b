package folder

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/fsnotify/fsnotify"
	"github.com/google/go-cmp/cmp"
)

func TestOpen_RefusesOptionsThatMakeNoSense(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	tests := []struct {
		name string
		o    Options
		says string
	}{
		{"no folder", Options{}, "folder: wanted a path"},
		{"bad glob", Options{Dir: dir, Patterns: []string{"[a"}}, `"[a"`},
		{"negative rest", Options{Dir: dir, Rest: -1}, "-1ns"},
		{"move to nowhere", Options{Dir: dir, After: Move}, "move to"},
		{"move to itself", Options{Dir: dir, After: Move, MoveTo: dir + "/."}, "another folder"},
		{"unknown after", Options{Dir: dir, After: 9}, "keep, move or delete"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.Who = "source chute"
			_, err := Open(tt.o)
			if !errors.Is(err, events.ErrInvalid) || !strings.HasPrefix(err.Error(), "source chute: ") || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("err = %v, want invalid and %q", err, tt.says)
			}
		})
	}
}

// A clock goes only when it is told to.
type clock struct{ now time.Time }

func (c *clock) Now() time.Time { return c.now }

func TestSource_TakesAFileOnlyWhenItRests(t *testing.T) {
	t.Parallel()
	c := &clock{time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC)}
	b := newBench(t, Options{Rest: 10 * time.Second, Scan: 25 * time.Second, Now: c.Now})
	want := ""
	for i := range 40 { // a write every 9 s
		want += fmt.Sprintln("row", i)
		b.write("rows.csv", want)
		if d, _, err := b.step(); d != nil || err != nil {
			t.Fatalf("after %d of 40 writes: %+v, %v", i+1, d, err)
		}
		c.now = c.now.Add(9 * time.Second)
	}
	// The last look at a change may have been a rest ago, and it takes one more.
	for range 2 {
		if d, _, err := b.step(); d != nil || err != nil {
			t.Fatalf("before it rests: %+v, %v", d, err)
		}
		c.now = c.now.Add(5 * time.Second)
	}
	var d *adapters.Delivery
	for i := 0; d == nil && i < 3; i++ {
		d, _, _ = b.step()
		c.now = c.now.Add(5 * time.Second)
	}
	if d == nil || body(t, d) != want {
		t.Fatalf("got %+v, want all of the file", d)
	}
	if !d.Received.After(time.Date(2026, 3, 4, 8, 6, 0, 0, time.UTC)) {
		t.Errorf("received %v", d.Received)
	}
}

func TestSource_TakesARenamedFileAtOnce(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{Rest: time.Hour, Scan: time.Hour})
	b.nothing() // the watch stands
	b.write(".rows.csv.tmp", "all of it")
	b.nothing() // the passing name was seen
	if err := os.Rename(filepath.Join(b.dir, ".rows.csv.tmp"), filepath.Join(b.dir, "rows.csv")); err != nil {
		t.Fatal(err)
	}
	b.take("rows.csv", "all of it")
}

// An inode is given out again as soon as its file is gone: that alone must not
// make a new file look finished.
func TestWatcher_TellsARenameFromAReusedInode(t *testing.T) {
	t.Parallel()
	const ino = 55
	tests := []struct {
		name string
		see  func(w *watcher) bool
		want bool
	}{
		{"renamed", func(w *watcher) bool {
			w.sawPassing("a.tmp", fsnotify.Create, ino)
			w.sawPassing("a.tmp", fsnotify.Write, ino)
			w.sawPassing("a.tmp", fsnotify.Rename, 0)
			return w.sawFile(fsnotify.Create, ino)
		}, true},
		{"deleted, inode reused", func(w *watcher) bool {
			w.sawPassing("a.tmp", fsnotify.Create, ino)
			w.sawPassing("a.tmp", fsnotify.Remove, 0)
			return w.sawFile(fsnotify.Create, ino)
		}, false},
		{"moved out of the folder, inode reused later", func(w *watcher) bool {
			w.sawPassing("a.tmp", fsnotify.Create, ino)
			w.sawPassing("a.tmp", fsnotify.Rename, 0)
			w.sawFile(fsnotify.Write, 7)
			return w.sawFile(fsnotify.Create, ino)
		}, false},
		{"never seen under its passing name", func(w *watcher) bool {
			w.sawPassing("a.tmp", fsnotify.Rename, 0)
			return w.sawFile(fsnotify.Create, ino)
		}, false},
		{"written to", func(w *watcher) bool {
			w.sawPassing("a.tmp", fsnotify.Create, ino)
			w.sawPassing("a.tmp", fsnotify.Rename, 0)
			return w.sawFile(fsnotify.Write, ino)
		}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := tt.see(&watcher{passing: map[string]uint64{}}); got != tt.want {
				t.Errorf("renamed = %v, want %v", got, tt.want)
			}
		})
	}
	w := &watcher{passing: map[string]uint64{}}
	for i := range 3 * maxPassing {
		w.sawPassing(fmt.Sprint(i, ".tmp"), fsnotify.Create, uint64(i+1))
	}
	if len(w.passing) > maxPassing {
		t.Errorf("%d passing names are remembered", len(w.passing))
	}
}

func TestSource_WorksWithoutNotices(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{})
	b.notices = func(string) (*watcher, error) { return nil, syscall.EMFILE }
	b.write("a.csv", "a")
	b.take("a.csv", "a")
	b.write("b.csv", "b")
	b.take("b.csv", "b")
	b.nothing()
	if said := b.reports(); len(said) != 1 || !strings.Contains(said[0], "gives no notices") {
		t.Errorf("reported %q, want once that there are no notices", said)
	}
}

func TestSource_WorksWhenNoWatchIsLeft(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{})
	b.notices = func(dir string) (*watcher, error) {
		w, err := newWatcher(filepath.Join(dir, "none"))
		return w, err // adding a watch fails, each time
	}
	b.write("a.csv", "a")
	b.take("a.csv", "a")
	b.write("b.csv", "b")
	b.take("b.csv", "b")
	if said := b.reports(); len(said) != 1 || !strings.Contains(said[0], "gives no notices") {
		t.Errorf("reported %q, want once that there are no notices", said)
	}
}

func TestSource_ScansWhenNoticesWereLost(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{Scan: time.Hour})
	b.notices = func(string) (*watcher, error) { return nil, nil }
	b.write("a.csv", "a")
	b.take("a.csv", "a")
	b.write("b.csv", "b")
	b.nothing() // nobody told, and no scan is due
	b.trouble(fsnotify.ErrEventOverflow, true)
	b.take("b.csv", "b")
	if said := b.reports(); len(said) != 0 {
		t.Errorf("reported %q", said)
	}
}

func TestSource_TakesEachOriginal(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{})
	b.write("rows.csv", "1\n")
	b.take("rows.csv", "1\n")
	b.nothing()

	f, err := os.OpenFile(filepath.Join(b.dir, "rows.csv"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("2\n"); err != nil {
		t.Fatal(err)
	}
	f.Close()
	b.take("rows.csv", "1\n2\n") // appended to

	b.write("rows.csv", "3\n4\n")
	b.take("rows.csv", "3\n4\n") // written over
	b.write("new.csv", "5\n6\n")
	if err := os.Rename(filepath.Join(b.dir, "new.csv"), filepath.Join(b.dir, "rows.csv")); err != nil {
		t.Fatal(err)
	}
	b.take("rows.csv", "5\n6\n") // replaced

	b.write("copy.csv", "5\n6\n")
	b.take("copy.csv", "5\n6\n") // the same bytes under another name
	b.write("empty.csv", "")
	b.take("empty.csv", "")
	b.nothing()
}

func TestSource_IsOfASameSizedFileWithAnOldTimeToo(t *testing.T) {
	t.Parallel()
	if inodeOf(t, t.TempDir()) == 0 {
		t.Skip("there are no inodes here, by which alone this can be seen")
	}
	b := newBench(t, Options{})
	b.write("rows.csv", "1\n")
	b.take("rows.csv", "1\n")
	old, err := os.Stat(filepath.Join(b.dir, "rows.csv"))
	if err != nil {
		t.Fatal(err)
	}
	b.write(".new", "2\n")
	name := filepath.Join(b.dir, ".new")
	if err := errors.Join(os.Chtimes(name, old.ModTime(), old.ModTime()), os.Rename(name, filepath.Join(b.dir, "rows.csv"))); err != nil {
		t.Fatal(err)
	}
	b.take("rows.csv", "2\n")
}

func inodeOf(t *testing.T, name string) uint64 {
	t.Helper()
	fi, err := os.Stat(name)
	if err != nil {
		t.Fatal(err)
	}
	return inode(fi)
}

func TestSource_WhatHappensWhileAFileIsRead(t *testing.T) {
	t.Parallel()
	large := strings.Repeat("0123456789abcdef", 1<<12)
	tests := []struct {
		name   string
		before bool // before it is opened, or after half was read
		do     func(t *testing.T, name string)
		whole  bool   // what is read is whole
		again  string // what is handed over afterwards, "" for nothing
	}{
		{"deleted before", true, remove, false, ""},
		{"deleted while", false, remove, true, ""},
		{"renamed while", false, func(t *testing.T, name string) { must(t, os.Rename(name, filepath.Dir(name)+"/.away")) }, true, ""},
		{"replaced while", false, func(t *testing.T, name string) {
			writeFile(t, name+".tmp", "other")
			must(t, os.Rename(name+".tmp", name))
		}, true, "other"},
		{"replaced before", true, func(t *testing.T, name string) {
			writeFile(t, name+".tmp", "other")
			must(t, os.Rename(name+".tmp", name))
		}, false, "other"},
		{"appended to while", false, func(t *testing.T, name string) { writeFile(t, name, large+"x") }, false, large + "x"},
		{"cut while", false, func(t *testing.T, name string) { must(t, os.Truncate(name, 5)) }, false, large[:5]},
		{"written over while", false, func(t *testing.T, name string) { writeFile(t, name, strings.ToUpper(large)) }, false, strings.ToUpper(large)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t, Options{})
			b.write("rows.csv", large)
			d := b.next()
			name := filepath.Join(b.dir, "rows.csv")
			if tt.before {
				tt.do(t, name)
			}
			r, err := d.Open(t.Context())
			if err == nil {
				defer r.Close()
				half := make([]byte, len(large)/2)
				if _, err = io.ReadFull(r, half); err == nil {
					tt.do(t, name)
					var more []byte
					more, err = io.ReadAll(r)
					if got := string(half) + string(more); err == nil && got != large {
						t.Errorf("read %d bytes that are not what was handed over, without an error", len(got))
					}
				}
			}
			if tt.whole != (err == nil) || err != nil && !errors.Is(err, events.ErrUnavailable) {
				t.Errorf("err = %v, want whole %v", err, tt.whole)
			}
			if err == nil {
				settle(t, d, adapters.Taken)
			} else {
				settle(t, d, adapters.NotTaken)
			}
			if tt.again == "" {
				b.nothing()
			} else {
				b.take("rows.csv", tt.again)
			}
		})
	}
}

func remove(t *testing.T, name string) { t.Helper(); must(t, os.Remove(name)) }

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestSource_HandsOverAgainWhatWasNotTaken(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{})
	b.write("rows.csv", "1\n")
	for range 3 {
		d := b.next()
		settle(t, d, adapters.NotTaken)
		settle(t, d, adapters.Taken) // only the first one counts
	}
	b.take("rows.csv", "1\n")
	b.nothing()
}

func TestSource_DoesNotHandOverAFileTwiceAtATime(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{})
	b.write("rows.csv", "1\n")
	d := b.next()
	b.nothing()
	if got := body(t, d) + body(t, d); got != "1\n1\n" {
		t.Errorf("opened twice: %q", got)
	}
	settle(t, d, adapters.Taken)
	b.nothing()
}

func TestSource_SaysOnceThatAFileCannotBeRead(t *testing.T) {
	t.Parallel()
	if asNobody(t) {
		return
	}
	b := newBench(t, Options{})
	b.write("closed.csv", "closed")
	b.write("open.csv", "open")
	must(t, os.Chmod(filepath.Join(b.dir, "closed.csv"), 0))
	b.take("open.csv", "open")
	b.nothing()
	b.nothing()
	said := b.reports()
	if len(said) != 1 || !strings.HasPrefix(said[0], "source chute: closed.csv: cannot be read") || !strings.Contains(said[0], "permission denied") {
		t.Errorf("reported %q, want closed.csv once", said)
	}
	must(t, os.Chmod(filepath.Join(b.dir, "closed.csv"), 0o600))
	b.take("closed.csv", "closed")
}

func TestSource_DoesNotOpenWhatIsNotAFile(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{})
	outside := t.TempDir()
	writeFile(t, filepath.Join(outside, "secret.csv"), "secret")
	at := func(name string) string { return filepath.Join(b.dir, name) }
	must(t, errors.Join(
		os.Symlink(filepath.Join(outside, "secret.csv"), at("out.csv")),
		os.Symlink("../"+filepath.Base(outside)+"/secret.csv", at("up.csv")),
		os.Symlink(outside, at("folder.csv")),
		os.Symlink("nothing", at("broken.csv")),
		os.Symlink("rows.csv", at("inside.csv")),
		os.Mkdir(at("pens"), 0o700),
		syscall.Mkfifo(at("pipe.csv"), 0o600),
	))
	b.write("rows.csv", "1\n")
	b.take("rows.csv", "1\n")
	b.nothing()
	b.nothing()
	said := b.reports()
	slices.Sort(said)
	want := []string{
		"source chute: broken.csv: not taken: wanted a file, got a symlink",
		"source chute: folder.csv: not taken: wanted a file, got a symlink",
		"source chute: inside.csv: not taken: wanted a file, got a symlink",
		"source chute: out.csv: not taken: wanted a file, got a symlink",
		"source chute: pens: not taken: wanted a file, got a folder",
		"source chute: pipe.csv: not taken: wanted a file, got a pipe",
		"source chute: up.csv: not taken: wanted a file, got a symlink",
	}
	if diff := cmp.Diff(want, said); diff != "" {
		t.Errorf("reported, each once (-want +got):\n%s", diff)
	}
}

// A file that turns into a symlink or a pipe between the look and the opening is
// not followed and not waited for.
func TestDelivery_DoesNotFollowWhatTookThePlaceOfAFile(t *testing.T) {
	t.Parallel()
	for name, swap := range map[string]func(name, secret string) error{
		"symlink": func(name, secret string) error { return os.Symlink(secret, name) },
		"pipe":    func(name, _ string) error { return syscall.Mkfifo(name, 0o600) },
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, Options{})
			secret := filepath.Join(t.TempDir(), "secret")
			writeFile(t, secret, "1\n")
			b.write("rows.csv", "1\n")
			d := b.next()
			must(t, errors.Join(os.Remove(filepath.Join(b.dir, "rows.csv")), swap(filepath.Join(b.dir, "rows.csv"), secret)))
			if r, err := d.Open(t.Context()); !errors.Is(err, events.ErrUnavailable) {
				t.Errorf("Open = %v, %v; want unavailable", r, err)
			}
		})
	}
}

func TestSource_TakesOddNames(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("x", 251) + ".csv"
	tests := []struct{ file, want string }{
		{"a b.csv", "a b.csv"},
		{"Kühe ü.csv", "Kühe ü.csv"},
		{"a\nb.csv", `"a\nb.csv"`},
		{"\x1b[31mred.csv", `"\x1b[31mred.csv"`},
		{"latin-\xfc.csv", `"latin-\xfc.csv"`},
		{`"quoted".csv`, `"\"quoted\".csv"`},
		{"\u202egpj.csv", `"\u202egpj.csv"`},
		{"CON.csv", "CON.csv"},
		{"nul", "nul"},
		{"trailing space ", "trailing space "},
		{"a:b|c?.csv", "a:b|c?.csv"},
		{"-rf", "-rf"},
		{`back\slash.csv`, `back\slash.csv`},
		{long, long},
	}
	for _, tt := range tests {
		t.Run(tt.want[:min(20, len(tt.want))], func(t *testing.T) {
			done := t.TempDir()
			b := newBench(t, Options{After: Move, MoveTo: done})
			b.write(tt.file, "x")
			b.take(tt.want, "x")
			if got := b.files(done); !slices.Equal(got, []string{tt.file}) {
				t.Errorf("moved to %q", got)
			}
		})
	}
}

func TestSource_IgnoresPassingNamesAndOtherPatterns(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{Patterns: []string{"*.csv", "visits-????.json"}})
	for _, name := range []string{
		".hidden.csv", "rows.csv.tmp", "rows.csv.part", "rows.csv.PARTIAL", "rows.csv~", "~$rows.csv", "~rows.csv",
		".rows.csv.swp", "rows.temp", "rows.txt", "visits-1.json", "csv",
	} {
		b.write(name, name)
	}
	b.write("visits-2026.json", "json")
	b.take("visits-2026.json", "json")
	b.write("ROWS.CSV", "upper case")
	b.take("ROWS.CSV", "upper case")
	b.nothing()
	if said := b.reports(); len(said) != 0 {
		t.Errorf("reported %q", said)
	}
}

func TestSource_HandsOverByTimeThenName(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{})
	at := time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC)
	for i, name := range []string{"c", "a", "b", "z", "y"} {
		b.write(name, name)
		when := at.Add(-time.Duration(i/3) * time.Hour) // c a b at one time, z y an hour earlier
		must(t, os.Chtimes(filepath.Join(b.dir, name), when, when))
	}
	var got []string
	for range 5 {
		d := b.next()
		got = append(got, d.Name)
		settle(t, d, adapters.Taken)
	}
	if want := []string{"y", "z", "a", "b", "c"}; !slices.Equal(got, want) {
		t.Errorf("order %v, want %v", got, want)
	}
}

func TestSource_ReadsFoldersInsideIfTold(t *testing.T) {
	t.Parallel()
	const done = "done"
	dir := t.TempDir()
	b := newBench(t, Options{
		Dir: dir, Recursive: true, Patterns: []string{"*.csv", "pens/*.txt"}, After: Move, MoveTo: filepath.Join(dir, done),
	})
	must(t, os.MkdirAll(filepath.Join(b.dir, "pens", "north"), 0o700))
	must(t, os.MkdirAll(filepath.Join(b.dir, done), 0o700))
	must(t, os.MkdirAll(filepath.Join(b.dir, ".git"), 0o700))
	b.write("pens/north/a.csv", "a")
	b.write("pens/b.txt", "b")
	b.write("c.txt", "not wanted")
	b.write(".git/d.csv", "hidden")
	b.write("done/e.csv", "taken long ago")
	at := time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC)
	must(t, os.Chtimes(filepath.Join(dir, "pens", "north", "a.csv"), at, at))
	b.take("pens/north/a.csv", "a")
	b.take("pens/b.txt", "b")
	must(t, os.MkdirAll(filepath.Join(b.dir, "new", "deep"), 0o700))
	b.write("new/deep/f.csv", "f")
	b.take("new/deep/f.csv", "f")
	b.nothing()
	got := b.files(filepath.Join(b.dir, done))
	if want := []string{"e.csv", "new/deep/f.csv", "pens/b.txt", "pens/north/a.csv"}; !slices.Equal(got, want) {
		t.Errorf("moved to %q, want %q", got, want)
	}
}

func TestSource_WaitsForAFolderThatIsAway(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "in")
	b := newBench(t, Options{Dir: dir})
	for range 2 {
		_, err := b.tryNext(patience)
		if !errors.Is(err, events.ErrUnavailable) || !strings.Contains(err.Error(), dir) {
			t.Fatalf("err = %v, want unavailable and the folder", err)
		}
	}
	must(t, os.Mkdir(dir, 0o700))
	b.write("a.csv", "a")
	b.take("a.csv", "a")

	must(t, os.Rename(dir, dir+"-away"))
	for {
		_, err := b.tryNext(patience)
		if errors.Is(err, events.ErrUnavailable) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	must(t, os.Rename(dir+"-away", dir))
	b.write("b.csv", "b")
	b.take("b.csv", "b")
	b.nothing() // a.csv is still known

	must(t, os.Rename(dir, dir+"-old")) // another folder takes its place
	must(t, os.Mkdir(dir, 0o700))
	b.write("c.csv", "c")
	d, err := b.tryNext(patience)
	for errors.Is(err, events.ErrUnavailable) {
		d, err = b.tryNext(patience)
	}
	if err != nil || d.Name != "c.csv" || body(t, d) != "c" {
		t.Errorf("Next = %+v, %v; want c.csv", d, err)
	}
	writeFile(t, dir+"-x", "")
	must(t, errors.Join(os.RemoveAll(dir), os.Rename(dir+"-x", dir)))
	for {
		_, err := b.tryNext(patience)
		if errors.Is(err, events.ErrUnavailable) && strings.Contains(err.Error(), "not a folder") {
			break
		}
		if !errors.Is(err, events.ErrUnavailable) {
			t.Fatalf("err = %v, want that it is not a folder", err)
		}
	}
}

func TestSource_AsksWhatIsKnown(t *testing.T) {
	t.Parallel()
	var asked []File
	o := Options{Known: func(f File) bool {
		asked = append(asked, f)
		return f.Name == "known.csv" && f.Size == 5
	}}
	b := newBench(t, o)
	b.write("known.csv", "known")
	b.write("new.csv", "new")
	b.take("new.csv", "new")
	b.nothing()
	n := len(asked)
	if n != 2 {
		t.Errorf("asked %+v, want each file once", asked)
	}
	b.write("known.csv", "known and more")
	b.take("known.csv", "known and more")
	b.nothing()
	if len(asked) != n+1 {
		t.Errorf("asked again: %+v", asked[n:])
	}
}

func TestSource_OnceEnds(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{Once: true})
	b.write("a.csv", "a")
	b.write("b.csv", "b")
	d := b.next()
	settle(t, d, adapters.NotTaken)
	b.take("b.csv", "b")
	for range 2 {
		if _, err := b.tryNext(patience); err != io.EOF {
			t.Fatalf("err = %v, want io.EOF", err)
		}
	}
	empty := newBench(t, Options{Once: true})
	if _, err := empty.tryNext(patience); err != io.EOF {
		t.Errorf("an empty folder: %v, want io.EOF", err)
	}
	away := newBench(t, Options{Once: true, Dir: filepath.Join(t.TempDir(), "none")})
	if _, err := away.tryNext(patience); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("a folder that is away: %v, want unavailable", err)
	}
}

func TestSource_OnceLeavesAFileThatGoesOnGrowing(t *testing.T) {
	t.Parallel()
	c := &clock{time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC)}
	b := newBench(t, Options{Once: true, Rest: 10 * time.Second, Now: c.Now})
	b.write("rests.csv", "r")
	var taken []string
	text := ""
	for range 100 {
		text += "x"
		b.write("grows.csv", text)
		d, _, err := b.step()
		if d != nil {
			taken = append(taken, d.Name)
			settle(t, d, adapters.Taken)
		}
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		c.now = c.now.Add(9 * time.Second)
	}
	if waited := c.now.Sub(time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC)); waited < 100*time.Second || waited > 150*time.Second {
		t.Errorf("waited %v for a file that grows, want about ten times 10 s", waited)
	}
	if !slices.Equal(taken, []string{"rests.csv"}) {
		t.Errorf("took %q, want rests.csv", taken)
	}
	if said := b.reports(); len(said) != 1 || !strings.Contains(said[0], "grows.csv: still growing") {
		t.Errorf("reported %q, want that grows.csv is growing", said)
	}
}

func TestSource_EndsWithItsContext(t *testing.T) {
	t.Parallel()
	b := newBench(t, Options{})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := b.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("err = %v, want canceled", err)
	}
	b.write("a.csv", "a")
	d := b.next()
	if _, err := d.Open(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("Open: %v, want canceled", err)
	}
	must(t, b.Close())
	if _, err := d.Open(t.Context()); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("Open after Close: %v, want unavailable", err)
	}
}
