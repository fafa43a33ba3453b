package codes

import "dewclaw/events"

// A Scale is an entry of the list locomotion.
type Scale struct {
	Entry
	Wording  string         // the paper or sheet its points are worded after
	Refused  string         // what a record would have to have instead; "" if the scale may be used
	Indirect bool           // signs of a standing cow: lame or not, but no grade
	Points   []Point        // rising; nil for a scale of any number
	Step     events.Decimal // between points; unset for a scale of any number
	Lame     events.Decimal // lame from here, in print; unset if no cut is
	Severe   events.Decimal // severely lame from here, in print; unset if no cut is
	Low      events.Decimal // least value of a scale of any number; unset if there is none
	High     events.Decimal // greatest; unset if there is none

	wanted string
}

// A Point is one point of a scale.
type Point struct {
	Value events.Decimal
	Says  string // in words of our own
	Gait  []int  // lowest and highest gait grade; nil if the scale has no grades
}

// Severity returns whether the grades of the point say severely lame: yes, no,
// undetermined, or "" without grades (list severe).
func (p *Point) Severity() string {
	switch {
	case len(p.Gait) != 2:
		return ""
	case p.Gait[0] >= 5:
		return "yes"
	case p.Gait[1] <= 4:
		return "no"
	}
	return "undetermined"
}

// Point returns the point at d, or nil if d is none. It does not allocate. A
// value off the scale or off its step is no point: it is never rounded.
func (s *Scale) Point(d events.Decimal) *Point {
	for i := range s.Points {
		if s.Points[i].Value.Cmp(d) == 0 {
			return &s.Points[i]
		}
	}
	return nil
}

// Accepts reports whether d may stand as a score on the scale.
func (s *Scale) Accepts(d events.Decimal) bool {
	switch {
	case s.Refused != "" || !d.IsSet():
		return false
	case len(s.Points) > 0:
		return s.Point(d) != nil
	case s.Low.IsSet() && d.Cmp(s.Low) < 0, s.High.IsSet() && d.Cmp(s.High) > 0:
		return false
	}
	return true
}

// LameAt returns whether d is lame by the cut the scale has in print: yes, no,
// or "" if it has none.
func (s *Scale) LameAt(d events.Decimal) string { return cut(s.Lame, d) }

// SevereAt returns whether d is severely lame by the cut the scale has in print:
// yes, no, or "" if it has none.
func (s *Scale) SevereAt(d events.Decimal) string { return cut(s.Severe, d) }

func cut(at, d events.Decimal) string {
	switch {
	case !at.IsSet() || !d.IsSet():
		return ""
	case d.Cmp(at) >= 0:
		return "yes"
	}
	return "no"
}

// Problem says why got cannot be a score on the scale. A scale that is refused
// is refused whatever the score.
func (s *Scale) Problem(got string) *Problem {
	if s.Refused != "" {
		return &Problem{Wanted: s.Refused, Got: quote(got) + " on " + s.Code + " (" + s.Name + ")"}
	}
	return &Problem{Wanted: s.wanted + " (scale " + s.Code + ")", Got: got}
}

// scaleRow is a scale as its file has it.
type scaleRow struct {
	Entry    `yaml:",inline"`
	Wording  string `yaml:"scale-version"`
	Refused  string `yaml:"refused"`
	Indirect bool   `yaml:"indirect"`
	Step     string `yaml:"step"`
	Lame     string `yaml:"lame"`
	Severe   string `yaml:"severe"`
	Low      string `yaml:"low"`
	High     string `yaml:"high"`
	Points   []struct {
		At   string `yaml:"at"`
		Says string `yaml:"says"`
		Gait []int  `yaml:"gait"`
	} `yaml:"points"`
}

var scales = converted("locomotion", func(r *scaleRow) Scale {
	s := Scale{
		Entry: r.Entry, Wording: r.Wording, Refused: r.Refused, Indirect: r.Indirect, wanted: "a number",
		Step: number(r.Step), Lame: number(r.Lame), Severe: number(r.Severe), Low: number(r.Low), High: number(r.High),
	}
	var at []string
	for _, p := range r.Points {
		s.Points = append(s.Points, Point{Value: number(p.At), Says: p.Says, Gait: p.Gait})
		at = append(at, p.At)
	}
	if len(at) > 0 {
		s.wanted = "one of " + join(at)
	} else if r.Low != "" {
		s.wanted += " from " + r.Low + " to " + r.High
	}
	return s
})

// Locomotion returns the list of locomotion scales.
func Locomotion() *Table[Scale] { return scales() }

// A GaitGrade is an entry of the list gait; its code is g and its number.
type GaitGrade struct {
	Entry `yaml:",inline"`
	Band  string `yaml:"band"` // sound, lame or severe
}

var gait = later[GaitGrade]("gait")

// Gait returns the list of gait grades.
func Gait() *Table[GaitGrade] { return gait() }
