package streamlog

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/minio/highwayhash"

	"dewclaw/events"
)

// The damaged log has three blocks: entries 1 to 4, 5 to 8 and 9 to 12. Number
// 4, 5 and 9 are big, so that the server begins a block for the next big one.
const (
	damagedEntries = 12
	bigEntry       = 41 << 17 // more than half of a block of 8 MiB
)

// A wreck is a log folder to be damaged.
type wreck struct {
	t   *testing.T
	dir string
}

// makeWreck writes the log once; each test damages a copy.
func makeWreck(t *testing.T) string {
	dir := t.TempDir()
	l := open(t, Options{Dir: dir, Logger: testLogger(t)})
	for i := 1; i <= damagedEntries; i++ {
		e := entry(fmt.Sprintf("source-%d", i), 2, 100)
		if i == 4 || i == 5 || i == 9 {
			e = entry(fmt.Sprintf("source-%d", i), 1, bigEntry)
		}
		mustAppend(t, l, e)
	}
	b, err := l.Bucket(t.Context(), "cursors")
	if err != nil {
		t.Fatal(err)
	}
	for i := range 5 {
		if err := b.Put(t.Context(), fmt.Sprint("feed-", i%3), fmt.Append(nil, i)); err != nil {
			t.Fatal(err)
		}
	}
	shut(t, l)
	return dir
}

// msgs is the folder of the log's blocks.
func (w wreck) msgs() string {
	w.t.Helper()
	found, err := filepath.Glob(filepath.Join(w.dir, "jetstream", "$G", "streams", streamPrefix+"*", "msgs"))
	if err != nil || len(found) != 1 {
		w.t.Fatalf("streams: got %v %v, want one", found, err)
	}
	return found[0]
}

func (w wreck) block(n int) string { return filepath.Join(w.msgs(), fmt.Sprint(n, ".blk")) }

// copyWreck copies a log folder. Blocks are linked: edit replaces whole files.
func copyWreck(t *testing.T, whole string) wreck {
	t.Helper()
	w := wreck{t, filepath.Join(t.TempDir(), "log")}
	err := filepath.WalkDir(whole, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(whole, name)
		if err != nil {
			return err
		}
		to := filepath.Join(w.dir, rel)
		switch {
		case d.IsDir():
			return os.MkdirAll(to, 0o750)
		case strings.HasSuffix(name, blockSuffix):
			return os.Link(name, to)
		}
		b, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		return os.WriteFile(to, b, 0o640)
	})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// edit replaces a file by a changed one.
func (w wreck) edit(name string, change func([]byte) []byte) {
	w.t.Helper()
	b, err := os.ReadFile(name)
	if err == nil {
		err = os.WriteFile(name+".edited", change(b), 0o640)
	}
	if err == nil {
		err = os.Rename(name+".edited", name)
	}
	if err != nil {
		w.t.Fatal(err)
	}
}

// record finds the record of an entry in the bytes of a block by what must
// stand in it, not by the layout of the block: its start, its body, its end.
func recordOf(t *testing.T, b []byte, pos int) (start, body, end int) {
	t.Helper()
	i := bytes.Index(b, fmt.Appendf(nil, `"source":"source-%d"`, pos))
	if i < 0 {
		t.Fatalf("no entry %d in the block", pos)
	}
	body = bytes.LastIndex(b[:i], []byte(`{"v":1`))
	start = bytes.LastIndex(b[:body], []byte(subjectPrefix)) - 22
	end = len(b)
	if next := bytes.Index(b[i:], []byte(subjectPrefix)); next >= 0 {
		end = i + next - 22
	}
	return start, body, end
}

// flip flips one bit inside the record of an entry.
func (w wreck) flip(block, pos int, at func(start, body, end int) int) {
	w.edit(w.block(block), func(b []byte) []byte {
		b[at(recordOf(w.t, b, pos))] ^= 4
		return b
	})
}

func inBody(_, body, end int) int { return (body + end) / 2 }
func inHead(start, _, _ int) int  { return start + 1 }

// cut cuts a block inside the record of an entry.
func (w wreck) cut(block, pos int) {
	w.edit(w.block(block), func(b []byte) []byte {
		_, body, end := recordOf(w.t, b, pos)
		return b[:(body+end)/2]
	})
}

// forge replaces text in an entry and makes the record add up again, as
// somebody might who knows the server's layout.
func (w wreck) forge(block, pos int, from, to string) {
	w.edit(w.block(block), func(b []byte) []byte {
		start, _, end := recordOf(w.t, b, pos)
		rec := b[start:end]
		copy(rec, bytes.Replace(rec, []byte(from), []byte(to), 1))
		stream := filepath.Base(filepath.Dir(w.msgs()))
		key := sha256.Sum256(fmt.Appendf(nil, "%s-%d", stream, block))
		h, err := highwayhash.New64(key[:])
		if err != nil {
			w.t.Fatal(err)
		}
		subject := int(binary.LittleEndian.Uint16(rec[20:]))
		_, _ = h.Write(rec[4:20])
		_, _ = h.Write(rec[22 : 22+subject])
		_, _ = h.Write(rec[22+subject+4 : len(rec)-8])
		h.Sum(rec[:len(rec)-8])
		return b
	})
}

func (w wreck) head() string { return filepath.Join(w.dir, headName) }

// unclean makes the store look as after a kill: the server would read all of it.
func (w wreck) unclean() { w.remove(filepath.Join(w.msgs(), "index.db")) }

func (w wreck) remove(name string) {
	if err := os.RemoveAll(name); err != nil {
		w.t.Fatal(err)
	}
}

// sums are the hashes of all files of the store and the anchor.
func (w wreck) sums() map[string][32]byte {
	w.t.Helper()
	sums := map[string][32]byte{}
	err := filepath.WalkDir(w.dir, func(name string, d fs.DirEntry, err error) error {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		rel, _ := filepath.Rel(w.dir, name)
		if err != nil || d.IsDir() || strings.HasPrefix(rel, asideName) || rel == lockName {
			return err
		}
		b, err := os.ReadFile(name)
		sums[rel] = sha256.Sum256(b)
		return err
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return sums
}

// blk names a block file in an expectation.
func blk(n int) string { return fmt.Sprintf("/%d.blk", n) }

// all are the positions of the log but some.
func allBut(missing ...events.Position) []events.Position {
	var out []events.Position
	for p := events.Position(1); p <= damagedEntries; p++ {
		if !slices.Contains(missing, p) {
			out = append(out, p)
		}
	}
	return out
}

// A bit of an old entry is for its readers to meet, unless all of a small store
// is read at the open.
func TestLog_ReadsASmallStoreWhole(t *testing.T) {
	w := copyWreck(t, makeWreck(t))
	w.flip(2, 6, inBody)
	for _, tt := range []struct {
		whole int64
		found bool
	}{{0, false}, {1 << 20, false}, {1 << 30, true}} {
		l := open(t, Options{Dir: w.dir, ReadWhole: tt.whole})
		if got := l.Damage() != nil; got != tt.found {
			t.Errorf("up to %d bytes: got damage %v, want %t", tt.whole, l.Damage(), tt.found)
		}
		if tt.found {
			checkFault(t, l.Damage(), "position 6,", blk(2))
		}
		shut(t, l)
	}
}

// After a kill the index of the blocks is written as the server writes it, byte for
// byte: the server takes it, and reads no old block. A kill is judged by a log of
// several blocks, of one, and of one that has been appended to since.
func TestLog_SparesTheServerItsReadingAfterAKill(t *testing.T) {
	w := copyWreck(t, makeWreck(t))
	again := func(name string) {
		t.Helper()
		path := filepath.Join(w.msgs(), "index.db")
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for what, spoil := range map[string]func([]byte) []byte{"gone": nil, "half of it": func(b []byte) []byte { return b[:len(b)/2] }} {
			if spoil == nil {
				w.unclean()
			} else {
				w.edit(path, spoil)
			}
			l := &Log{opt: Options{Dir: w.dir}}
			if err := l.openAnchor(); err != nil {
				t.Fatal(err)
			}
			l.useBlocks()
			walk, err := l.checkFiles()
			if err != nil || walk.tail != l.last || walk.whole || !walk.tells() {
				t.Fatalf("%s, %s: %v, %+v; wanted %v", name, what, err, walk, l.last)
			}
			if l.head.close(); l.blocks.trusted() {
				t.Errorf("%s, %s: trusted", name, what)
			}
			if err := l.blocks.describe(walk); err != nil {
				t.Fatal(err)
			}
			if got, _ := os.ReadFile(path); !bytes.Equal(got, want) {
				t.Errorf("%s, %s:\ngot  %x\nwant %x", name, what, got, want)
			}
		}
		w.unclean()
		l := open(t, Options{Dir: w.dir, Logger: testLogger(t)})
		if got, errs := readAll(t, l); len(errs) > 0 || len(got) == 0 {
			t.Errorf("%s: %v, %v", name, got, errs)
		}
		pos, _ := l.Last()
		mustAppend(t, l, entry(fmt.Sprintf("source-%d", pos+1), 2, 100))
		shut(t, l)
	}
	again("three blocks")
	again("appended to")
	l := open(t, Options{Dir: filepath.Join(t.TempDir(), "log")})
	mustAppend(t, l, entry("source-1", 1, 100))
	w.dir = l.opt.Dir
	shut(t, l)
	again("one block")
}

func TestLog_FindsDamage(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine does it: nothing for the race detector")
	}
	whole := makeWreck(t)
	tests := []struct {
		name   string
		do     func(wreck)
		atOpen bool              // found by Open; else by the first reader
		at     string            // what the message must name
		file   string            // and the file
		got    []events.Position // what ReadAll yields
	}{
		{"newest block, a bit of an entry", func(w wreck) { w.flip(3, 11, inBody) }, true, "position 11,", blk(3), allBut(11)},
		{"newest block, a bit of the newest entry", func(w wreck) { w.flip(3, 12, inBody) }, true, "position 12,", blk(3), allBut(12)},
		{"newest block, a bit of a length", func(w wreck) { w.flip(3, 11, inHead) }, true, "position 11,", blk(3), allBut(11)},
		{"newest block, a bit of the big entry", func(w wreck) { w.flip(3, 9, inBody) }, true, "position 9,", blk(3), allBut(9)},
		{"newest block, a bit, after a kill", func(w wreck) { w.flip(3, 11, inBody); w.unclean() }, true, "position 11,", blk(3), allBut(11)},
		{"newest block cut", func(w wreck) { w.cut(3, 12) }, true, "position 12,", blk(3), allBut(12)},
		{"newest block cut at a record", func(w wreck) {
			w.edit(w.block(3), func(b []byte) []byte {
				start, _, _ := recordOf(w.t, b, 11)
				return b[:start]
			})
		}, true, "positions 11 to 12,", "/msgs", allBut(11, 12)},
		{"newest block cut, after a kill", func(w wreck) { w.cut(3, 10); w.unclean() }, true, "position 10,", blk(3), allBut(10, 11, 12)},
		{"newest block emptied", func(w wreck) { w.edit(w.block(3), func([]byte) []byte { return nil }) }, true, "positions 9 to 12,", "/msgs", allBut(9, 10, 11, 12)},
		{"newest block gone", func(w wreck) { w.remove(w.block(3)) }, true, "positions 9 to 12,", "/msgs", allBut(9, 10, 11, 12)},
		{"middle block, a bit of an entry", func(w wreck) { w.flip(2, 6, inBody) }, false, "position 6,", blk(2), allBut(6)},
		{"middle block, a bit of its last entry", func(w wreck) { w.flip(2, 8, inBody) }, false, "position 8,", blk(2), allBut(8)},
		{"middle block, a bit, after a kill", func(w wreck) { w.flip(2, 6, inBody); w.unclean() }, false, "position 6,", blk(2), allBut(6)},
		{"middle block, a bit of a length", func(w wreck) { w.flip(2, 7, inHead) }, true, "position 7,", blk(2), allBut(7)},
		{"middle block, a bit of its first length", func(w wreck) { w.flip(2, 5, inHead) }, true, "position 5,", blk(2), allBut(5)},
		{"middle block cut", func(w wreck) { w.cut(2, 7) }, true, "position 7,", blk(2), allBut(7, 8)},
		{"middle block gone", func(w wreck) { w.remove(w.block(2)) }, true, "position 5,", blk(3), allBut(5, 6, 7, 8)},
		{"oldest block, a bit of an entry", func(w wreck) { w.flip(1, 2, inBody) }, false, "position 2,", blk(1), allBut(2)},
		{"oldest block, a bit of the first entry", func(w wreck) { w.flip(1, 1, inBody) }, false, "position 1,", blk(1), allBut(1)},
		{"oldest block, a bit, after a kill", func(w wreck) { w.flip(1, 2, inBody); w.unclean() }, false, "position 2,", blk(1), allBut(2)},
		{"oldest block gone", func(w wreck) { w.remove(w.block(1)) }, true, "position 1,", blk(2), allBut(1, 2, 3, 4)},
		{"an old entry forged", func(w wreck) { w.forge(2, 7, `source-7`, `source-x`) }, false, "position 7,", blk(2), allBut(7)},
		{"the newest entry forged", func(w wreck) { w.forge(3, 12, `source-12`, `source-xx`) }, true, "position 12,", blk(3), allBut(12)},
		{"the store gone", func(w wreck) { w.remove(filepath.Join(w.dir, "jetstream")) }, true, "positions 1 to 12,", "/msgs", nil},
		{"the stream's configuration", func(w wreck) {
			w.edit(filepath.Join(filepath.Dir(w.msgs()), "meta.inf"), func(b []byte) []byte { b[10] ^= 1; return b })
		}, true, "", "/meta.inf", allBut()},
		{"the stream's configuration gone", func(w wreck) {
			w.remove(filepath.Join(filepath.Dir(w.msgs()), "meta.sum"))
		}, true, "", "/streams/", allBut()},
		{"both slots of the anchor", func(w wreck) {
			w.edit(w.head(), func(b []byte) []byte { b[40] ^= 1; b[slotGap+40] ^= 1; return b })
		}, true, "", "/head", allBut()},
		{"the anchor cut to nothing", func(w wreck) { w.edit(w.head(), func([]byte) []byte { return nil }) }, true, "", "/head", allBut()},
		{"the anchor gone", func(w wreck) { w.remove(w.head()) }, true, "", "/head", allBut()},
		{"a bucket", func(w wreck) {
			found, _ := filepath.Glob(filepath.Join(w.dir, "jetstream", "$G", "streams", "KV_*", "msgs", "1.blk"))
			w.edit(found[0], func(b []byte) []byte { b[30] ^= 1; return b })
		}, true, "", "/1.blk", allBut()},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := copyWreck(t, whole)
			tt.do(w)
			before := w.sums()
			l := open(t, Options{Dir: w.dir})
			if got := l.Damage() != nil; got != tt.atOpen {
				t.Fatalf("found at open: got %t, want %t: %v", got, tt.atOpen, l.Damage())
			}
			got, errs := readAll(t, l)
			if !slices.Equal(got, tt.got) {
				t.Errorf("whole entries: got %v, want %v", got, tt.got)
			}
			if len(errs) == 0 {
				t.Error("ReadAll tells no damage")
			}
			checkFault(t, l.Damage(), tt.at, tt.file)
			checkStrict(t, l, tt.got)
			if _, err := l.Append(t.Context(), entry("s", 1, 100)); !errors.Is(err, events.ErrCorrupt) {
				t.Errorf("append: got %v, want a corrupt log", err)
			}
			if err := l.Wait(t.Context(), damagedEntries); !errors.Is(err, events.ErrCorrupt) {
				t.Errorf("wait: got %v, want a corrupt log", err)
			}
			shut(t, l)
			if tt.atOpen {
				if after := w.sums(); fmt.Sprint(after) != fmt.Sprint(before) {
					t.Error("files changed")
				}
				checkKept(t, w)
			}
		})
	}
}

// readAll reads everything that is whole.
func readAll(t *testing.T, l *Log) (got []events.Position, errs []error) {
	t.Helper()
	for e, err := range l.ReadAll(t.Context(), 1) {
		if err != nil {
			if !errors.Is(err, events.ErrCorrupt) {
				t.Fatal(err)
			}
			errs = append(errs, err)
			continue
		}
		if want := fmt.Sprintf("source-%d", e.At); e.Source != want {
			t.Errorf("entry %d: source %q, want %q", e.At, e.Source, want)
		}
		got = append(got, e.At)
	}
	return got, errs
}

// checkStrict checks that Read yields what comes before the damage, then tells
// of it and ends, and that Get agrees.
func checkStrict(t *testing.T, l *Log, whole []events.Position) {
	t.Helper()
	var last error
	want := events.Position(1)
	for e, err := range l.Read(t.Context(), 0) {
		if last = err; err != nil {
			break
		}
		if e.At != want {
			t.Fatalf("read: got position %d, want %d", e.At, want)
		}
		want++
	}
	if !errors.Is(last, events.ErrCorrupt) {
		t.Errorf("read ends with %v, want damage", last)
	}
	if slices.Contains(whole, want) {
		t.Errorf("read ends at position %d, which is whole", want)
	}
	for p := events.Position(1); p <= damagedEntries; p++ {
		if slices.Contains(whole, p) && p != want-1 && p != want+1 {
			continue // the big ones take their time
		}
		e, err := l.Get(t.Context(), p)
		switch ok := slices.Contains(whole, p); {
		case ok && (err != nil || e.At != p):
			t.Errorf("get %d: %v", p, err)
		case !ok && !errors.Is(err, events.ErrCorrupt):
			t.Errorf("get %d: got %v, want damage", p, err)
		}
	}
}

func checkFault(t *testing.T, err error, at, file string) {
	t.Helper()
	f, ok := err.(*events.Fault)
	if !ok {
		t.Fatalf("damage: got %v, want a fault", err)
	}
	if !errors.Is(f, events.ErrCorrupt) || !strings.Contains(f.Where, at) || !strings.Contains(f.Where, file) {
		t.Errorf("damage: got %q, want %q and %q in it", f.Where, at, file)
	}
	hints := strings.Join(f.Hints, "\n")
	if f.Wanted == "" || f.Got == "" || !strings.Contains(hints, "safe: ") || !strings.Contains(hints, "dewclaw verify") {
		t.Errorf("damage: wanted %q, got %q, hints %q", f.Wanted, f.Got, f.Hints)
	}
}

// checkKept checks that the newest block as it was found is kept.
func checkKept(t *testing.T, w wreck) {
	t.Helper()
	blocks, _ := filepath.Glob(filepath.Join(w.dir, "jetstream", "$G", "streams", streamPrefix+"*", "msgs", "*.blk"))
	if len(blocks) == 0 {
		return
	}
	newest, err := os.ReadFile(blocks[len(blocks)-1])
	if err != nil {
		t.Fatal(err)
	}
	kept, _ := filepath.Glob(filepath.Join(w.dir, asideName, asideDamaged+"*"))
	if len(kept) != 1 {
		t.Fatalf("kept for damage: got %v, want one file", kept)
	}
	if b, err := os.ReadFile(kept[0]); err != nil || !bytes.Equal(b, newest) {
		t.Errorf("%s is not the newest block: %v", kept[0], err)
	}
}
