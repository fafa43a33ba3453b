package demo

import (
	"flag"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"

	"dewclaw/adapters/mapping"
)

var update = flag.Bool("update", false, "write what the examples give; review the difference")

// TestExamples_AreRightAndShowEveryCode runs the examples beside the mappings,
// as "dewclaw check" does in the demo's folder.
func TestExamples_AreRightAndShowEveryCode(t *testing.T) {
	files, err := fs.Glob(project, "files/mappings/*.txtar")
	if err != nil || len(files) != 6 {
		t.Fatalf("%d files of examples (%v), wanted one for each source", len(files), err)
	}
	const dir = "files/mappings"
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".txtar")
		x, err := mapping.RunExamples(os.DirFS(dir), name, decoders)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if *update {
			rewrite(t, filepath.Join(dir, name+".txtar"), x)
			continue
		}
		if !x.Passed() || len(x.Unused) > 0 || len(x.Unmet) > 0 || len(x.Results) < 2 {
			t.Errorf("%s: %v", name, x)
		}
	}
}

func rewrite(t *testing.T, file string, x mapping.Examples) {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	old := txtar.Parse(b)
	next := &txtar.Archive{Comment: old.Comment}
	for _, r := range x.Results {
		var names []string
		for name, text := range r.Wrote {
			if text != "" {
				names = append(names, name)
			}
		}
		slices.SortFunc(names, func(a, b string) int { // the input first
			return strings.Compare(strings.TrimPrefix(a, "in."), strings.TrimPrefix(b, "in."))
		})
		slices.SortStableFunc(names, func(a, b string) int {
			return map[bool]int{true: 0, false: 1}[strings.HasPrefix(a, "in.")] - map[bool]int{true: 0, false: 1}[strings.HasPrefix(b, "in.")]
		})
		for _, name := range names {
			next.Files = append(next.Files, txtar.File{Name: r.Case + "/" + name, Data: []byte(r.Wrote[name])})
		}
	}
	if err := os.WriteFile(file, txtar.Format(next), 0o644); err != nil {
		t.Fatal(err)
	}
}
