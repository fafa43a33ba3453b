package codes

import (
	"slices"

	"dewclaw/events"
)

// lists is every list by name.
var lists = map[string]func() *List{
	"advisories":      as(Advisories),
	"answers":         plain("answers"),
	"claws":           plain("claws"),
	"courses":         plain("courses"),
	"dd-stages":       plain("dd-stages"),
	"decisions":       plain("decisions"),
	"devices":         plain("devices"),
	"exam-results":    plain("exam-results"),
	"feet":            plain("feet"),
	"gait":            as(Gait),
	"landmarks":       plain("landmarks"),
	"lesions":         as(Lesions),
	"locomotion":      as(Locomotion),
	"measure-units":   plain("measure-units"),
	"measures":        as(Measures),
	"not-done":        plain("not-done"),
	"outcomes":        plain("outcomes"),
	"precisions":      plain("precisions"),
	"purposes":        plain("purposes"),
	"reasons":         plain("reasons"),
	"restraints":      plain("restraints"),
	"roles":           plain("roles"),
	"schemes":         plain("schemes"),
	"severe":          plain("severe"),
	"severity-scales": as(SeverityScales),
	"sexes":           plain("sexes"),
	"signs":           plain("signs"),
	"taken-off-how":   plain("taken-off-how"),
	"timings":         as(Timings),
	"treatments":      as(Treatments),
	"trim-times":      plain("trim-times"),
	"trimmed":         plain("trimmed"),
	"units":           as(Units),
	"withdrawals":     plain("withdrawals"),
	"zone-maps":       as(ZoneMaps),
	"zones":           as(Zones),
}

func plain(name string) func() *List {
	f := later[Entry](name)
	return func() *List { return &f().List }
}

func as[R any](f func() *Table[R]) func() *List {
	return func() *List { return &f().List }
}

// Names returns the names of all lists, sorted.
func Names() []string {
	var names []string
	for n := range lists {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

// Find returns the list of that name, or nil.
func Find(name string) *List {
	if f, ok := lists[name]; ok {
		return f()
	}
	return nil
}

// A Lesion is an entry of the list lesions.
type Lesion struct {
	Entry      `yaml:",inline"`
	Group      string `yaml:"group"`       // infectious, claw-horn, shape or other
	Level      string `yaml:"level"`       // claw, or foot for a finding of the skin of the foot; "" for OTHER
	Stages     bool   `yaml:"stages"`      // it has stages of digital dermatitis
	DD         bool   `yaml:"dd"`          // it may be associated with digital dermatitis (atlas, appendix 2)
	Relieve    bool   `yaml:"relieve"`     // its claw is the one to take weight off
	Zones      []int  `yaml:"zones"`       // zones of claw-zones-13 where it is usual; nil if nothing is known
	ZoneSource string `yaml:"zone-source"` // who says so
}

// OtherLesion is the code of a finding outside the atlas.
const OtherLesion = "OTHER"

// Usual reports whether the lesion is usual in zone n of claw-zones-13, by any
// published source; true where nothing is known.
func (l *Lesion) Usual(n int) bool { return len(l.Zones) == 0 || slices.Contains(l.Zones, n) }

var lesions = later[Lesion]("lesions")

// Lesions returns the list of findings.
func Lesions() *Table[Lesion] { return lesions() }

// A Treatment is an entry of the list treatments.
type Treatment struct {
	Entry   `yaml:",inline"`
	Device  string `yaml:"device"`  // what is on the foot afterwards (list devices), or ""
	Guarded bool   `yaml:"guarded"` // it must not end because a source is silent about it
}

var treatments = later[Treatment]("treatments")

// Treatments returns the list of what can be done to a foot.
func Treatments() *Table[Treatment] { return treatments() }

// A SeverityScale is an entry of the list severity-scales.
type SeverityScale struct {
	Entry  `yaml:",inline"`
	Points []string `yaml:"points"` // in rising order
}

// Has reports whether value is a point of the scale.
func (s *SeverityScale) Has(value string) bool { return slices.Contains(s.Points, value) }

// Problem says that got is no point of the scale.
func (s *SeverityScale) Problem(got string) *Problem {
	return &Problem{Wanted: "one of " + join(s.Points) + " (scale " + s.Code + ")", Got: quote(got)}
}

var severityScales = later[SeverityScale]("severity-scales")

// SeverityScales returns the list of scales of severity.
func SeverityScales() *Table[SeverityScale] { return severityScales() }

// A Measure is an entry of the list measures. Ranges have two bounds, both
// inside, in Unit.
type Measure struct {
	Entry
	Unit     string // list measure-units
	Hard     Range  // outside, no such value exists
	Soft     Range  // outside, somebody should look
	Landmark bool   // it can be judged only if its landmark is known
}

// A Range is closed at both ends.
type Range [2]events.Decimal

// Has reports whether d lies in the range.
func (r Range) Has(d events.Decimal) bool { return d.Cmp(r[0]) >= 0 && d.Cmp(r[1]) <= 0 }

// Problem says that d is outside the hard range.
func (m *Measure) Problem(d events.Decimal) *Problem {
	return &Problem{
		Wanted: m.Hard[0].String() + " to " + m.Hard[1].String() + " " + m.Unit + " (" + m.Code + ")",
		Got:    d.String() + " " + m.Unit,
	}
}

// measureRow is a measure as its file has it.
type measureRow struct {
	Entry    `yaml:",inline"`
	Unit     string    `yaml:"unit"`
	Hard     [2]string `yaml:"hard"`
	Soft     [2]string `yaml:"soft"`
	Landmark bool      `yaml:"landmark"`
}

var measures = converted("measures", func(r *measureRow) Measure {
	return Measure{
		Entry: r.Entry, Unit: r.Unit, Landmark: r.Landmark,
		Hard: Range{number(r.Hard[0]), number(r.Hard[1])}, Soft: Range{number(r.Soft[0]), number(r.Soft[1])},
	}
})

// Measures returns the list of what is measured on a claw.
func Measures() *Table[Measure] { return measures() }

// An Advisory is an entry of the list advisories; Meaning tells its condition.
type Advisory struct {
	Entry    `yaml:",inline"`
	Level    string    `yaml:"level"` // note, or warn: somebody should act
	Text     string    `yaml:"text"`  // what people read
	Settings []Setting `yaml:"settings"`
}

// A Setting is a threshold of an advisory.
type Setting struct {
	Name    string `yaml:"name"`
	Default string `yaml:"default"`
	Unit    string `yaml:"unit"`
	Source  string `yaml:"source"`
	Seen    string `yaml:"seen"`
}

var advisories = later[Advisory]("advisories")

// Advisories returns the list of advisories.
func Advisories() *Table[Advisory] { return advisories() }

// A Timing is an entry of the list timings.
type Timing struct {
	Entry `yaml:",inline"`
	Hours int `yaml:"hours"` // elapsed
}

var timings = later[Timing]("timings")

// Timings returns the list of elapsed times rules count in.
func Timings() *Table[Timing] { return timings() }
