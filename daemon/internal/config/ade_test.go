package config

import (
	"reflect"
	"strings"
	"testing"
)

const adeParts = `    to: {folder: out}
    format: ade
    ade:
      source: org.example.larkfield
      identifiers: [ear-tag, transponder]
      schemes: {ear-tag: uk.cts.eartag}
      locations: {larkfield: {scheme: uk.cph, id: 12/345/6789}}
      toes: true
`

func TestParse_ReadsAFeedOfADE(t *testing.T) {
	c, err := Parse("dewclaw.yaml", []byte(strings.Replace(parts, "    to: {folder: out}\n", adeParts, 1)), nil)
	if err != nil {
		t.Fatal(err)
	}
	want := ADEForm{
		Source: "org.example.larkfield", Identifiers: []string{"ear-tag", "transponder"}, Schemes: map[string]string{"ear-tag": "uk.cts.eartag"},
		Locations: map[string]ADEScheme{"larkfield": {ID: "12/345/6789", Scheme: "uk.cph"}}, Toes: true,
	}
	if f := c.Feed("vet-daily"); f.Format != ADE || !reflect.DeepEqual(f.ADE, want) {
		t.Errorf("got %+v", f)
	}
}

func TestParse_NamesMistakesOfADE(t *testing.T) {
	for _, c := range []struct{ name, old, new, want string }{
		{"no names", strings.SplitAfterN(adeParts, "format: ade\n", 2)[1], "", "feeds.vet-daily.ade: wanted how resources are named"},
		{"no source", "      source: org.example.larkfield\n", "", "feeds.vet-daily.ade.source: wanted a value"},
		{"no name of a source", "org.example.larkfield", "larkfield", "wanted a reverse domain name such as org.example.herd, or a URI"},
		{"another format", "format: ade", "format: cloudevents", "feeds.vet-daily.ade: wanted it only beside format: ade"},
		{"unknown scheme", "[ear-tag, transponder]", "[eartag]", "feeds.vet-daily.ade.identifiers"},
		{"scheme of nothing", "schemes: {ear-tag:", "schemes: {tag:", "wanted a known key"},
		{"farm of nobody", "locations: {larkfield:", "locations: {hilltop:", `wanted a farm of this file, got "hilltop"`},
		{"no id", ", id: 12/345/6789", "", "locations.larkfield.id: wanted a value"},
	} {
		src := strings.Replace(parts, "    to: {folder: out}\n", strings.Replace(adeParts, c.old, c.new, 1), 1)
		if _, err := Parse("dewclaw.yaml", []byte(src), nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %q", c.name, err, c.want)
		}
	}
}

// A mapping that is built in is no path.
func TestParse_LeavesTheNameOfABuiltInMapping(t *testing.T) {
	c, err := Parse("/etc/dewclaw.yaml", []byte(strings.Replace(parts, "mapping: chute.yaml", `mapping: "builtin:ade-roster"`, 1)), nil)
	if err != nil || c.Sources[0].Mapping != "builtin:ade-roster" {
		t.Errorf("got %v, %v", c, err)
	}
}
