package mapping

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The inputs beside our mappings are the given ones, byte for byte, and none of
// the given ones is missing: $DEWCLAW_SAMPLES names the folder they are given in.
func TestSamples_AreTheGivenOnes(t *testing.T) {
	dir := os.Getenv("DEWCLAW_SAMPLES")
	if dir == "" {
		if os.Getenv("CI") != "" {
			t.Fatal("DEWCLAW_SAMPLES is not set; .ci/run sets it")
		}
		t.Skip("DEWCLAW_SAMPLES is not set: nothing to compare with; .ci/run sets it")
	}
	given := givenInputs(t, dir)
	if len(given) < 7 {
		t.Fatalf("%s: got the inputs %v, want 7", dir, given)
	}
	for _, name := range given {
		want, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(filepath.Join(samples, name)); err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s: %d bytes differ from the %d given ones (%v)", name, len(got), len(want), err)
		}
	}
}

// givenInputs returns the names of the inputs of a folder, in order.
func givenInputs(t *testing.T, dir string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, "0*"))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, f := range found {
		name := filepath.Base(f)
		if ext := filepath.Ext(name); ext != ".yaml" && !strings.Contains(name, ".golden.") {
			out = append(out, name)
		}
	}
	return out
}
