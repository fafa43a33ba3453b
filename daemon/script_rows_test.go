package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// rowColumns is the layout of the scripts: a row is an examination with a lesion.
const rowColumns = "tag,date,time,foot,claw,zone,lesion,sev,note"

// goodRows makes n rows: animals and times that never meet twice.
func goodRows(n int) string { return rowsFrom(0, n) }

// rowsFrom makes n rows of the same, leaving out the first ones.
func rowsFrom(first, n int) string {
	var b strings.Builder
	b.WriteString(rowColumns + "\n")
	const perDay = 12 * 60
	for i := first; i < first+n; i++ {
		at := time.Date(2024, 1, 1+i/perDay, 6, i%perDay, 0, 0, time.UTC)
		fmt.Fprintf(&b, "DE09%08d,%s,%s,%s,outer,4,SU,%d,\n",
			100+i%700, at.Format(time.DateOnly), at.Format(time.TimeOnly), []string{"LH", "RH"}[i%2], 1+i%3)
	}
	return b.String()
}

func number(ts *testscript.TestScript, s string) int {
	n, err := strconv.Atoi(s)
	ts.Check(err)
	return n
}

func writeFile(ts *testscript.TestScript, name string, b []byte) {
	path := ts.MkAbs(name)
	ts.Check(os.MkdirAll(filepath.Dir(path), 0o755))
	ts.Check(os.WriteFile(path, b, 0o644))
}

func rowsFile(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: rows file N")
	}
	writeFile(ts, args[0], []byte(goodRows(number(ts, args[1]))))
}

func rotCell(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: rot file LINE COLUMN VALUE")
	}
	lines := strings.SplitAfter(ts.ReadFile(args[0]), "\n")
	i := number(ts, args[1]) - 1
	cells := strings.Split(strings.TrimSuffix(lines[i], "\n"), ",")
	cells[slices.Index(strings.Split(rowColumns, ","), args[2])] = strings.Join(args[3:], " ")
	lines[i] = strings.Join(cells, ",") + "\n"
	writeFile(ts, args[0], []byte(strings.Join(lines, "")))
}

// growFile writes in pieces with short breaks between them: the breaks are what
// is tested, nothing is waited for.
func growFile(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: grow file N")
	}
	all := []byte(goodRows(number(ts, args[1])))
	f, err := os.Create(ts.MkAbs(args[0]))
	ts.Check(err)
	for piece := range slices.Chunk(all, len(all)/40+1) {
		_, err := f.Write(piece)
		ts.Check(err)
		time.Sleep(20 * time.Millisecond)
	}
	ts.Check(f.Close())
}

// fed counts the different events in the feed files of a folder.
func fed(folder string) int {
	ids := map[string]bool{}
	files, _ := filepath.Glob(filepath.Join(folder, "*.ndjson"))
	for _, f := range files {
		b, _ := os.ReadFile(f)
		for line := range bytes.Lines(b) {
			var e struct {
				ID string `json:"id"`
			}
			if json.Unmarshal(line, &e) == nil {
				ids[e.ID] = true
			}
		}
	}
	return len(ids)
}

func untilFed(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: until-fed folder N")
	}
	want := number(ts, args[1])
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		got := fed(ts.MkAbs(args[0]))
		if got == want {
			return
		}
		if time.Now().After(end) || got > want {
			ts.Fatalf("%d events in %s, wanted %d", got, args[0], want)
		}
	}
}

func ascending(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: ascending file REGEXP N")
	}
	re, err := regexp.Compile(args[1])
	ts.Check(err)
	var text strings.Builder
	if args[0] == "stdout" {
		text.WriteString(ts.ReadFile("stdout"))
	} else {
		names, err := filepath.Glob(ts.MkAbs(args[0]))
		ts.Check(err)
		slices.Sort(names)
		for _, n := range names {
			b, err := os.ReadFile(n)
			ts.Check(err)
			text.Write(b)
		}
	}
	last, n := 0, 0
	for line := range strings.Lines(text.String()) {
		m := re.FindStringSubmatch(line)
		if m == nil {
			continue
		}
		if got := number(ts, m[1]); got <= last {
			ts.Fatalf("%d comes behind %d", got, last)
		} else {
			last = got
		}
		n++
	}
	if want := number(ts, args[2]); n != want {
		ts.Fatalf("%d matches, wanted %d", n, want)
	}
}
