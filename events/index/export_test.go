package index

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
)

// TB is the part of a test that helpers need.
type TB interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

var _ TB = testing.TB(nil)

// Dump writes everything that is derived from the log as text: not raw rows,
// hints, and where a record's raw row stands.
func Dump(t TB, path string) string {
	t.Helper()
	d, err := openDB(path)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = d.close() }()
	var b strings.Builder
	for _, table := range []string{
		"sources", "days", "exports", "originals", "names", "sequences", "tails", "held", "decided", "waits", "waiting",
	} {
		fmt.Fprintf(&b, "%s\n", table)
		var lines []string
		err := d.prepared("SELECT * FROM " + table).each(func(row []value) error {
			lines = append(lines, fmt.Sprintf("  %v\n", row))
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		slices.Sort(lines)
		b.WriteString(strings.Join(lines, ""))
	}
	err = d.prepared("SELECT k, v FROM records ORDER BY k").each(func(row []value) error {
		var r Record
		if !r.parse(blob(row[0]), blob(row[1])) {
			t.Fatalf("record %x is damaged", row[0])
		}
		r.segment, r.row, r.check = 0, 0, 0
		fmt.Fprintf(&b, "  %x %+v\n", row[0], r)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// Overwrite changes one byte of a file.
func Overwrite(t TB, path string, at int64) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	var b [1]byte
	if _, err := f.ReadAt(b[:], at); err != nil {
		t.Fatal(err)
	}
	b[0] ^= 0x55
	if _, err := f.WriteAt(b[:], at); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}
