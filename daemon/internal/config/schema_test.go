package config

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml/ast"
	"github.com/santhosh-tekuri/jsonschema/v5"

	"dewclaw/events"
)

const schemaFile = "../../../schema/v1/config.schema.json"

func compile(t testing.TB) *jsonschema.Schema {
	t.Helper()
	f, err := os.Open(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c := jsonschema.NewCompiler()
	c.AssertFormat = true
	if err := c.AddResource("config.schema.json", f); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("config.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// plain turns a YAML file into what the schema judges.
func plain(t testing.TB, src []byte) any {
	t.Helper()
	r := &reader{anchors: map[string]ast.Node{}, places: map[string]place{}}
	v := r.parse(src)
	if err := r.err(); err != nil {
		t.Fatal(err)
	}
	return r.plain(v)
}

// The schema and the tables of keys name the same keys at the same places.
func TestSchema_NamesTheSameKeys(t *testing.T) {
	b, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	var top map[string]any
	if err := json.Unmarshal(b, &top); err != nil {
		t.Fatal(err)
	}
	at := func(path string) map[string]any {
		n := top
		for part := range strings.SplitSeq(path, "/") {
			if part == "" {
				continue
			}
			next, ok := n[part].(map[string]any)
			if !ok {
				t.Fatalf("schema has no %s", path)
			}
			n = next
		}
		return n
	}
	const each = "additionalProperties"
	seen := 0
	check := func(path string, keys, must []string) {
		t.Helper()
		n := at(path)
		var got, required []string
		for k := range n["properties"].(map[string]any) {
			got = append(got, k)
		}
		if list, ok := n["required"].([]any); ok {
			for _, k := range list {
				required = append(required, k.(string))
			}
		}
		for _, l := range [][]string{got, keys, required, must} {
			slices.Sort(l)
		}
		if !slices.Equal(got, keys) {
			t.Errorf("%s: schema has %v, code has %v", path, got, keys)
		}
		if !slices.Equal(required, must) {
			t.Errorf("%s: schema wants %v, code wants %v", path, required, must)
		}
		if n[each] != false && path != "" {
			t.Errorf("%s: unknown keys are allowed", path)
		}
		seen++
	}
	check("", names(topMembers), musts(topMembers))
	check("properties/log", names(logMembers), musts(logMembers))
	check("properties/hub", names(hubMembers), musts(hubMembers))
	check("properties/hub/properties/tls", names(hubTLSMembers), musts(hubTLSMembers))
	check("properties/hub/properties/barns/"+each, names(barnMembers), musts(barnMembers))
	check("properties/hub/properties/barns/"+each+"/properties/gives/"+each, names(giveMembers), musts(giveMembers))
	check("properties/hub/properties/takes/"+each, names(takeMembers), musts(takeMembers))
	check("properties/farms/"+each, names(farmMembers), musts(farmMembers))
	check("properties/sources/"+each, names(sourceMembers), musts(sourceMembers))
	check("$defs/streamSource", names(streamSourceMembers), musts(streamSourceMembers))
	check("properties/sources/"+each+"/properties/mqtt", names(mqttSourceMembers), musts(mqttSourceMembers))
	check("properties/sources/"+each+"/properties/watermill", names(watermillSourceMembers), musts(watermillSourceMembers))
	check("properties/feeds/"+each+"/properties/to/properties/watermill", names(watermillMembers), musts(watermillMembers))
	check("properties/feeds/"+each+"/properties/to/properties/mqtt", names(mqttTargetMembers), musts(mqttTargetMembers))
	check("properties/sources/"+each+"/properties/http", names(httpSourceMembers), musts(httpSourceMembers))
	check("properties/sources/"+each+"/properties/mqtt-port", names(mqttPortMembers), musts(mqttPortMembers))
	check("properties/feeds/"+each+"/properties/to/properties/webhook", names(webhookMembers), musts(webhookMembers))
	check("properties/feeds/"+each+"/properties/to/properties/pull", names(pullMembers), musts(pullMembers))
	check("properties/feeds/"+each+"/properties/replies", names(repliesMembers), musts(repliesMembers))
	check("properties/listen", names(listenMembers), musts(listenMembers))
	check("properties/listen/properties/tls", names(listenTLSMembers), musts(listenTLSMembers))
	check("properties/tokens/items", names(tokenMembers), musts(tokenMembers))
	check("properties/lists/"+each, names(listMembers), musts(listMembers))
	check("properties/recipients/"+each, names(recipientMembers), musts(recipientMembers))
	check("properties/feeds/"+each, names(feedMembers), musts(feedMembers))
	ade := "properties/feeds/" + each + "/properties/ade"
	check(ade, names(adeMembers), musts(adeMembers))
	check(ade+"/properties/locations/"+each, names(adeSchemeMembers), musts(adeSchemeMembers))
	check("properties/feeds/"+each+"/properties/to", names(targetMembers), musts(targetMembers))
	check("properties/feeds/"+each+"/properties/to/properties/nats", names(streamTargetMembers), musts(streamTargetMembers))
	check("properties/feeds/"+each+"/properties/batch", names(batchMembers), musts(batchMembers))
	check("properties/grants/items", names(grantMembers), musts(grantMembers))
	check("properties/grants/items/properties/period", names(periodMembers), musts(periodMembers))
	check("$defs/tls", names(tlsMembers), musts(tlsMembers))
	check("$defs/secret", names(secretMembers), musts(secretMembers))
	objects := 0
	var walk func(path string, n any)
	walk = func(path string, n any) {
		switch n := n.(type) {
		case map[string]any:
			if props, ok := n["properties"].(map[string]any); ok {
				objects++
				for k, p := range props {
					if !described(p.(map[string]any), top) {
						t.Errorf("%s/properties/%s has no description", path, k)
					}
				}
			}
			for k, c := range n {
				walk(path+"/"+k, c)
			}
		case []any:
			for i, c := range n {
				walk(fmt.Sprint(path, "/", i), c)
			}
		}
	}
	walk("", top)
	if objects != seen {
		t.Errorf("schema has %d objects, %d were compared", objects, seen)
	}
	var kinds []string
	for _, k := range at("$defs/kind")["enum"].([]any) {
		kinds = append(kinds, k.(string))
	}
	if !slices.Equal(kinds, kindWords()) {
		t.Errorf("schema has kinds %v, want %v", kinds, kindWords())
	}
}

func musts[T any](m []member[T]) []string {
	var out []string
	for _, x := range m {
		if x.must {
			out = append(out, x.name)
		}
	}
	return out
}

func described(p, top map[string]any) bool {
	if p["description"] != nil {
		return true
	}
	ref, _ := p["$ref"].(string)
	name, ok := strings.CutPrefix(ref, "#/$defs/")
	if !ok {
		return false
	}
	return top["$defs"].(map[string]any)[name].(map[string]any)["description"] != nil
}

// What the schema refuses is refused here too, and the sample of version 1
// passes both.
func TestSchema_AgreesWithTheReader(t *testing.T) {
	s := compile(t)
	src, err := os.ReadFile(filepath.Join("testdata", "configs", "v1.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Validate(plain(t, src)); err != nil {
		t.Errorf("the schema refuses the sample: %v", err)
	}
	for _, tt := range []struct{ old, new string }{
		{"version: 1", "version: 2"},
		{"version: 1", `version: "1"`},
		{"    folder: in", "    fodler: in"},
		{"  chute:", "  Chute:"},
		{"    folder: in", "    folder: in\n    rest: 5"},
		{"    folder: in", "    folder: in\n    rest: 5 s"},
		{"    folder: in", "    folder: in\n    after: keeep"},
		{"    folder: in", "    folder: in\n    below: maybe"},
		{"    mapping: chute.yaml\n", ""},
		{"zone: Europe/Berlin", "name: x"},
		{"kinds: [lesion, treatment]", "kinds: []"},
		{"kinds: [lesion, treatment]", "kinds: [lesion, lesion]"},
		{"kinds: [lesion, treatment]", "kinds: [horn]"},
		{"to: {folder: out}", "to: {folder: out}\n    batch: {rows: 0}"},
		{"to: {folder: out}", "to: {folder: out}\n    batch: {size: 4MB}"},
		{"to: {folder: out}", "to: {nats: {url: \"http://a\", subject: b}}"},
		{"to: {folder: out}", "to: {nats: {url: \"nats://a\", subject: b, token: hunter2}}"},
		{"to: {folder: out}", "to: {mqtt: {url: \"mqtt://a\"}}"},
		{"to: {folder: out}", "to: {mqtt: {url: \"nats://a\", topic: b}}"},
		{"to: {folder: out}", "to: {mqtt: {url: \"mqtt://a\", topic: b, version: 4}}"},
		{"to: {folder: out}", "to: {mqtt: {url: \"mqtt://a\", topic: b, mode: plain}}"},
		{"    folder: in", "    mqtt: {url: \"mqtt://a\", topics: b, qos: 3}"},
		{"    folder: in", "    mqtt: {url: \"mqtt://a\", topics: []}"},
		{"    folder: in", "    watermill: {transport: kafka, url: \"redis://a\", topic: b}"},
		{"    folder: in", "    watermill: {transport: redis, url: \"nats://a\", topic: b}"},
		{"to: {folder: out}", "to: {watermill: {transport: redis, url: \"redis://a\", topic: \"b c\"}}"},
		{"from: 2026-01-01", "from: 2026-02-30"},
		{"purpose: care, ", ""},
		{"recipients:", "grants: {}\nrecipients:"},
	} {
		src := []byte(strings.Replace(parts, tt.old, tt.new, 1))
		if _, err := Parse("c.yaml", src, nil); err == nil {
			t.Errorf("%q is accepted by the reader", tt.new)
		}
		if !strings.HasPrefix(tt.new, "grants") { // a key that stands twice has no one value to judge
			if err := s.Validate(plain(t, src)); err == nil {
				t.Errorf("%q is accepted by the schema", tt.new)
			}
		}
	}
}

// FuzzParse never panics, gives a config or faults that say where, and accepts
// nothing that the published schema refuses.
func FuzzParse(f *testing.F) {
	schema := compile(f)
	sample, err := os.ReadFile(filepath.Join("testdata", "configs", "v1.yaml"))
	if err != nil {
		f.Fatal(err)
	}
	for _, s := range []string{string(sample), parts, "", "version: 1\n", "a: &a [*a]\n", "? x\n: y\n", "- 1\n", "version: 1\nfarms: {? a : b}\n", "version: !!int 1\n", "%YAML 1.2\n---\nversion: 1\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		c, err := Parse("c.yaml", src, nil)
		if err != nil {
			if c != nil {
				t.Error("an error and a config")
			}
			faults := Faults(err)
			if len(faults) == 0 {
				t.Errorf("%v has no faults", err)
			}
			for _, f := range faults {
				if f.Kind != events.ErrInvalid || f.Where == "" || f.Wanted == "" && f.What == "" {
					t.Errorf("fault says too little: %#v", f)
				}
			}
			return
		}
		if err := schema.Validate(plain(t, src)); err != nil {
			t.Errorf("the schema refuses what the reader accepts: %v", err)
		}
	})
}
