package mapping

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/rogpeppe/go-internal/txtar"

	"dewclaw/schema"
)

// The published schema of mappings and the parser agree: what the parser takes
// the schema takes, and what is wrong in its form the schema refuses too.
func TestSchema_AcceptsWhatIsParsed(t *testing.T) {
	var files []string
	for _, glob := range []string{
		"testdata/language/*.yaml", "testdata/outward/*.yaml", samples + "/*.yaml", "../../testdata/bench/*.yaml", "../../daemon/internal/demo/files/mappings/*.yaml",
	} {
		f, err := filepath.Glob(glob)
		if err != nil || len(f) == 0 {
			t.Fatalf("%s: saw %d files, %v", glob, len(f), err)
		}
		files = append(files, f...)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseInward(f, b); err != nil {
			if _, err2 := ParseOutward(f, b); err2 != nil {
				t.Errorf("%s: %v\n%v", f, err, err2)
			}
		}
		if v := schema.CheckDocument("mapping", decodeYAML(t, b)); len(v) > 0 {
			t.Errorf("%s: the schema says %v", f, v)
		}
	}
}

func TestSchema_RefusesWhatHasAWrongForm(t *testing.T) {
	for _, f := range []string{"keys", "values", "out", "minimal"} {
		a, err := txtar.ParseFile("testdata/mistakes/" + f + ".txtar")
		if err != nil {
			t.Fatal(err)
		}
		if v := schema.CheckDocument("mapping", decodeYAML(t, a.Files[0].Data)); len(v) == 0 {
			t.Errorf("%s: the schema accepts it", f)
		}
	}
}

func decodeYAML(t *testing.T, b []byte) any {
	t.Helper()
	var doc map[string]any
	if err := yaml.UnmarshalWithOptions(b, &doc, yaml.AllowDuplicateMapKey()); err != nil {
		t.Fatal(err)
	}
	return doc
}
