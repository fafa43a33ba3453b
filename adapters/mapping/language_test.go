package mapping

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"dewclaw/adapters"
	"dewclaw/adapters/csv"
	jsonrows "dewclaw/adapters/json"
	"dewclaw/events"
)

var update = flag.Bool("update", false, "rewrite the golden files with what comes out")

var formats = map[string]adapters.NewDecoder{"csv": csv.NewDecoder, "json": jsonrows.NewDecoder, "ndjson": jsonrows.NewDecoder}

// Each mapping in testdata/language shows some of the language, with what must
// come out of the rows beside it.
func TestLanguage(t *testing.T) {
	files, err := filepath.Glob("testdata/language/*.yaml")
	if err != nil || len(files) < 8 {
		t.Fatalf("saw %d mappings, %v", len(files), err)
	}
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".yaml")
		t.Run(name, func(t *testing.T) {
			got, err := RunExamples(os.DirFS("testdata/language"), name, formats)
			if err != nil {
				t.Fatal(err)
			}
			if len(got.Results) == 0 {
				t.Fatal("no examples beside it")
			}
			if *update {
				rewrite(t, strings.TrimSuffix(f, ".yaml")+".txtar", got)
			} else if !got.Passed() {
				t.Error(got)
			}
		})
	}
}

// rewrite puts what came out into the file of examples.
func rewrite(t *testing.T, file string, e Examples) {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	old := txtar.Parse(b)
	out := txtar.Archive{Comment: old.Comment}
	for _, r := range e.Results {
		dir := r.Case
		if dir != "" {
			dir += "/"
		}
		for _, f := range old.Files {
			if base, ok := strings.CutPrefix(f.Name, dir); ok && strings.HasPrefix(base, "in.") {
				out.Files = append(out.Files, f)
			}
		}
		for _, n := range []string{"events.ndjson", "held.txt"} {
			if r.Wrote[n] != "" {
				out.Files = append(out.Files, txtar.File{Name: dir + n, Data: []byte(r.Wrote[n])})
			}
		}
	}
	if err := os.WriteFile(file, txtar.Format(&out), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Each file in testdata/mistakes is a mapping and all that is wrong with it, with
// file, line and column, in one go.
func TestParse_TellsAllMistakesAtOnce(t *testing.T) {
	files, err := filepath.Glob("testdata/mistakes/*.txtar")
	if err != nil || len(files) < 5 {
		t.Fatalf("saw %d files, %v", len(files), err)
	}
	for _, f := range files {
		t.Run(filepath.Base(f), func(t *testing.T) {
			a, err := txtar.ParseFile(f)
			if err != nil {
				t.Fatal(err)
			}
			src := a.Files[0].Data
			if bytes.Contains(src, []byte("direction: out")) {
				_, err = ParseOutward("m.yaml", src)
			} else {
				_, err = ParseInward("m.yaml", src)
			}
			if err == nil {
				t.Fatal("no mistake was found")
			}
			if !errors.Is(err, events.ErrInvalid) {
				t.Errorf("kind: got %v", err)
			}
			got := ""
			for line := range strings.Lines(err.Error() + "\n") {
				got += line
			}
			for _, h := range events.Hints(err) {
				got += "hint: " + h + "\n"
			}
			if *update {
				a.Files[1].Data = []byte(got)
				if err := os.WriteFile(f, txtar.Format(a), 0o644); err != nil {
					t.Fatal(err)
				}
			} else if diff := cmp.Diff(string(a.Files[1].Data), got); diff != "" {
				t.Errorf("errors (-want +got):\n%s", diff)
			}
		})
	}
}
