package codes

import "dewclaw/events"

// A Scale is an entry of the list locomotion.
type Scale struct {
	Entry
	Wording     string         // the paper or sheet its points are worded after
	Refused     string         // what a record would have to have instead; "" if the scale may be used
	Indirect    bool           // signs of a standing cow: lame or not, but no grade
	NeedsCuts   bool           // it may be used only with the cuts of its sender
	Points      []Point        // rising; nil for a scale of any number
	Step        events.Decimal // between points; unset for a scale of any number
	Lame        events.Decimal // lame from here, in print; unset if no cut is
	Severe      events.Decimal // severely lame from here, in print; unset if no cut is
	Low         events.Decimal // least value of a scale of any number; unset if there is none
	High        events.Decimal // greatest; unset if there is none
	Sensitivity events.Decimal // of an indirect scale against limping, 0 to 1; unset if not known
	Specificity events.Decimal // the same

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

// A Grade is what follows from a score. Texts are empty and Gait is nil where
// nothing follows; Gait is shared.
type Grade struct {
	Gait         []int  // lowest and highest gait grade
	Lame         string // yes or no, by the lame cut
	Severe       string // yes, no or undetermined, by Gait (list severe)
	SevereNative string // yes or no, by the severe cut
}

// The grades of a score that a declared cut alone judges: as wide as those of
// the points "not lame", "lame", "moderately lame" and "severely lame" of other
// scales. A proposal of our own without outside authority.
var (
	notLame      = &Point{Gait: []int{0, 2}}
	lameAtAll    = &Point{Gait: []int{3, 6}}
	lameBelow    = &Point{Gait: []int{3, 4}}
	severeByWord = &Point{Gait: []int{4, 6}}
)

// Grade returns what follows from a score. A cut in print always holds; declared
// cuts count only where the scale has none. Without a cut in print and with a
// declared one, a scale without grades has those that the cut tells. A score
// the scale does not accept says nothing. It does not allocate.
func (s *Scale) Grade(score events.Decimal, declared events.Cuts) Grade {
	if !s.Accepts(score) {
		return Grade{}
	}
	lame, severe := s.cuts(declared)
	g := Grade{Lame: cut(lame, score), SevereNative: cut(severe, score)}
	p := s.Point(score)
	if (p == nil || p.Gait == nil) && !s.Lame.IsSet() {
		switch {
		case g.Lame == "no":
			p = notLame
		case g.Lame == "yes" && g.SevereNative == "yes":
			p = severeByWord
		case g.Lame == "yes" && g.SevereNative == "no":
			p = lameBelow
		case g.Lame == "yes":
			p = lameAtAll
		}
	}
	if p != nil {
		g.Gait, g.Severe = p.Gait, p.Severity()
	}
	return g
}

// cuts returns the cuts that hold. Of declared ones that contradict each other
// none does.
func (s *Scale) cuts(declared events.Cuts) (lame, severe events.Decimal) {
	if s.CutsProblem(declared) != nil {
		return s.Lame, s.Severe
	}
	lame, severe = declared.Lame, declared.Severe
	if s.Lame.IsSet() {
		lame = s.Lame
	}
	if s.Severe.IsSet() {
		severe = s.Severe
	}
	return lame, severe
}

// CutsProblem says why the cuts a sender declares cannot be: one the scale has
// in print itself, one that is no score of the scale, or severely lame from a
// score that is not lame. It is nil if they can be.
func (s *Scale) CutsProblem(declared events.Cuts) *Problem {
	lame := declared.Lame
	if s.Lame.IsSet() {
		lame = s.Lame
	}
	severe := declared.Severe
	if s.Severe.IsSet() {
		severe = s.Severe
	}
	switch {
	case declared.Lame.IsSet() && s.Lame.IsSet():
		return &Problem{Wanted: "no lame cut, for " + s.Code + " has one in print (" + s.Lame.String() + ")", Got: declared.Lame.String()}
	case declared.Severe.IsSet() && s.Severe.IsSet():
		return &Problem{Wanted: "no severe cut, for " + s.Code + " has one in print (" + s.Severe.String() + ")", Got: declared.Severe.String()}
	case declared.Lame.IsSet() && !s.Accepts(declared.Lame):
		return s.Problem(declared.Lame.String())
	case declared.Severe.IsSet() && !s.Accepts(declared.Severe):
		return s.Problem(declared.Severe.String())
	case lame.IsSet() && severe.IsSet() && severe.Cmp(lame) < 0:
		return &Problem{Wanted: "a severe cut not under the lame cut " + lame.String(), Got: severe.String()}
	}
	return nil
}

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
	Entry       `yaml:",inline"`
	Wording     string `yaml:"scale-version"`
	Refused     string `yaml:"refused"`
	Indirect    bool   `yaml:"indirect"`
	NeedsCuts   bool   `yaml:"needs-cuts"`
	Step        string `yaml:"step"`
	Lame        string `yaml:"lame"`
	Severe      string `yaml:"severe"`
	Low         string `yaml:"low"`
	High        string `yaml:"high"`
	Sensitivity string `yaml:"sensitivity"`
	Specificity string `yaml:"specificity"`
	Points      []struct {
		At   string `yaml:"at"`
		Says string `yaml:"says"`
		Gait []int  `yaml:"gait"`
	} `yaml:"points"`
}

var scales = converted("locomotion", func(r *scaleRow) Scale {
	s := Scale{
		Entry: r.Entry, Wording: r.Wording, Refused: r.Refused, Indirect: r.Indirect, NeedsCuts: r.NeedsCuts, wanted: "a number",
		Step: number(r.Step), Lame: number(r.Lame), Severe: number(r.Severe), Low: number(r.Low), High: number(r.High),
		Sensitivity: number(r.Sensitivity), Specificity: number(r.Specificity),
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
