package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// A room is one row of the table of rooms in DEVELOPERS.md.
type room struct {
	imports []string
	any     bool
}

// TestRooms holds the tables of DEVELOPERS.md: every import of ours is in the
// row of its room, every room has a row, every library with a door is opened
// there only (tests may open it anywhere), and no top-level entry is a surprise.
func TestRooms(t *testing.T) {
	const root = ".."
	rooms, doors := readTables(t, filepath.Join(root, "DEVELOPERS.md"))
	seen := map[string]bool{}
	files := 0
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if base := d.Name(); base != ".." && strings.HasPrefix(base, ".") || base == "testdata" {
				return fs.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(name, ".go") {
			return nil
		}
		files++
		rel, err := filepath.Rel(root, name)
		if err != nil {
			return err
		}
		here := path.Dir(filepath.ToSlash(rel))
		seen[here] = true
		r, ok := rooms[here]
		if !ok {
			t.Errorf("%s: room %q has no row in DEVELOPERS.md", rel, here)
			return nil
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, imp := range f.Imports {
			p, err := strconv.Unquote(imp.Path.Value)
			if err != nil {
				return err
			}
			checkImport(t, rel, here, p, r, doors)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if files < 10 {
		t.Fatalf("saw %d Go files: the walk is broken", files)
	}
	for name := range rooms {
		if !seen[name] {
			t.Errorf("DEVELOPERS.md has a row for %q, which has no Go file", name)
		}
	}
	top := []string{
		"daemon", "events", "schema", "adapters", "testdata", "go.mod", "go.sum", "README.md", "DEVELOPERS.md",
		"compose.yaml", "LICENSE", "CHANGELOG.md",
	}
	entries, err := os.ReadDir(root)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(top, e.Name()) {
			t.Errorf("top-level entry %q is not one of %v", e.Name(), top)
		}
	}
}

func checkImport(t *testing.T, file, here, imported string, r room, doors map[string][]string) {
	t.Helper()
	if target, ours := strings.CutPrefix(imported, "dewclaw/"); ours {
		test := strings.HasSuffix(file, "_test.go")
		if target != here && !r.any && !test && !slices.Contains(r.imports, target) {
			t.Errorf("%s: %s must not import %s (see the table of rooms in DEVELOPERS.md)", file, here, target)
		}
		return
	}
	if strings.HasSuffix(file, "_test.go") {
		return
	}
	for lib, open := range doors {
		if (imported == lib || strings.HasPrefix(imported, lib+"/")) && !slices.Contains(open, here) {
			t.Errorf("%s: %s is opened only in %v", file, lib, open)
		}
	}
}

// readTables reads the two tables of the section "Rooms".
func readTables(t *testing.T, name string) (map[string]room, map[string][]string) {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	rooms, doors := map[string]room{}, map[string][]string{}
	section := ""
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSpace(line)
		if h, ok := strings.CutPrefix(line, "## "); ok {
			section = h
		}
		if section != "Rooms" || !strings.HasPrefix(line, "|") || strings.HasPrefix(line, "|---") {
			continue
		}
		cells := strings.Split(strings.Trim(line, "|"), "|")
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		list := func(s string) []string {
			var out []string
			for p := range strings.SplitSeq(s, ",") {
				if p = strings.TrimSpace(p); p != "" {
					out = append(out, p)
				}
			}
			return out
		}
		switch {
		case cells[0] == "room" || cells[0] == "library":
		case len(cells) == 4:
			rooms[cells[0]] = room{imports: list(cells[2]), any: cells[2] == "*"}
		case len(cells) == 2:
			doors[cells[0]] = list(cells[1])
		}
	}
	if len(rooms) < 5 || len(doors) < 5 {
		t.Fatalf("%s: found %d rooms and %d doors", name, len(rooms), len(doors))
	}
	return rooms, doors
}
