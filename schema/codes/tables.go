package codes

import "slices"

// lists is every list by name.
var lists = map[string]func() *List{
	"advisories":           as(Advisories),
	"answers":              plain("answers"),
	"check-states":         as(CheckStates),
	"checked":              plain("checked"),
	"claw-causes":          plain("claw-causes"),
	"claw-schemes":         as(ClawSchemes),
	"claw-states":          plain("claw-states"),
	"claws":                plain("claws"),
	"countries":            as(Countries),
	"courses":              plain("courses"),
	"dd-stages":            plain("dd-stages"),
	"decisions":            plain("decisions"),
	"devices":              plain("devices"),
	"due":                  as(Dues),
	"exam-results":         plain("exam-results"),
	"feet":                 plain("feet"),
	"gait":                 as(Gait),
	"group-works":          plain("group-works"),
	"landmarks":            plain("landmarks"),
	"lesion-groups":        plain("lesion-groups"),
	"lesions":              func() *List { return &Lesions().List },
	"locomotion":           as(Locomotion),
	"measure-units":        plain("measure-units"),
	"measures":             as(Measures),
	"not-done":             plain("not-done"),
	"order-cancels":        plain("order-cancels"),
	"orders":               as(Orders),
	"outcomes":             plain("outcomes"),
	"precisions":           plain("precisions"),
	"purposes":             plain("purposes"),
	"reasons":              plain("reasons"),
	"restraints":           plain("restraints"),
	"roles":                plain("roles"),
	"schemes":              plain("schemes"),
	"severe":               plain("severe"),
	"severity-scales":      as(SeverityScales),
	"sexes":                plain("sexes"),
	"signs":                plain("signs"),
	"tag-forms":            plain("tag-forms"),
	"taken-off-how":        plain("taken-off-how"),
	"timings":              as(Timings),
	"transponder-prefixes": as(TransponderPrefixes),
	"treatments":           as(Treatments),
	"trim-times":           plain("trim-times"),
	"trimmed":              plain("trimmed"),
	"units":                as(Units),
	"withdrawals":          plain("withdrawals"),
	"zone-maps":            as(ZoneMaps),
	"zone-words":           as(ZoneWords),
	"zones":                as(Zones),
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

// A Treatment is an entry of the list treatments.
type Treatment struct {
	Entry   `yaml:",inline"`
	Device  string `yaml:"device"`  // what is on the foot afterwards (list devices), or ""
	Guarded bool   `yaml:"guarded"` // it must not end because a source is silent about it
}

var treatments = later[Treatment]("treatments")

// Treatments returns the list of what can be done to a foot.
func Treatments() *Table[Treatment] { return treatments() }

// A CheckState is an entry of the list check-states.
type CheckState struct {
	Entry `yaml:",inline"`
	Of    []string `yaml:"of"` // of what it can be told, list checked
}

var checkStates = later[CheckState]("check-states")

// CheckStates returns the list of how a block, wrap or wound can be found.
func CheckStates() *Table[CheckState] { return checkStates() }

// An Order is an entry of the list orders.
type Order struct {
	Entry  `yaml:",inline"`
	Device string `yaml:"device"` // which device it is about (list devices), or ""
}

var orders = later[Order]("orders")

// Orders returns the list of what somebody can say must happen.
func Orders() *Table[Order] { return orders() }

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

// An Advisory is an entry of the list advisories; Meaning tells its condition.
// One of its settings has its own code as name: on or off.
type Advisory struct {
	Entry    `yaml:",inline"`
	Of       string    `yaml:"of"`    // record, or source: it looks at many records
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

// A Due is an entry of the list due. One of Hours, Days and Text is set.
type Due struct {
	Entry `yaml:",inline"`
	Hours int    `yaml:"hours"` // elapsed
	Days  int    `yaml:"days"`
	Text  string `yaml:"text"`
}

var dues = later[Due]("due")

// Dues returns the list of windows and limits worklists count in.
func Dues() *Table[Due] { return dues() }
