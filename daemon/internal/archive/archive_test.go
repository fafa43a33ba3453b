package archive

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/iotest"
	"time"

	"dewclaw/events"
)

var long = flag.Bool("long", false, "run the long forms: originals of 2 GiB, 100 kills")

func open(t *testing.T, dir string) *Archive {
	t.Helper()
	a, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func put(t *testing.T, a *Archive, s string) string {
	t.Helper()
	hash, size, err := a.Put(t.Context(), strings.NewReader(s))
	if err != nil {
		t.Fatal(err)
	}
	if size != int64(len(s)) {
		t.Fatalf("size = %d, want %d", size, len(s))
	}
	return hash
}

// left counts the files that are neither originals nor folders.
func left(t *testing.T, dir string) int {
	t.Helper()
	e, err := os.ReadDir(filepath.Join(dir, tempDir))
	if err != nil {
		t.Fatal(err)
	}
	return len(e)
}

// The digests of "", "abc" and the two-block message are the examples of
// FIPS 180-4 (NIST, "Examples with Intermediate Values", SHA-256).
func TestPut_NamesAnOriginalByItsSHA256(t *testing.T) {
	tests := []struct{ name, in, want string }{
		{"empty", "", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
		{"one block", "abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
		{
			"two blocks", "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
			"248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
		},
	}
	dir := t.TempDir()
	a := open(t, dir)
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := put(t, a, tt.in)
			if got != tt.want {
				t.Errorf("hash = %s, want %s", got, tt.want)
			}
			b, err := os.ReadFile(filepath.Join(dir, tt.want[:2], tt.want))
			if err != nil || string(b) != tt.in {
				t.Errorf("stored %q, %v; want %q", b, err, tt.in)
			}
		})
	}
	if n := left(t, dir); n != 0 {
		t.Errorf("%d files left under tmp", n)
	}
}

func TestPut_KeepsAnOriginalOnce(t *testing.T) {
	dir := t.TempDir()
	a := open(t, dir)
	hash := put(t, a, "rows")
	before, err := os.Stat(a.Path(hash))
	if err != nil {
		t.Fatal(err)
	}
	if again := put(t, a, "rows"); again != hash {
		t.Errorf("hash = %s, then %s", hash, again)
	}
	after, err := os.Stat(a.Path(hash))
	if err != nil {
		t.Fatal(err)
	}
	if !os.SameFile(before, after) || !before.ModTime().Equal(after.ModTime()) {
		t.Error("the original was written again")
	}
	if n := left(t, dir); n != 0 {
		t.Errorf("%d files left under tmp", n)
	}
}

func TestPut_IsSafeForManyAtOnce(t *testing.T) {
	a := open(t, t.TempDir())
	var wg sync.WaitGroup
	for i := range 32 {
		wg.Go(func() {
			if _, _, err := a.Put(t.Context(), strings.NewReader(fmt.Sprint(i%4))); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	n := 0
	for i, err := range a.List() {
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Verify(t.Context(), i.Hash); err != nil {
			t.Error(err)
		}
		n++
	}
	if n != 4 {
		t.Errorf("%d originals, want 4", n)
	}
}

func TestPut_LeavesNothingHalfThere(t *testing.T) {
	cut := errors.New("the cable was pulled")
	unavailable := fmt.Errorf("changed while it was read: %w", events.ErrUnavailable)
	ctx, cancel := context.WithCancel(t.Context())
	tests := []struct {
		name string
		ctx  context.Context
		r    io.Reader
		want error
	}{
		{"reader fails", t.Context(), io.MultiReader(strings.NewReader("half"), iotest.ErrReader(cut)), cut},
		{"reader is unavailable", t.Context(), iotest.ErrReader(unavailable), events.ErrUnavailable},
		{"context ends", ctx, readerFunc(func(p []byte) (int, error) { cancel(); return copy(p, "half"), nil }), context.Canceled},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			a := open(t, dir)
			if _, _, err := a.Put(tt.ctx, tt.r); !errors.Is(err, tt.want) {
				t.Errorf("err = %v, want %v", err, tt.want)
			}
			if n := left(t, dir); n != 0 {
				t.Errorf("%d files left under tmp", n)
			}
			for i := range a.List() {
				t.Errorf("there is an original: %v", i)
			}
		})
	}
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

// A badFile fails where it is told to; the errors are the system's own.
type badFile struct {
	*os.File
	room       int // bytes that fit
	sync, shut error
}

func (f *badFile) Write(p []byte) (int, error) {
	if len(p) <= f.room {
		f.room -= len(p)
		return f.File.Write(p)
	}
	n, _ := f.File.Write(p[:f.room])
	return n, syscall.ENOSPC
}

func (f *badFile) Sync() error { return errors.Join(f.sync, f.File.Sync()) }

func (f *badFile) Close() error { return errors.Join(f.shut, f.File.Close()) }

func TestPut_SaysWhenTheDiskDoesNotAnswer(t *testing.T) {
	tests := []struct {
		name string
		bad  badFile
		want error
	}{
		{"full", badFile{room: 3 * bufferSize / 2}, syscall.ENOSPC},
		{"full at fsync", badFile{room: 1 << 30, sync: syscall.ENOSPC}, syscall.ENOSPC},
		{"broken at fsync", badFile{room: 1 << 30, sync: syscall.EIO}, syscall.EIO},
		{"over quota at close", badFile{room: 1 << 30, shut: syscall.EDQUOT}, syscall.EDQUOT},
	}
	big := bytes.Repeat([]byte("0123456789abcdef"), bufferSize/4)
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			dir := t.TempDir()
			a := open(t, dir)
			create := a.create
			a.create = func() (file, error) {
				f, err := create()
				bad := tt.bad
				bad.File = f.(*os.File)
				return &bad, err
			}
			_, _, err := a.Put(t.Context(), bytes.NewReader(big))
			if !errors.Is(err, events.ErrUnavailable) || !errors.Is(err, tt.want) {
				t.Errorf("err = %v, want unavailable and %v", err, tt.want)
			}
			if n := left(t, dir); n != 0 {
				t.Errorf("%d files left under tmp", n)
			}
			for i := range a.List() {
				t.Errorf("there is an original: %v", i)
			}
			a.create = create
			if _, _, err := a.Put(t.Context(), bytes.NewReader(big)); err != nil {
				t.Errorf("with room again: %v", err)
			}
		})
	}
	t.Run("no folder", func(t *testing.T) {
		dir := t.TempDir()
		a := open(t, dir)
		if err := os.Remove(filepath.Join(dir, tempDir)); err != nil {
			t.Fatal(err)
		}
		if _, _, err := a.Put(t.Context(), strings.NewReader("x")); !errors.Is(err, events.ErrUnavailable) {
			t.Errorf("err = %v, want unavailable", err)
		}
	})
	t.Run("the folder is a file", func(t *testing.T) {
		name := filepath.Join(t.TempDir(), "archive")
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(name); !errors.Is(err, events.ErrUnavailable) {
			t.Errorf("err = %v, want unavailable", err)
		}
	})
}

func TestPut_ChangesNothingOfADamagedOriginal(t *testing.T) {
	a := open(t, t.TempDir())
	hash := put(t, a, "the rows")
	damage(t, a.Path(hash), func(b []byte) []byte { return b[:3] })
	_, _, err := a.Put(t.Context(), strings.NewReader("the rows"))
	if !errors.Is(err, events.ErrCorrupt) || !strings.Contains(fmt.Sprint(err), a.Path(hash)) {
		t.Errorf("err = %v, want corrupt and the file's name", err)
	}
	if b, _ := os.ReadFile(a.Path(hash)); string(b) != "the" {
		t.Errorf("the damaged file was changed: %q", b)
	}
}

func damage(t *testing.T, name string, f func([]byte) []byte) {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.Chmod(name, 0o600), os.WriteFile(name, f(b), 0o600)); err != nil {
		t.Fatal(err)
	}
}

func TestPutAs_KeepsOnlyWhatItIsGivenOutAs(t *testing.T) {
	dir := t.TempDir()
	a := open(t, dir)
	const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" // FIPS 180-4, as above
	if err := a.PutAs(t.Context(), abc, strings.NewReader("abd")); !errors.Is(err, events.ErrCorrupt) {
		t.Errorf("other bytes: got %v, want %v", err, events.ErrCorrupt)
	}
	for i := range a.List() {
		t.Errorf("there is an original: %v", i)
	}
	if n := left(t, dir); n != 0 {
		t.Errorf("%d files left under tmp", n)
	}
	if err := a.PutAs(t.Context(), abc, strings.NewReader("abc")); err != nil {
		t.Error(err)
	}
	if err := a.Verify(t.Context(), abc); err != nil {
		t.Error(err)
	}
}

func TestVerify_FindsAFlippedBit(t *testing.T) {
	a := open(t, t.TempDir())
	good, bad := put(t, a, "good rows"), put(t, a, "bad rows")
	damage(t, a.Path(bad), func(b []byte) []byte { b[2] ^= 0x10; return b })
	if err := a.Verify(t.Context(), good); err != nil {
		t.Errorf("the other original: %v", err)
	}
	err := a.Verify(t.Context(), bad)
	if !errors.Is(err, events.ErrCorrupt) {
		t.Fatalf("err = %v, want corrupt", err)
	}
	got := hex.EncodeToString(hashOf("ba\x74 rows"))
	for _, want := range []string{a.Path(bad), "wanted SHA-256 " + bad, "got " + got} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not say %q", err, want)
		}
	}
	if len(events.Hints(err)) == 0 {
		t.Error("no hint says what is safe")
	}
}

func hashOf(s string) []byte { h := sha256.Sum256([]byte(s)); return h[:] }

func TestOpen_RefusesWhatIsNotThere(t *testing.T) {
	a := open(t, t.TempDir())
	for _, hash := range []string{"", "abc", "../../etc/passwd", strings.Repeat("A", 64), strings.Repeat("0", 64)} {
		if _, err := a.Open(hash); !errors.Is(err, events.ErrNotFound) {
			t.Errorf("Open(%q) = %v, want not found", hash, err)
		}
		if err := a.Verify(t.Context(), hash); !errors.Is(err, events.ErrNotFound) {
			t.Errorf("Verify(%q) = %v, want not found", hash, err)
		}
		if _, ok := a.Has(hash); ok {
			t.Errorf("Has(%q)", hash)
		}
	}
}

func TestBlob_ReadsAnywhere(t *testing.T) {
	a := open(t, t.TempDir())
	b, err := a.Open(put(t, a, "0123456789"))
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	all, err := io.ReadAll(b)
	if string(all) != "0123456789" || err != nil || b.Size() != 10 {
		t.Errorf("read %q, %v, size %d", all, err, b.Size())
	}
	p := make([]byte, 3)
	if _, err := b.ReadAt(p, 4); err != nil || string(p) != "456" {
		t.Errorf("ReadAt = %q, %v", p, err)
	}
	if err := iotest.TestReader(io.NewSectionReader(b, 0, b.Size()), []byte("0123456789")); err != nil {
		t.Error(err)
	}
}

func TestOpen_CleansUpButReadingOnlyDoesNot(t *testing.T) {
	dir := t.TempDir()
	a := open(t, dir)
	hash := put(t, a, "kept")
	half := filepath.Join(dir, tempDir, "put-1")
	if err := os.WriteFile(half, []byte("ha"), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	if n := left(t, dir); n != 1 {
		t.Errorf("opening for reading removed what is half written")
	}
	if err := r.Verify(t.Context(), hash); err != nil {
		t.Error(err)
	}
	if _, _, err := r.Put(t.Context(), strings.NewReader("x")); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("Put while reading only: %v, want invalid", err)
	}
	a = open(t, dir)
	if n := left(t, dir); n != 0 {
		t.Errorf("%d files left under tmp", n)
	}
	if _, ok := a.Has(hash); !ok {
		t.Error("the original went with it")
	}
	if _, err := OpenReadOnly(filepath.Join(dir, "none")); !errors.Is(err, events.ErrNotFound) {
		t.Errorf("err = %v, want not found", err)
	}
}

func TestList_IsSortedAndSkipsWhatIsNotOurs(t *testing.T) {
	dir := t.TempDir()
	a := open(t, dir)
	for i := range 40 {
		put(t, a, fmt.Sprint("original ", i))
	}
	hash := put(t, a, "one more")
	for _, stray := range []string{"README", filepath.Join(hash[:2], "x"), filepath.Join(hash[:2], strings.Repeat("f", 63)+"x")} {
		if err := os.WriteFile(filepath.Join(dir, stray), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	last, n := "", 0
	for i, err := range a.List() {
		if err != nil {
			t.Fatal(err)
		}
		if i.Hash <= last {
			t.Errorf("%s after %s", i.Hash, last)
		}
		last = i.Hash
		n++
	}
	if n != 41 {
		t.Errorf("%d originals, want 41", n)
	}
}

// TestPut_StreamsALargeOriginal holds the promise that memory does not grow with
// the size; the long form is 2 GiB.
func TestPut_StreamsALargeOriginal(t *testing.T) {
	size := int64(64 << 20)
	if *long {
		size = 2 << 30
	}
	a := open(t, t.TempDir())
	perRun := testing.AllocsPerRun(1, func() {
		hash, n, err := a.Put(t.Context(), io.LimitReader(rand.NewChaCha8([32]byte{}), size))
		if err != nil || n != size {
			t.Fatalf("size = %d, %v; want %d", n, err, size)
		}
		if err := a.Verify(t.Context(), hash); err != nil {
			t.Error(err)
		}
	})
	if perRun > 300 {
		t.Errorf("%.0f allocations for %d bytes", perRun, size)
	}
}

const childDir = "DEWCLAW_TEST_ARCHIVE"

// TestMain is also the child of TestPut_SurvivesAKill: it keeps originals and
// names each on standard output once Put returned.
func TestMain(m *testing.M) {
	dir := os.Getenv(childDir)
	if dir == "" {
		os.Exit(m.Run())
	}
	a, err := Open(dir)
	for i := 0; err == nil; i++ {
		var hash string
		body := fmt.Sprintf("%d %d %s", os.Getpid(), i, strings.Repeat("x", 1<<(i%20)))
		if hash, _, err = a.Put(context.Background(), strings.NewReader(body)); err == nil {
			fmt.Println(hash)
		}
	}
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

func TestPut_SurvivesAKill(t *testing.T) {
	kills := 10
	if *long {
		kills = 100
	}
	dir := t.TempDir()
	seed := uint64(time.Now().UnixNano())
	rnd := rand.New(rand.NewPCG(seed, 0))
	halves, kept := 0, []string{}
	for range kills {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childDir+"="+dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		for n := 1 + rnd.IntN(40); n > 0 && lines.Scan(); n-- {
			kept = append(kept, lines.Text())
		}
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		for lines.Scan() {
			if isHash(lines.Text()) {
				kept = append(kept, lines.Text())
			}
		}
		_ = cmd.Wait()
		halves += left(t, dir)
	}
	a := open(t, dir)
	for _, hash := range kept {
		if err := a.Verify(t.Context(), hash); err != nil {
			t.Errorf("seed %d: acknowledged, then: %v", seed, err)
		}
	}
	for i, err := range a.List() {
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Verify(t.Context(), i.Hash); err != nil {
			t.Errorf("seed %d: %v", seed, err)
		}
	}
	if n := left(t, dir); n != 0 {
		t.Errorf("%d files left under tmp", n)
	}
	if len(kept) < kills {
		t.Errorf("only %d originals kept over %d kills: the test sees too little", len(kept), kills)
	}
	t.Logf("%d kills, %d originals acknowledged, %d half written and removed", kills, len(kept), halves)
}
