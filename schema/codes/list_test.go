package codes

import (
	"fmt"
	"io/fs"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dewclaw/events"
)

func TestLists_SayEverythingOfEveryEntry(t *testing.T) {
	form := regexp.MustCompile(`^[A-Za-z0-9\[\]_.:-]+$`)
	for _, name := range Names() {
		l := Find(name)
		if l.Name != name || l.Version < 1 || l.About == "" || len(l.Entries()) == 0 {
			t.Errorf("list %s: name %q, version %d, about %q, %d entries", name, l.Name, l.Version, l.About, len(l.Entries()))
		}
		for i, e := range l.Entries() {
			if e.Name == "" || e.Meaning == "" || e.Source == "" || e.Seen != "yes" && e.Seen != "memory" || !form.MatchString(e.Code) {
				t.Errorf("%s %q: name %q, meaning %q, source %q, seen %q", name, e.Code, e.Name, e.Meaning, e.Source, e.Seen)
			}
			if l.Codes()[i] != e.Code || l.Entry(e.Code) != e || !l.Has(e.Code) || !l.HasBytes([]byte(e.Code)) {
				t.Errorf("%s %q is not found by its code", name, e.Code)
			}
			if strings.Contains(e.Source, "memory") && e.Seen == "yes" && e.Source == "from memory" {
				t.Errorf("%s %q is from memory and says that its source was read", name, e.Code)
			}
		}
		if l.Has("") || l.Has("no such code") || l.Entry("no such code") != nil {
			t.Errorf("%s has a code it does not have", name)
		}
	}
}

func TestLists_AreTheFilesThereAre(t *testing.T) {
	var fromFiles []string
	names, err := fs.Glob(files, "lists/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range names {
		fromFiles = append(fromFiles, strings.TrimSuffix(strings.TrimPrefix(n, "lists/"), ".yaml"))
	}
	if d := cmp.Diff(fromFiles, Names()); d != "" {
		t.Errorf("files and lists differ (-files +lists):\n%s", d)
	}
	if Find("hat") != nil {
		t.Error("there is a list hat")
	}
}

func TestLists_AreThereForEveryField(t *testing.T) {
	for _, k := range events.Kinds() {
		for _, f := range k.Fields() {
			if f.List != "" && Find(f.List) == nil {
				t.Errorf("field %s of %s: no code list %q", f.Name, k, f.List)
			}
			if f.Unit != "" && !Find("units").Has(f.Unit) {
				t.Errorf("field %s of %s: no unit %q", f.Name, k, f.Unit)
			}
		}
	}
}

func TestLists_ReferToEachOther(t *testing.T) {
	for _, tr := range Treatments().All() {
		if tr.Device != "" && !Find("devices").Has(tr.Device) {
			t.Errorf("treatment %s: no device %q", tr.Code, tr.Device)
		}
	}
	for _, m := range Measures().All() {
		if !Find("measure-units").Has(m.Unit) {
			t.Errorf("measure %s: no unit %q", m.Code, m.Unit)
		}
		if m.Hard[0].Cmp(m.Soft[0]) > 0 || m.Soft[0].Cmp(m.Soft[1]) >= 0 || m.Soft[1].Cmp(m.Hard[1]) > 0 {
			t.Errorf("measure %s: soft range %v is not inside the hard range %v", m.Code, m.Soft, m.Hard)
		}
	}
	for _, u := range Units().All() {
		if n := Units().Get(u.Neutral); n == nil || n.Factor.Cmp(events.DecimalOf(1, 0)) != 0 || n.Neutral != u.Neutral {
			t.Errorf("unit %s: %q is no neutral unit", u.Code, u.Neutral)
		}
	}
	for _, z := range Zones().All() {
		if w := ZoneWords().Get(z.Word); z.Word != "" && (w == nil || w.Tissue != z.Tissue || w.Per != z.Per) {
			t.Errorf("zone %s: its word %q is not that of %s of a %s", z.Code, z.Word, z.Tissue, z.Per)
		}
	}
	for _, a := range Advisories().All() {
		if a.Text == "" || a.Level != "note" && a.Level != "warn" || a.Of != "record" && a.Of != "source" {
			t.Errorf("advisory %s: level %q of %q, text %q", a.Code, a.Level, a.Of, a.Text)
		}
		if !slices.ContainsFunc(a.Settings, func(s Setting) bool { return s.Name == a.Code && s.Default == "on" }) {
			t.Errorf("advisory %s cannot be switched off", a.Code)
		}
		for _, s := range a.Settings {
			if s.Name == "" || s.Default == "" || s.Source == "" || s.Seen != "yes" && s.Seen != "memory" {
				t.Errorf("advisory %s: setting %+v", a.Code, s)
			}
		}
	}
	for _, s := range SeverityScales().All() {
		if len(s.Points) < 2 || s.Has("") || !s.Has(s.Points[0]) {
			t.Errorf("severity scale %s: points %v", s.Code, s.Points)
		}
	}
}

func TestLesions_HaveTheAtlasHierarchy(t *testing.T) {
	// Source: ICAR Claw Health Atlas, 2nd edition 2020, from memory.
	want := map[string]string{
		"WLF": "WL", "WLA": "WL", "BU": "U", "SU": "U", "TU": "U", "TN": "U", "SHD": "SH", "SHC": "SH", "HFA": "HF", "HFH": "HF", "HFV": "HF",
	}
	got := map[string]string{}
	for _, l := range Lesions().All() {
		if l.Parent != "" {
			got[l.Code] = l.Parent
		}
		for _, p := range l.Places {
			if len(p.Zones) == 0 || p.Source == "" || p.Seen != "yes" && p.Seen != "memory" {
				t.Errorf("%s: places %+v", l.Code, p)
			}
		}
		if !Find("lesion-groups").Has(l.Group) {
			t.Errorf("%s: group %q", l.Code, l.Group)
		}
		wide := ZoneMaps().Get(WideZones)
		for _, z := range l.Zones {
			if !wide.Has(z) {
				t.Errorf("%s: zone %d is not on %s", l.Code, z, WideZones)
			}
		}
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("parents (-want +got):\n%s", d)
	}
	// Source: findings of the skin of the foot, validator rule after the atlas, from memory.
	var foot []string
	for _, l := range Lesions().All() {
		if l.Level == "foot" {
			foot = append(foot, l.Code)
		}
	}
	if d := cmp.Diff([]string{"DD", "ID", "IH", "IP", "SW"}, foot); d != "" {
		t.Errorf("lesions of the foot (-want +got):\n%s", d)
	}
	// Source: appendix 2 of the atlas (HFA, SU: frontiersin fvets.2022.1041215; the rest from memory), and their parents.
	var dd []string
	for _, l := range Lesions().All() {
		if l.DD {
			dd = append(dd, l.Code)
		}
	}
	if d := cmp.Diff([]string{"HF", "HFA", "U", "BU", "SU", "TU", "TN", "WL", "WLA"}, dd); d != "" {
		t.Errorf("lesions that may be associated with digital dermatitis (-want +got):\n%s", d)
	}
	l := Find("lesions")
	if !l.Is("WLF", "WL") || !l.Is("WL", "WL") || l.Is("WL", "WLF") || l.Is("SU", "WL") || l.Is("hat", "WL") {
		t.Error("Is does not follow the parents")
	}
}

func TestLists_LookUpWithoutAllocating(t *testing.T) {
	score, mm := number("2"), number("78.5")
	code := []byte("SU")
	f := func() {
		s := Locomotion().Get("mob4-uk")
		if !Lesions().Has("SU") || !Lesions().HasBytes(code) || Lesions().Get("SU") == nil || s.Point(score) == nil || !s.Accepts(score) ||
			!Measures().Get("toe-length").Hard.Has(mm) || ZoneMaps().Get(WideZones).Zone(4) == nil || Find("feet") == nil {
			t.Fatal("a look-up fails")
		}
	}
	if n := testing.AllocsPerRun(100, f); n != 0 {
		t.Errorf("look-ups allocate %v times", n)
	}
}

func TestParse_RefusesABrokenList(t *testing.T) {
	const head = "list: x\nversion: 1\nabout: a\nentries:\n"
	for _, src := range []string{
		head + "  - {code: A, name: a, hat: b}\n",
		head + "  - {code: A}\n  - {code: A}\n",
		head + "  - {name: a}\n",
		head + "  - {code: A, parent: B}\n",
		"list: [",
	} {
		if l, err := parse[Entry]([]byte(src)); err == nil {
			t.Errorf("parse(%q) = %v, wanted an error", src, l.Codes())
		}
	}
}

func TestNearest_OrdersByDistanceAndText(t *testing.T) {
	tests := []struct {
		word       string
		candidates []string
		n          int
		want       []string
	}{
		{"su", []string{"U", "SH", "SU", "BU"}, 3, []string{"SU", "BU", "SH"}},
		{"SUU", []string{"WL", "SU", "TU"}, 1, []string{"SU"}},
		{"Wiehte Linie", []string{"Sohle", "Weiße Linie", "Weite Linie"}, 2, []string{"Weite Linie", "Weiße Linie"}},
		{"ab", []string{"ba", "xb"}, 2, []string{"ba", "xb"}},
		{"x", nil, 3, nil},
		{"x", []string{"y"}, 3, []string{"y"}},
		{strings.Repeat("ä", 100_000), []string{"a"}, 1, []string{"a"}},
	}
	for _, tt := range tests {
		if got := Nearest(tt.word, tt.candidates, tt.n); !slices.Equal(got, tt.want) {
			t.Errorf("Nearest(%.20q, %q, %d) = %q, wanted %q", tt.word, tt.candidates, tt.n, got, tt.want)
		}
	}
	if got := Find("lesions").Problem("SUU").Error(); got != `wanted a code of lesions (nearest: SU, BU, SC), got "SUU"` {
		t.Error(got)
	}
	if got := Find("feet").Problem("RX").Error(); got != `wanted one of LF, RF, LH, RH, got "RX"` {
		t.Error(got)
	}
	r := Find("feet").Problem("R\nX").Reason("foot", "Fuß")
	if r.Field != "foot" || r.Column != "Fuß" || r.Got != `"R\nX"` {
		t.Errorf("reason %+v", r)
	}
}

func BenchmarkLists(b *testing.B) {
	for b.Loop() {
		for _, name := range []string{"lesions", "locomotion", "zones", "advisories"} {
			src, err := files.ReadFile("lists/" + name + ".yaml")
			if err != nil {
				b.Fatal(err)
			}
			switch name {
			case "lesions":
				_, err = parse[Lesion](src)
			case "locomotion":
				_, err = parse[scaleRow](src)
			case "zones":
				_, err = parse[Zone](src)
			case "advisories":
				_, err = parse[Advisory](src)
			}
			if err != nil {
				b.Fatal(err)
			}
		}
	}
}

func ExampleFind() {
	feet := Find("feet")
	fmt.Println(feet.Has("LF"), feet.Nearest("RR", 2))
	fmt.Println(Lesions().Get("SU").Meaning)
	// Output:
	// true [RF RH]
	// ulcer in the sole, mostly where sole and bulb meet
}
