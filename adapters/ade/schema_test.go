package ade

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v5"

	"dewclaw/events"
)

// A judge holds what is written to ADE's own JSON Schemas: those of adewg/ICAR,
// branch Develop, commit 2b32bb590c5c2e4faa8ac03daba5a865444807be of 2024-02-08,
// in the folder that DEWCLAW_ADE names.
type judge struct {
	t        testing.TB
	dir      string
	compiler *jsonschema.Compiler
	seen     map[string]int
}

// toes are the positions that were added in 2026 (adewg/ICAR pull request 593).
var toes = []string{
	"InnerToeFrontLeft", "OuterToeFrontLeft", "InnerToeFrontRight", "OuterToeFrontRight",
	"InnerToeRearLeft", "OuterToeRearLeft", "InnerToeRearRight", "OuterToeRearRight",
}

// newJudge skips the test if the variable is not set, and fails it if it is and
// the schemas are not there. With added, positions may be toes.
func newJudge(t testing.TB, added bool) *judge {
	t.Helper()
	dir := os.Getenv("DEWCLAW_ADE")
	if dir == "" {
		t.Skip("DEWCLAW_ADE is not set: nothing is checked by ADE's schemas")
	}
	if _, err := os.Stat(filepath.Join(dir, "resources", Diagnosis+".json")); err != nil {
		t.Fatalf("DEWCLAW_ADE is set and the schemas are not there: %v", err)
	}
	c := jsonschema.NewCompiler()
	c.Draft, c.AssertFormat = jsonschema.Draft7, true
	c.LoadURL = func(s string) (io.ReadCloser, error) {
		u, err := url.Parse(s)
		if err != nil {
			return nil, err
		}
		b, err := os.ReadFile(u.Path)
		if err != nil {
			return nil, err
		}
		if added && strings.HasSuffix(u.Path, "icarPositionOnAnimalType.json") {
			b = bytes.Replace(b, []byte(`"enum": [`), []byte(`"enum": ["`+strings.Join(toes, `","`)+`",`), 1)
		}
		return io.NopCloser(bytes.NewReader(b)), nil
	}
	return &judge{t, dir, c, map[string]int{}}
}

// schema compiles a schema of a folder of ADE: resources, collections.
func (j *judge) schema(folder, name string) *jsonschema.Schema {
	j.t.Helper()
	s, err := j.compiler.Compile("file://" + filepath.ToSlash(filepath.Join(j.dir, folder, name+".json")))
	if err != nil {
		j.t.Fatal(err)
	}
	return s
}

// resource returns what is wrong with a resource by the schema of its type, and
// counts it.
func (j *judge) resource(text []byte) error {
	j.t.Helper()
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	var v map[string]any
	if err := d.Decode(&v); err != nil {
		return err
	}
	kind, _ := v["resourceType"].(string)
	if ResourceType(kind) != kind {
		return fmt.Errorf("resourceType %q", kind)
	}
	j.seen[kind]++
	return j.schema("resources", kind).Validate(v)
}

// writes checks an event that the writer carries, and that its deletion is valid
// too. It returns the resource; nil if it is not carried.
func (j *judge) writes(w *Writer, p events.Payload) []byte {
	j.t.Helper()
	if !w.Carries(p.Kind(), p) {
		return nil
	}
	e := event(j.t, p)
	b, err := w.Append(nil, e, p)
	if err != nil {
		j.t.Fatalf("%s: %v", e.Data, err)
	}
	if err := j.resource(b); err != nil {
		j.t.Fatalf("%s\n%#v", b, err)
	}
	return b
}
