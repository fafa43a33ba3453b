package ade

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/adapters/json"
	"dewclaw/events"
)

func read(t testing.TB, text, resource string) []adapters.Row {
	t.Helper()
	rows, err := readRows(text, resource)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func readRows(text, resource string) ([]adapters.Row, error) {
	d, err := NewDecoder(json.NewDecoder)(strings.NewReader(text), adapters.Layout{Format: "ade", Resource: resource})
	if err != nil {
		return nil, err
	}
	if _, err := d.Head(); err != nil {
		return nil, err
	}
	var rows []adapters.Row
	for {
		rows, err = d.Read(rows, 3)
		if errors.Is(err, io.EOF) {
			return rows, nil
		}
		if err != nil {
			return nil, err
		}
	}
}

func faulty(r adapters.Row) bool { return r.Fault != nil }

// Outside check: the examples of adewg/ICAR have no resourceType and no zone, and
// say the one only by the file they stand in.
func TestDecoder_ReadsTheExamplesOfADE(t *testing.T) {
	dir := os.Getenv("DEWCLAW_ADE")
	if dir == "" {
		t.Skip("DEWCLAW_ADE is not set: ADE's examples are not read")
	}
	for name, resource := range map[string]string{
		"exampleDryOffEventResources_Finland.json":       DryingOff,
		"exampleDryOffEventResources_Sweden.json":        DryingOff,
		"exampleInseminationEventResources_Finland.json": Insemination,
	} {
		b, err := os.ReadFile(filepath.Join(dir, "examples", name))
		if err != nil {
			t.Fatal(err)
		}
		rows := read(t, string(b), resource)
		if len(rows) == 0 {
			t.Errorf("%s: no rows", name)
		}
		for _, r := range rows {
			o := r.Value.(map[string]any)
			at := o["eventDateTime"].(string)
			if r.Fault != nil || o["resourceType"] != resource || o[keyMember] == "" || len(o[animalMember].(map[string]any)) != 1 ||
				strings.Contains(at, "00:00:00") {
				t.Errorf("%s line %d: %v, at %s", name, r.Line, r.Fault, at)
			}
		}
		for _, r := range read(t, string(b), "") {
			if r.Fault == nil || r.Fault.Field != "resourceType" {
				t.Errorf("%s line %d: taken without a type: %v", name, r.Line, r.Fault)
			}
		}
	}
}

// A document is a collection, an array or one resource; an empty one has no rows.
func TestDecoder_KnowsWhatADocumentIs(t *testing.T) {
	one := `{"resourceType":"DiagnosisEvent","id":"1"}`
	for _, c := range []struct {
		name, text string
		rows       int
	}{
		{"a collection", `{"view":{},"member":[` + one + `,` + one + `]}`, 2},
		{"an array", "\ufeff \n[" + one + "," + one + "," + one + "]", 3},
		{"one resource", " " + one + "\n", 1},
		{"an empty collection", `{"view":{"totalItems":0},"member":[]}`, 0},
		{"an empty array", `[]`, 0},
	} {
		rows := read(t, c.text, "")
		if len(rows) != c.rows {
			t.Errorf("%s: %d rows, want %d", c.name, len(rows), c.rows)
		}
		for _, r := range rows {
			if r.Fault != nil || r.Value.(map[string]any)["resourceType"] != Diagnosis || r.Text != one {
				t.Errorf("%s: %q %v", c.name, r.Text, r.Fault)
			}
		}
	}
	for _, text := range []string{"", "7", `"x"`, `{"member":7}`, `{"member":[7,null,"x",[]]}`, `{"resourceType":"a b"}`, `{"member":[{}`} {
		rows, err := readRows(text, "")
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		for _, r := range rows {
			if r.Fault == nil {
				t.Errorf("%q: %q is taken", text, r.Text)
			}
		}
	}
}

// By what a resource is known again: what the source calls it before what the
// server does, and either before what it says.
func TestDecoder_KeysOfResources(t *testing.T) {
	for _, c := range []struct{ text, key string }{
		{`{"resourceType":"AttentionEvent","id":"i","meta":{"source":"s","sourceId":"x"}}`, Attention + " s x"},
		{`{"resourceType":"AttentionEvent","id":"i","meta":{"source":"s","sourceId":null}}`, Attention + " i"},
		{`{"resourceType":"Animal","identifier":{"scheme":"eu.bovine","id":"NL 1"}}`, Animal + " eu.bovine NL 1 "},
		{`{"resourceType":"AttentionEvent","animal":{"scheme":"eu.bovine","id":"NL 1"},"eventDateTime":"2026-03-02T00:00:00Z"}`, Attention + " eu.bovine NL 1 2026-03-02"},
		{`{"resourceType":"AttentionEvent"}`, ""},
	} {
		if got := read(t, c.text, "")[0].Value.(map[string]any)[keyMember]; got != c.key {
			t.Errorf("%s: key %q, want %q", c.text, got, c.key)
		}
	}
}

// Names of resource types: the forms of adewg/ICAR,
// resources/resourceTypeCatalog.md.
func TestResourceType(t *testing.T) {
	for given, want := range map[string]string{
		"icarDiagnosisEventResource":                     Diagnosis,
		"DiagnosisEvent":                                 Diagnosis,
		"icarDiagnosisEventResource.json":                Diagnosis,
		"http://data.adewg.icar.org/core/DiagnosisEvent": Diagnosis,
		"icar:DiagnosisEvent":                            Diagnosis,
		"Animal":                                         Animal,
		"icar:ReproInsemonationEvent":                    Insemination,
		"icarReproInsemonationEventResource":             Insemination,
		"":                                               "",
		"icarResource":                                   "",
		"a b":                                            "",
		"http://data.adewg.icar.org/core/icarX1.Resource": "",
	} {
		if got := ResourceType(given); got != want {
			t.Errorf("%q: %q, want %q", given, got, want)
		}
	}
}

// Forms of RFC 3339 and of the examples of adewg/ICAR.
func TestMoment(t *testing.T) {
	for given, want := range map[string]string{
		"2026-03-02":                        "2026-03-02",
		"2026-03-02T00:00:00":               "2026-03-02",
		"2026-03-02T00:00:00Z":              "2026-03-02",
		"2026-03-02T00:00:00.000+00:00":     "2026-03-02",
		"2026-03-02T00:00:00+01:00":         "2026-03-02T00:00:00+01:00",
		"2026-03-02T08:15:00":               "2026-03-02T08:15:00",
		"2026-03-02t08:15:00z":              "2026-03-02T08:15:00Z",
		"2026-03-02T08:15Z":                 "2026-03-02T08:15:00Z",
		"2017-03-29T08:49:06.0421042+00:00": "2017-03-29T08:49:06.042Z",
		"2017-03-29T08:49:06.10-05:00":      "2017-03-29T08:49:06.100-05:00",
		"2017-03-29 08:49:06Z":              "2017-03-29T08:49:06Z",
		"20 Nov 2024":                       "20 Nov 2024",
		"2024-13-40T99:00:00Z":              "2024-13-40T99:00:00Z",
		"2026-03-02Tnoon":                   "2026-03-02Tnoon",
		"":                                  "",
	} {
		if got := Moment(given); got != want {
			t.Errorf("%q: %q, want %q", given, got, want)
		}
	}
}

func TestNewDecoder_RefusesWhatMakesNoSense(t *testing.T) {
	for _, l := range []adapters.Layout{{Each: "$.x"}, {Resource: "what is it"}} {
		if _, err := NewDecoder(json.NewDecoder)(strings.NewReader("[]"), l); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%+v: %v", l, err)
		}
	}
}
