package codes

import "dewclaw/events"

// A Measure is an entry of the list measures. Ranges have two bounds, both
// inside, in Unit.
type Measure struct {
	Entry
	Unit     string // list measure-units
	Hard     Range  // outside, no such value exists
	Soft     Range  // outside, somebody should look
	Heifer   Ranges // of an animal before her first calving; unset if it has none of its own
	Cow      Ranges // of an animal after it; the same
	Landmark bool   // it can be judged only if its landmark is known

	looks []look
}

// Ranges are the hard and the soft range of some animals.
type Ranges struct{ Hard, Soft Range }

// IsSet reports whether there are such ranges.
func (r Ranges) IsSet() bool { return r.Hard[1].IsSet() }

// A Range is closed at both ends.
type Range [2]events.Decimal

// Has reports whether d lies in the range.
func (r Range) Has(d events.Decimal) bool { return d.Cmp(r[0]) >= 0 && d.Cmp(r[1]) <= 0 }

// String returns "low to high".
func (r Range) String() string { return r[0].String() + " to " + r[1].String() }

// Problem says that d is outside the hard range. A value that looks like one in
// another unit is named as such: it is never converted on a guess.
func (m *Measure) Problem(d events.Decimal) *Problem {
	p := &Problem{Wanted: m.Hard.String() + " " + m.Unit + " (" + m.Code + ")", Got: d.String() + " " + m.Unit}
	for _, l := range m.looks {
		if d.Cmp(l.from) < 0 || d.Cmp(l.under) >= 0 {
			continue
		}
		if as, problem := Units().Get(l.unit).Neutralize(d); problem == nil {
			p.Got += ", which looks like " + Units().Get(l.unit).Name + " (it would be " + as.String() + " " + m.Unit + ")"
		}
		break
	}
	return p
}

// A look is a range in which a value is probably meant in another unit.
type look struct {
	unit        string
	from, under events.Decimal
}

// measureRow is a measure as its file has it.
type measureRow struct {
	Entry    `yaml:",inline"`
	Unit     string    `yaml:"unit"`
	Hard     [2]string `yaml:"hard"`
	Soft     [2]string `yaml:"soft"`
	Heifer   rangesRow `yaml:"heifer"`
	Cow      rangesRow `yaml:"cow"`
	Landmark bool      `yaml:"landmark"`
	Looks    []struct {
		Unit  string `yaml:"unit"`
		From  string `yaml:"from"`
		Under string `yaml:"under"`
	} `yaml:"looks"`
}

type rangesRow struct {
	Hard [2]string `yaml:"hard"`
	Soft [2]string `yaml:"soft"`
}

func (r rangesRow) ranges() Ranges { return Ranges{rangeOf(r.Hard), rangeOf(r.Soft)} }

func rangeOf(s [2]string) Range { return Range{number(s[0]), number(s[1])} }

var measures = converted("measures", func(r *measureRow) Measure {
	m := Measure{
		Entry: r.Entry, Unit: r.Unit, Landmark: r.Landmark, Hard: rangeOf(r.Hard), Soft: rangeOf(r.Soft),
		Heifer: r.Heifer.ranges(), Cow: r.Cow.ranges(),
	}
	for _, l := range r.Looks {
		m.looks = append(m.looks, look{l.Unit, number(l.From), number(l.Under)})
	}
	return m
})

// Measures returns the list of what is measured on a claw.
func Measures() *Table[Measure] { return measures() }
