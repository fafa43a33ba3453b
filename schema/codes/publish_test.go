package codes

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
)

// record appends the versions of today to testdata/versions. It only ever appends.
var record = flag.Bool("record", false, "append the versions of the lists to those that are kept")

const versionsFile = "testdata/versions"

// TestLists_CountTheirVersion holds that a version of a list never changes: the
// file of versions keeps the SHA-256 of the entries of each.
func TestLists_CountTheirVersion(t *testing.T) {
	b, err := os.ReadFile(versionsFile)
	if err != nil && !*record {
		t.Fatal(err)
	}
	kept := map[string]string{}
	for s := bufio.NewScanner(bytes.NewReader(b)); s.Scan(); {
		list, sum, _ := strings.Cut(s.Text(), ": ")
		kept[list] = sum
	}
	var added strings.Builder
	for _, name := range Names() {
		l := Find(name)
		if len(l.Changes) != l.Version {
			t.Errorf("%s is version %d and tells %d changes", name, l.Version, len(l.Changes))
			continue
		}
		for i, c := range l.Changes {
			if c.Version != l.Version-i || c.What == "" {
				t.Errorf("%s: change %d is %+v", name, i, c)
			}
			if _, ok := kept[fmt.Sprint(name, " ", c.Version)]; !ok && c.Version < l.Version {
				t.Errorf("%s: version %d was never recorded", name, c.Version)
			}
		}
		key := fmt.Sprint(name, " ", l.Version)
		switch sum, ok := kept[key]; {
		case !ok && *record:
			fmt.Fprintf(&added, "%s: %s\n", key, sumOf(t, l))
		case !ok:
			t.Errorf("%s is new; run: go test ./schema/codes -run Version -record", key)
		case sum != sumOf(t, l):
			t.Errorf("the entries of %s changed; count its version up and say what is new in changes", key)
		}
	}
	if *record && !t.Failed() {
		if err := os.WriteFile(versionsFile, append(b, added.String()...), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// sumOf is the SHA-256 of the entries as they are published.
func sumOf(t *testing.T, l *List) string {
	t.Helper()
	var doc struct{ Entries json.RawMessage }
	if err := json.Unmarshal(written(t, l, "json"), &doc); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := json.Compact(&b, doc.Entries); err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(b.Bytes())
	return hex.EncodeToString(sum[:])
}

func written(t testing.TB, l *List, format string) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := l.Write(&b, format); err != nil {
		t.Fatalf("%s as %s: %v", l.Name, format, err)
	}
	return b.Bytes()
}

func TestList_WritesJSON(t *testing.T) {
	for _, name := range Names() {
		l := Find(name)
		var doc struct {
			List    string
			Version int
			About   string
			Changes []Change
			Entries []map[string]any
		}
		d := json.NewDecoder(bytes.NewReader(written(t, l, "json")))
		d.DisallowUnknownFields()
		if err := d.Decode(&doc); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if doc.List != name || doc.Version != l.Version || doc.About != l.About || !slices.Equal(doc.Changes, l.Changes) || len(doc.Entries) != len(l.Entries()) {
			t.Errorf("%s: %s version %d, %d entries", name, doc.List, doc.Version, len(doc.Entries))
		}
		for i, e := range l.Entries() {
			x := doc.Entries[i]
			if x["code"] != e.Code || x["name"] != e.Name || x["meaning"] != e.Meaning || x["source"] != e.Source || x["seen"] != e.Seen {
				t.Errorf("%s %s is written as %v", name, e.Code, x)
			}
		}
	}
}

// The CSV reads back with a library as the sheet it was written from.
func TestList_WritesCSV(t *testing.T) {
	for _, name := range Names() {
		l := Find(name)
		rows, err := csv.NewReader(bytes.NewReader(written(t, l, "csv"))).ReadAll()
		s := l.Sheet()
		if err != nil || len(rows) != len(s.Rows)+1 || !slices.Equal(rows[0], s.Columns) || len(s.Rows) != len(l.Entries()) {
			t.Errorf("%s: %d rows, %v", name, len(rows), err)
			continue
		}
		if !slices.Equal(s.Columns[:3], []string{"code", "name", "meaning"}) || !slices.Equal(s.Columns[len(s.Columns)-2:], []string{"source", "seen"}) {
			t.Errorf("%s: columns %v", name, s.Columns)
		}
		for i, row := range rows[1:] {
			if !slices.Equal(row, s.Rows[i]) || row[0] != l.Entries()[i].Code || row[len(row)-2] != l.Entries()[i].Source {
				t.Errorf("%s: row %d is %q", name, i, row)
			}
		}
	}
}

func TestList_WritesATable(t *testing.T) {
	got := string(written(t, Find("advisories"), "table"))
	for _, want := range []string{"CODE", "LEVEL", "MEANING", "SETTINGS", "TEXT", "SOURCE", "toe-hairline", "82.55", "The toe is shorter than the rule for its", "common practice, no source"} {
		if !strings.Contains(got, want) {
			t.Errorf("the table of advisories lacks %q", want)
		}
	}
	if strings.Contains(got, "SEEN") {
		t.Error("the table of advisories has what only the CSV has")
	}
	lines := strings.Split(strings.TrimSuffix(got, "\n"), "\n")
	for _, l := range lines {
		if strings.HasSuffix(l, " ") {
			t.Errorf("%q ends in blanks", l)
		}
	}
	at := strings.Index(lines[0], "MEANING")
	if at < 0 || !strings.HasPrefix(lines[1][at:], "a block sits on a claw") {
		t.Errorf("columns are not aligned:\n%s\n%s", lines[0], lines[1])
	}
	// Letters beyond ASCII count as one.
	var b bytes.Buffer
	if err := writeTable(&b, &Sheet{Columns: []string{"a", "b"}, Rows: [][]string{{"äöü", "x"}, {"abc", "y"}}}); err != nil {
		t.Fatal(err)
	}
	if want := "A    B\näöü  x\nabc  y\n"; b.String() != want {
		t.Errorf("table %q, wanted %q", b.String(), want)
	}
	b.Reset()
	long := "one two three four five six seven eight nine ten eleven twelve"
	if err := writeTable(&b, &Sheet{Columns: []string{"a", "b"}, Rows: [][]string{{long, "x"}, {strings.Repeat("w", 50), ""}}}); err != nil {
		t.Fatal(err)
	}
	if want := "one two three four five six seven eight nine"; !strings.Contains(b.String(), want+strings.Repeat(" ", 8)+"x\n") || !strings.Contains(b.String(), "\nten eleven twelve\n") {
		t.Errorf("table %q", b.String())
	}
}

func TestList_WritesWhatItKnows(t *testing.T) {
	err := Find("feet").Write(new(bytes.Buffer), "xml")
	if !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "one of table, csv, json") {
		t.Errorf("format xml: %v", err)
	}
	full := errors.New("the disk is full")
	for _, f := range Formats() {
		if err := Find("feet").Write(fails{full}, f); !errors.Is(err, full) {
			t.Errorf("%s: %v, wanted the error of the writer", f, err)
		}
	}
}

type fails struct{ err error }

func (f fails) Write([]byte) (int, error) { return 0, f.err }

func ExampleList_Write() {
	if err := Find("devices").Write(os.Stdout, "table"); err != nil {
		fmt.Println(err)
	}
	// Output:
	// CODE   NAME   MEANING                                SOURCE
	// block  block  anything glued or nailed under a claw  common practice, no source
	// wrap   wrap   a bandage around the foot              common practice, no source
}
