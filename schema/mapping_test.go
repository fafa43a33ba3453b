package schema

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
)

func TestMappingSchema_AcceptsEveryMappingThereIs(t *testing.T) {
	seen := 0
	for _, pattern := range []string{"../testdata/samples/*.yaml", "../daemon/internal/demo/files/mappings/*.yaml", "../adapters/mapping/testdata/*.yaml"} {
		names, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			b, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			var doc any
			if err := yaml.Unmarshal(b, &doc); err != nil {
				t.Errorf("%s: %v", name, err)
				continue
			}
			seen++
			for _, v := range CheckDocument("mapping", doc) {
				t.Errorf("%s: %v", name, v)
			}
		}
	}
	if seen < 6 {
		t.Errorf("saw %d mappings", seen)
	}
}

func TestMappingSchema_NamesMistakes(t *testing.T) {
	const head = "mapping: m\ndirection: in\nread: {format: csv}\nrecord: {identifier: [ear-tag]}\n"
	tests := []struct {
		name, src string
		want      []string
	}{
		{"no direction", "mapping: m\nread: {format: csv}\nrecord: {key: A}\n", []string{"direction: wanted a value, got nothing"}},
		{"unknown key", head + "recrod: x\n", []string{`recrod: wanted a known member (nearest: record, read, row), got "recrod"`}},
		{"two places", head + "visit: {from: A, title: 1}\n", []string{`visit: wanted a value: a short form, or a map with one place to read from, got an object`}},
		{"unknown scheme", head + "animal: {eartag: A}\n", []string{`animal: wanted one of transponder, ear-tag, herd-number, herdbook, interbull, place, temporary, pseudonym, got "eartag"`}},
		{"two kinds", head + "events: [{lesion: {code: A}, treatment: {what: B}}]\n", []string{
			"events[0]: wanted one of the kinds examination, lesion, treatment, taken-off, check, locomotion, claw-measure, claw, order, group, animal, got an object",
		}},
		{"unknown field", head + "events: [{lesion: {cod: A}}]\n", []string{`events[0].lesion.cod: wanted a known member (nearest: code, claw, foot), got "cod"`}},
		{"decimal mark", head + "decimal: ';'\n", []string{`decimal: wanted one of ., ,, got ";"`}},
		{"out", "mapping: m\ndirection: out\nwrite: {format: xml}\ncolumns: {A: code}\n", []string{`write.format: wanted one of csv, ndjson, json, got "xml"`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var doc any
			if err := yaml.Unmarshal([]byte(tt.src), &doc); err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, v := range CheckDocument("mapping", doc) {
				got = append(got, v.String())
			}
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Errorf("violations (-want +got):\n%s", d)
			}
		})
	}
}
