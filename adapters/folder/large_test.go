package folder

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dewclaw/adapters"
)

// TestSource_CopesWithManyFiles: 100,000 files of which one is new are scanned in
// less time than a scan interval should take, and a notice of one more does not
// cost a scan.
func TestSource_CopesWithManyFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("it is about size, and tells the race detector nothing")
	}
	const files = 100_000
	dir, err := os.MkdirTemp("/dev/shm", "many") // much faster, if it is there
	if err != nil {
		dir = t.TempDir()
	}
	defer os.RemoveAll(dir)
	for i := range files {
		f, err := os.Create(filepath.Join(dir, fmt.Sprintf("f%06d.csv", i)))
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
	}
	asked := 0
	b := newBench(t, Options{Dir: dir, Scan: time.Hour, Known: func(f File) bool {
		asked++
		return f.Size == 0
	}})
	b.write("new.csv", "new")
	start := time.Now()
	b.take("new.csv", "new")
	first := time.Since(start)
	if asked != files+1 {
		t.Errorf("asked %d times what is known, want %d", asked, files+1)
	}

	start = time.Now()
	b.write("one more.csv", "more")
	b.take("one more.csv", "more")
	hint := time.Since(start) - rest
	if asked != files+2 {
		t.Errorf("a notice asked for %d files, want 1", asked-files-1)
	}

	b.Source.mu.Lock()
	start = time.Now()
	err = b.scan(time.Now())
	again := time.Since(start)
	b.Source.mu.Unlock()
	if err != nil || asked != files+2 {
		t.Errorf("a second scan: %v, asked for %d files, want none", err, asked-files-2)
	}
	if again > 5*time.Second {
		t.Errorf("a scan took %v", again)
	}
	t.Logf("first scan %v, one notice %v, another scan %v", first, hint, again)
}

// TestSource_HandsOverManyFilesInOrder takes more files than one scan may gather.
func TestSource_HandsOverManyFilesInOrder(t *testing.T) {
	const files = 2003
	b := newBench(t, Options{Once: true, Rest: time.Millisecond})
	b.most = 400
	at := time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC)
	name := func(i int) string { return fmt.Sprintf("f%06d.csv", i) }
	for i := range files {
		f, err := os.Create(filepath.Join(b.dir, name((i*7919)%files)))
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
	}
	for i := range files {
		when := at.Add(time.Duration(i) * time.Second)
		must(t, os.Chtimes(filepath.Join(b.dir, name(i)), when, when))
	}
	start := time.Now()
	for i := range files {
		d := b.next()
		if d.Name != name(i) {
			t.Fatalf("file %d is %s, want %s", i, d.Name, name(i))
		}
		settle(t, d, adapters.Taken)
	}
	if d, err := b.tryNext(patience); err != io.EOF {
		t.Errorf("Next = %v, %v; want io.EOF", d, err)
	}
	t.Logf("%d files in %v", files, time.Since(start))
}

// TestDelivery_StreamsALargeFile holds that memory does not grow with the size.
func TestDelivery_StreamsALargeFile(t *testing.T) {
	size := int64(64 << 20)
	if *long {
		size = 2<<30 + 1
	}
	b := newBench(t, Options{})
	name := filepath.Join(b.dir, "large.csv")
	writeFile(t, name, "")
	must(t, os.Truncate(name, size))
	d := b.next()
	allocs := testing.AllocsPerRun(1, func() {
		r, err := d.Open(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if n, err := io.Copy(io.Discard, struct{ io.Reader }{r}); n != size || err != nil {
			t.Errorf("read %d bytes, %v; want %d", n, err, size)
		}
	})
	if allocs > 100 {
		t.Errorf("%.0f allocations", allocs)
	}
}
