package packed

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"dewclaw/events"

	"github.com/google/go-cmp/cmp"
)

var long = flag.Bool("long", false, "run the long forms: 2 GiB of plain and packed bytes")

const rows = "animal;foot\n17;LF\n"

// Archives are written by the standard library, which shares no code with the
// reader under test.
func gz(t testing.TB, parts ...string) []byte {
	t.Helper()
	var b bytes.Buffer
	for _, p := range parts {
		w := gzip.NewWriter(&b)
		if _, err := errors.Join(writeString(w, p), w.Close()), error(nil); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

func writeString(w io.Writer, s string) error { _, err := io.WriteString(w, s); return err }

type entry struct {
	name, body string
	mode       fs.FileMode
	flags      uint16
}

func zipOf(t testing.TB, entries ...entry) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, e := range entries {
		h := &zip.FileHeader{Name: e.name, Method: zip.Deflate, Flags: e.flags, NonUTF8: strings.HasPrefix(e.name, "\x8e")}
		if e.mode != 0 {
			h.SetMode(e.mode)
		}
		w, err := z.CreateHeader(h)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(e.name, "/") {
			continue
		}
		if err := writeString(w, e.body); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// patch changes a field of the n-th directory record of a zip: offset and layout
// from APPNOTE 6.3.10, 4.3.12.
func patch(t testing.TB, b []byte, n, offset int, value uint16) []byte {
	t.Helper()
	b = bytes.Clone(b)
	at := 0
	for range n + 1 {
		i := bytes.Index(b[at:], []byte("PK\x01\x02"))
		if i < 0 {
			t.Fatal("no such directory record")
		}
		at += i + 4
	}
	binary.LittleEndian.PutUint16(b[at-4+offset:], value)
	return b
}

type got struct {
	Name, Body, Ignored, Err string
}

// read reads every member to its end.
func read(b []byte, l Limits) []got {
	var out []got
	for m, err := range Members(bytes.NewReader(b), int64(len(b)), "in", l) {
		g := got{Name: m.Name, Ignored: m.Ignored}
		if err == nil && m.Reader != nil {
			var body []byte
			body, err = io.ReadAll(m.Reader)
			g.Body = string(body)
		}
		if err != nil {
			g.Err = err.Error()
			if !errors.Is(err, events.ErrInvalid) {
				g.Err = "NOT INVALID: " + g.Err
			}
		}
		out = append(out, g)
	}
	return out
}

func TestMembers_Unpacks(t *testing.T) {
	tests := []struct {
		name string
		in   []byte
		want []got
	}{
		{"empty", nil, []got{{}}},
		{"plain", []byte(rows), []got{{Body: rows}}},
		{"plain that begins like a zip", []byte("PK;foot\n17;LF\n"), []got{{Body: "PK;foot\n17;LF\n"}}},
		{"UTF-16 plain", []byte("\xff\xfea\x00;\x00"), []got{{Body: "\xff\xfea\x00;\x00"}}},
		{"gzip", gz(t, rows), []got{{Body: rows}}},
		{"gzip of nothing", gz(t, ""), []got{{}}},
		{"gzip in two parts", gz(t, rows, "18;RF\n"), []got{{Body: rows + "18;RF\n"}}},
		{"zip", zipOf(t, entry{name: "a.csv", body: rows}, entry{name: "pens/b.csv", body: "x"}), []got{{Name: "a.csv", Body: rows}, {Name: "pens/b.csv", Body: "x"}}},
		{"zip without members", zipOf(t), nil},
		{"zip with folders", zipOf(t, entry{name: "pens/"}, entry{name: "pens/b.csv", body: "x"}), []got{{Name: "pens/b.csv", Body: "x"}}},
		{"gzip in zip", zipOf(t, entry{name: "a.csv.gz", body: string(gz(t, rows))}), []got{{Name: "a.csv.gz", Body: rows}}},
		{"what systems add", zipOf(t, entry{name: "__MACOSX/._a.csv", body: "x"}, entry{name: "a/.DS_Store", body: "x"}, entry{name: "a.csv", body: rows}),
			[]got{{Name: "__MACOSX/._a.csv", Ignored: "a resource fork"}, {Name: "a/.DS_Store", Ignored: "a hidden file"}, {Name: "a.csv", Body: rows}}},
		{"name in code page 437", zipOf(t, entry{name: "\x8erzte.csv", body: rows}), []got{{Name: "Ärzte.csv", Body: rows}}},
		{"name with a line feed", zipOf(t, entry{name: "a\nb\x1b[2J.csv", body: rows}), []got{{Name: `"a\nb\x1b[2J.csv"`, Body: rows}}},
		{"name with a time", zipOf(t, entry{name: "at 10:30.csv", body: rows}), []got{{Name: "at 10:30.csv", Body: rows}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, read(tt.in, Limits{})); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// The bytes are what GNU gzip 1.12 made of the text (gzip -9), with its name and time
// in the header.
func TestMembers_ReadsGzipOfAnotherWriter(t *testing.T) {
	in, err := hex.DecodeString("1f8b080880aea969020361004bcccbcc4dccb14ecbcf2fe13234b7f671e30200f2022fb412000000")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]got{{Body: rows}}, read(in, Limits{})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestMembers_RefusesAndGoesOn(t *testing.T) {
	last := entry{name: "z.csv", body: rows}
	ok := got{Name: "z.csv", Body: rows}
	two := zipOf(t, entry{name: "a.csv", body: rows}, last)
	tests := []struct {
		name, member string
		in           []byte
		says         []string
	}{
		{"path upwards", "../a.csv", zipOf(t, entry{name: "../a.csv", body: rows}, last), []string{`"../a.csv"`}},
		{"path inside upwards", "a/../../b.csv", zipOf(t, entry{name: "a/../../b.csv", body: rows}, last), []string{"below the archive"}},
		{"absolute path", "/etc/passwd", zipOf(t, entry{name: "/etc/passwd", body: rows}, last), []string{"/etc/passwd"}},
		{"path with backslashes", `..\a.csv`, zipOf(t, entry{name: `..\a.csv`, body: rows}, last), []string{"below the archive"}},
		{"path with a drive", "C:a.csv", zipOf(t, entry{name: "C:a.csv", body: rows}, last), []string{"below the archive"}},
		{"no name", `""`, zipOf(t, entry{name: "", body: rows}, last), []string{"below the archive"}},
		{"symlink", "link.csv", zipOf(t, entry{name: "link.csv", body: "/etc/passwd", mode: fs.ModeSymlink | 0o777}, last), []string{"a symlink"}},
		{"device", "dev.csv", zipOf(t, entry{name: "dev.csv", mode: fs.ModeDevice | 0o600}, last), []string{"wanted a file"}},
		{"encrypted", "a.csv", patch(t, two, 0, 8, 1|8), []string{"encrypted", "in: a.csv"}},
		{"another method", "a.csv", patch(t, two, 0, 10, 14), []string{"got 14"}},
		{"wrong checksum", "a.csv", patch(t, two, 0, 16, 0xbeef), []string{"checksum"}},
		{"no local header", "a.csv", patch(t, two, 0, 42, 5), []string{"directory is broken"}},
		{"zip in zip", "b.zip", zipOf(t, entry{name: "b.zip", body: string(two)}, last), []string{"zip inside", "packed twice"}},
		{"gzip in gzip in zip", "b.gz", zipOf(t, entry{name: "b.gz", body: string(gz(t, string(gz(t, rows))))}, last), []string{"gzip inside"}},
		{"workbook of old", "a.xls", zipOf(t, entry{name: "a.xls", body: "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"}, last), []string{"workbook"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			gots := read(tt.in, Limits{})
			if len(gots) != 2 || gots[1] != ok {
				t.Fatalf("got %+v, want an error and the next member", gots)
			}
			if gots[0].Name != tt.member {
				t.Errorf("name = %q, want %q", gots[0].Name, tt.member)
			}
			for _, s := range tt.says {
				if !strings.Contains(gots[0].Err, s) {
					t.Errorf("%q does not say %q", gots[0].Err, s)
				}
			}
		})
	}
	t.Run("a name twice", func(t *testing.T) {
		gots := read(zipOf(t, entry{name: "a.csv", body: "1"}, entry{name: "a.csv", body: "2"}, last), Limits{})
		if len(gots) != 3 || gots[0].Err == "" || gots[1].Err == "" || gots[2] != ok {
			t.Errorf("got %+v, want both refused and the next member", gots)
		}
	})
}

func TestMembers_RefusesTheOriginal(t *testing.T) {
	tar := make([]byte, 1024)
	copy(tar, "a.csv")
	copy(tar[257:], "ustar\x0000")
	whole := zipOf(t, entry{name: "a.csv", body: rows})
	tests := []struct {
		name string
		in   []byte
		says string
	}{
		{"workbook", zipOf(t, entry{name: "[Content_Types].xml", body: "x"}, entry{name: "xl/workbook.xml", body: "x"}), "a spreadsheet workbook"},
		{"workbook of another office", zipOf(t, entry{name: "mimetype", body: "x"}), "a spreadsheet workbook"},
		{"workbook of old", []byte("\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 and so on"), "a spreadsheet workbook"},
		{"PDF", []byte("%PDF-1.7\n"), "a PDF document"},
		{"tar", tar, "a tar archive"},
		{"tar in gzip", gz(t, string(tar)), "a tar archive"},
		{"gzip in gzip", gz(t, string(gz(t, rows))), "packed twice"},
		{"zip in gzip", gz(t, string(whole)), "packed twice"},
		{"xz", []byte("\xfd7zXZ\x00 and so on"), "an xz file"},
		{"zstandard", []byte("\x28\xb5\x2f\xfd and so on"), "a zstandard file"},
		{"7z", []byte("7z\xbc\xaf\x27\x1c and so on"), "a 7z archive"},
		{"rar", []byte("Rar!\x1a\x07\x00 and so on"), "a rar archive"},
		{"bzip2", []byte("BZh91AY&SY and so on"), "a bzip2 file"},
		{"zip cut in the directory", whole[:len(whole)-10], "directory is broken"},
		{"zip cut in a member", whole[:20], "directory is broken"},
		{"gzip cut in its header", gz(t, rows)[:5], "ends early"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			gots := read(tt.in, Limits{})
			if len(gots) != 1 || gots[0].Name != "" || !strings.Contains(gots[0].Err, tt.says) || strings.Contains(gots[0].Err, "NOT INVALID") {
				t.Errorf("got %+v, want one error that says %q", gots, tt.says)
			}
		})
	}
}

func TestMembers_SaysWhereAGzipBreaks(t *testing.T) {
	text := strings.Repeat("17;LF;SU\n18;RF;DD\n", 200)
	whole := gz(t, text)
	for cut := 11; cut < len(whole); cut++ {
		gots := read(whole[:cut], Limits{})
		if len(gots) != 1 || !strings.Contains(gots[0].Err, "ends early") || !strings.HasPrefix(text, gots[0].Body) {
			t.Fatalf("cut at byte %d: %.200v", cut, gots)
		}
	}
	flipped := bytes.Clone(whole)
	flipped[len(flipped)-6] ^= 1
	if gots := read(flipped, Limits{}); len(gots) != 1 || !strings.Contains(gots[0].Err, "checksum") {
		t.Errorf("flipped: %.200v", gots)
	}
	tail := append(bytes.Clone(whole), "and some more bytes"...)
	if gots := read(tail, Limits{}); len(gots) != 1 || gots[0].Body != text || !strings.Contains(gots[0].Err, "where a gzip begins") {
		t.Errorf("with a tail: %.200v", gots)
	}
}

func TestMembers_BoundsBombs(t *testing.T) {
	zeros := strings.Repeat("\x00", 1<<20)
	small := Limits{Bytes: 1 << 30, Ratio: 50, Slack: 256 << 10, Members: 3}
	bytesOnly := Limits{Bytes: 1000, Ratio: 1 << 20, Slack: 1 << 20}
	// Several directory records that point at the same bytes: D. Fifield, "A
	// better zip bomb", WOOT 2019, in its plain form of full overlap.
	one := zipOf(t, entry{name: "a", body: strings.Repeat("0123456789abcdef", 4<<10)})
	start, end := bytes.Index(one, []byte("PK\x01\x02")), bytes.Index(one, []byte("PK\x05\x06"))
	overlap := bytes.Clone(one[:start])
	const copies = 40
	for i := range copies {
		record := bytes.Clone(one[start:end])
		record[46] = byte('A' + i)
		overlap = append(overlap, record...)
	}
	foot := bytes.Clone(one[end:])
	binary.LittleEndian.PutUint16(foot[8:], copies)
	binary.LittleEndian.PutUint16(foot[10:], copies)
	binary.LittleEndian.PutUint32(foot[12:], uint32(copies*(end-start)))
	overlap = append(overlap, foot...)

	many := func(n int) []byte {
		var e []entry
		for i := range n {
			e = append(e, entry{name: fmt.Sprint(i), body: "x"})
		}
		return zipOf(t, e...)
	}
	tests := []struct {
		name   string
		in     []byte
		limits Limits
		says   string // "" if it is no bomb
	}{
		{"gzip of zeros", gz(t, zeros), small, "at most 50 times"},
		{"zip of zeros", zipOf(t, entry{name: "a", body: zeros}), small, "at most 50 times"},
		{"gzip of zeros in a zip", zipOf(t, entry{name: "a.gz", body: string(gz(t, zeros))}), small, "at most 50 times"},
		{"members that overlap", overlap, Limits{Ratio: 50, Slack: 256 << 10}, "at most 50 times"},
		{"too many members", many(4), small, "at most 3, got more"},
		{"as many members as may be", many(3), small, ""},
		{"too many bytes", gz(t, strings.Repeat(rows, 60)), bytesOnly, "at most 1000 bytes"},
		{"few bytes of a high ratio", gz(t, zeros[:200<<10]), small, ""},
		{"plain bytes are not bounded", []byte(zeros), bytesOnly, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			gots := read(tt.in, tt.limits)
			last := gots[len(gots)-1]
			if tt.says == "" && last.Err != "" || !strings.Contains(last.Err, tt.says) || strings.Contains(last.Err, "NOT") {
				t.Errorf("err = %q, want %q", last.Err, tt.says)
			}
			if tt.says != "" && last.Name != "" {
				t.Errorf("the iteration does not end with the original's error: %+v", last.Name)
			}
			total := 0
			for _, g := range gots {
				total += len(g.Body)
			}
			if tt.says != "" && total > 2*int(small.Slack) {
				t.Errorf("%d bytes were unpacked", total)
			}
		})
	}
	t.Run("default limits", func(t *testing.T) {
		var b bytes.Buffer
		w := gzip.NewWriter(&b)
		for range 80 {
			if err := writeString(w, zeros); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		for m := range Members(bytes.NewReader(b.Bytes()), int64(b.Len()), "in", Limits{}) {
			if m.Reader == nil {
				continue
			}
			n, err := io.Copy(io.Discard, m.Reader)
			if !errors.Is(err, events.ErrInvalid) || n > 65<<20 {
				t.Errorf("%d bytes, %v", n, err)
			}
		}
	})
}

func TestMembers_KeepsTheKindOfTheReadersError(t *testing.T) {
	gone := fmt.Errorf("the share is gone: %w", events.ErrUnavailable)
	for name, whole := range map[string][]byte{
		"plain": []byte(strings.Repeat(rows, 1000)),
		"gzip":  gz(t, strings.Repeat(rows, 1000)),
		"zip":   zipOf(t, entry{name: "a", body: strings.Repeat(rows, 1000)}),
	} {
		t.Run(name, func(t *testing.T) {
			for _, from := range []int64{0, int64(len(whole)) / 2, int64(len(whole)) - 30} {
				var last error
				for m, err := range Members(&failing{bytes.NewReader(whole), from, gone}, int64(len(whole)), "in", Limits{}) {
					if err == nil {
						_, err = io.Copy(io.Discard, m.Reader)
					}
					last = err
				}
				if !errors.Is(last, events.ErrUnavailable) || errors.Is(last, events.ErrInvalid) {
					t.Errorf("fails from byte %d: %v, want unavailable", from, last)
				}
			}
		})
	}
}

type failing struct {
	io.ReaderAt
	from int64
	err  error
}

func (f *failing) ReadAt(p []byte, off int64) (int, error) {
	if off+int64(len(p)) > f.from {
		return 0, f.err
	}
	return f.ReaderAt.ReadAt(p, off)
}

func TestMembers_ReadersKeepTheContractOfIO(t *testing.T) {
	text := strings.Repeat(rows, 500)
	for _, in := range [][]byte{[]byte(text), gz(t, text), zipOf(t, entry{name: "a", body: text}), zipOf(t, entry{name: "a.gz", body: string(gz(t, text))})} {
		for m, err := range Members(bytes.NewReader(in), int64(len(in)), "in", Limits{}) {
			if err != nil {
				t.Fatal(err)
			}
			if err := iotest.TestReader(m.Reader, []byte(text)); err != nil {
				t.Error(err)
			}
		}
	}
}

func TestMembers_CanBeLeftEarly(t *testing.T) {
	in := zipOf(t, entry{name: "a", body: rows}, entry{name: "b", body: rows})
	for m, err := range Members(bytes.NewReader(in), int64(len(in)), "in", Limits{}) {
		if m.Name != "a" || err != nil {
			t.Errorf("member %q, %v", m.Name, err)
		}
		break
	}
}

// TestMembers_StreamsLargeOriginals holds that memory does not grow with size.
func TestMembers_StreamsLargeOriginals(t *testing.T) {
	size := int64(32 << 20)
	if *long {
		size = 2<<30 + 1
	}
	name := filepath.Join(t.TempDir(), "large")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	line := []byte(rows)
	for n := int64(0); n < size; n += int64(len(line)) {
		if _, err := w.Write(line); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.Close(), f.Truncate(size)); err != nil {
		t.Fatal(err)
	}
	for name, in := range map[string]struct {
		r    io.ReaderAt
		size int64
	}{"plain": {f, size}, "gzip": {bytes.NewReader(b.Bytes()), int64(b.Len())}} {
		allocs := testing.AllocsPerRun(1, func() {
			for m, err := range Members(in.r, in.size, name, Limits{Ratio: 1100}) {
				if err != nil {
					t.Fatal(err)
				}
				if n, err := io.Copy(io.Discard, m.Reader); n < size || err != nil {
					t.Errorf("%s: %d bytes, %v", name, n, err)
				}
			}
		})
		if allocs > 200 {
			t.Errorf("%s: %.0f allocations", name, allocs)
		}
	}
}

func FuzzMembers(f *testing.F) {
	f.Add([]byte(rows))
	f.Add(gz(f, rows, rows))
	f.Add(zipOf(f, entry{name: "a.csv", body: rows}, entry{name: "b.csv.gz", body: string(gz(f, rows))}))
	f.Add(zipOf(f, entry{name: "../a\x00", body: rows}, entry{name: "a/"}))
	f.Add(patch(f, zipOf(f, entry{name: "a", body: rows}), 0, 20, 0xffff))
	limits := Limits{Bytes: 1 << 20, Ratio: 100, Slack: 64 << 10, Members: 10}
	f.Fuzz(func(t *testing.T, b []byte) {
		total, members := 0, 0
		for _, g := range read(b, limits) {
			if strings.HasPrefix(g.Err, "NOT INVALID") {
				t.Fatal(g.Err)
			}
			if !printable(g.Name) {
				t.Fatalf("name %q may not be printed", g.Name)
			}
			total += len(g.Body)
			members++
		}
		if sniff(b[:min(len(b), headSize)]) != plain && total > 1<<20 || members > 11 {
			t.Fatalf("%d bytes in %d members", total, members)
		}
	})
}

func printable(s string) bool { return label(s) == s || s == "" || s[0] == '"' }
