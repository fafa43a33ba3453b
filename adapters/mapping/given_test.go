package mapping

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
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
	given := inputs(t, dir)
	if len(given) < len(seven) {
		t.Fatalf("%s: got the inputs %v, want %d", dir, given, len(seven))
	}
	if got := inputs(t, samples); !slices.Equal(got, given) {
		t.Errorf("got the inputs %v, want %v", got, given)
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

// inputs returns the names of the inputs of a folder, in order.
func inputs(t *testing.T, dir string) []string {
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
