package worklist

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// A Visit is the report of a visit: what is left on the farm on paper the same
// hour. Rows stand in the order of the work.
type Visit struct {
	Farm      string          `json:"farm"`
	Name      string          `json:"name"`
	Visit     events.Entity   `json:"visit,omitempty"` // "" if the report is of a day
	From      string          `json:"from"`            // first day
	To        string          `json:"to"`              // last day
	Made      string          `json:"made"`
	Position  events.Position `json:"position"`
	NextVisit string          `json:"nextVisit,omitempty"` // "" if nobody said
	Unseen    Unseen          `json:"unseen"`
	Counts    VisitCounts     `json:"counts"`
	Animals   []Visited       `json:"animals"`
	NotDone   []Visited       `json:"notDone"`
	ComeOff   []ComesOff      `json:"comeOff"` // blocks and wraps on at the end, what comes off first first
	Cautions  []string        `json:"cautions"`
}

// VisitCounts are what a visit came to. Feet are those told to be examined.
type VisitCounts struct {
	Animals  int `json:"animals"`
	Feet     int `json:"feet"`
	Clear    int `json:"clear"` // animals without a finding on what was examined
	Findings int `json:"findings"`
	Blocks   int `json:"blocks"`
	Wraps    int `json:"wraps"`
	Off      int `json:"off"`
}

// A Visited is one animal of a visit.
type Visited struct {
	Animal   string     `json:"animal"`
	Cow      string     `json:"cow"`
	Second   string     `json:"second,omitempty"`
	Known    bool       `json:"known"`
	At       string     `json:"at,omitempty"` // RFC 3339; "" if only the day is known
	Why      []string   `json:"why,omitempty"`
	Feet     []string   `json:"feet,omitempty"` // each with what became of it
	Found    []string   `json:"found,omitempty"`
	Done     []string   `json:"done,omitempty"`
	On       []On       `json:"on,omitempty"`
	Withheld []Withheld `json:"withheld,omitempty"`
	NotDone  string     `json:"notDone,omitempty"` // why not
	Notes    []string   `json:"notes,omitempty"`

	looked bool
}

// ComesOff is a block or wrap with when it comes off.
type ComesOff struct {
	Cow  string `json:"cow"`
	When string `json:"when,omitempty"` // a day or RFC 3339; "" for a vet's dressing
	Text string `json:"text"`
}

// Report makes the report of the work of some days: in is as for a list of the
// last of them, facts are those of the days or of one visit, in any order.
func Report(in *Input, facts []herd.Fact, visit events.Entity, from string) *Visit {
	c := newClock(in.Day, in.Now, in.Zone)
	v := &Visit{
		Farm: in.Farm, Name: cmp.Or(in.Name, in.Farm), Visit: visit, From: from, To: in.Day,
		Made: in.Now.In(in.Zone).Format(time.RFC3339), Position: in.Position, NextVisit: in.NextVisit,
		Unseen: unseen(in), Animals: []Visited{}, NotDone: []Visited{}, ComeOff: []ComesOff{}, Cautions: Cautions,
	}
	byAnimal := map[string]*herd.Standing{}
	for i := range in.Standings {
		byAnimal[in.Standings[i].Animal.ID] = &in.Standings[i]
	}
	rows := map[string]*Visited{}
	for i := range facts {
		f := &facts[i]
		s := byAnimal[f.Animal]
		if s == nil {
			continue
		}
		x := rows[f.Animal]
		if x == nil {
			a := &animal{Standing: s, clock: c, set: in.Settings}
			x = &Visited{Animal: f.Animal, Known: s.Animal.Known, On: a.on(), Withheld: a.withheld(), Notes: a.notes()}
			x.Cow, x.Second = a.names()
			rows[f.Animal] = x
		}
		v.tell(x, f, c)
	}
	for _, x := range rows {
		switch {
		case x.looked:
			v.Animals = append(v.Animals, *x)
		case x.NotDone != "":
			v.NotDone = append(v.NotDone, *x)
		}
	}
	v.sum(c)
	v.comesOff(byAnimal, in, c)
	return v
}

// tell adds one fact to the row of its animal.
func (v *Visit) tell(x *Visited, f *herd.Fact, c clock) {
	if at := f.At(); at != "" && (x.At == "" || at < x.At) {
		x.At = at
	}
	if f.Kind() != events.KindLocomotion && f.Kind() != events.KindExamination && f.Kind() != events.KindVisit {
		x.looked = true
	}
	switch p := f.Payload.(type) {
	case *events.Examination:
		v.examination(x, p)
	case *events.Lesion:
		v.Counts.Findings++
		x.Found = append(x.Found, lesionWords(p))
	case *events.Treatment:
		x.Done = append(x.Done, v.treatment(p, c))
	case *events.TakenOff:
		v.Counts.Off++
		x.Done = append(x.Done, strings.Join(strings.Fields(p.What+" on "+place(p.Foot, p.Claw)+" "+orWords(words[p.How], "taken off")), " "))
	case *events.Check:
		x.Done = append(x.Done, strings.TrimSpace(fmt.Sprintf("looked at %s on %s: %s", p.What, place(p.Foot, p.Claw), p.State)))
	case *events.Claw:
		x.Found = append(x.Found, fmt.Sprintf("claw %s: %s", place(p.Foot, p.Claw), p.State))
	case *events.Order:
		x.Done = append(x.Done, eventOrderWords(p))
	case *events.ClawMeasure:
		x.Done = append(x.Done, strings.Join(strings.Fields(fmt.Sprintf("measured %s, %s: %s %s %s", place(p.Foot, p.Claw), p.What, p.Value, p.Unit, p.When)), " "))
	}
}

func eventOrderWords(p *events.Order) string {
	s := fmt.Sprintf("order of %s: %s", orWords(orWords(p.OrderedBy, p.Role), "somebody"), p.What)
	if p.Foot != "" {
		s += " on " + place(p.Foot, p.Claw)
	}
	for _, x := range [][2]string{{"due", p.Due}, {"until", p.Until}, {"", p.Detail}} {
		if x[1] != "" {
			s = strings.TrimSpace(s + ", " + strings.TrimSpace(x[0]+" "+x[1]))
		}
	}
	return s
}

// words are codes as a report writes them.
var words = map[string]string{"taken-off": "taken off", "found-gone": "found gone", "none": "not trimmed", "preventive": "trimmed", "corrective": "trimmed, corrective"}

func (v *Visit) examination(x *Visited, p *events.Examination) {
	for _, r := range p.Reasons {
		if r != "not-stated" && !slices.Contains(x.Why, r) {
			x.Why = append(x.Why, r)
		}
	}
	if p.Outcome == "not-done" {
		x.NotDone = orWords(p.NotDone, "not stated")
		return
	}
	x.looked = true
	for _, f := range p.Feet {
		if f.Examined != "yes" {
			continue
		}
		v.Counts.Feet++
		s := f.Foot
		if w := words[f.Trimmed]; w != "" {
			s += " " + w
		}
		if f.Result == "clear" {
			s += ", clear"
		}
		x.Feet = append(x.Feet, s)
	}
	switch p.Outcome {
	case "incomplete":
		x.Notes = append(x.Notes, "rows of her examination are held: not all that was found or put on is here")
	case "no-cause-in-feet":
		x.Found = append(x.Found, "lame, no cause in the feet: vet")
	}
}

func lesionWords(p *events.Lesion) string {
	s := place(p.Foot, p.Claw) + " " + p.Code
	if p.Description != "" {
		s += " " + p.Description
	}
	if p.Stage != "" {
		s += " " + p.Stage
	}
	for _, z := range p.Zones.Numbers {
		s += fmt.Sprint(" zone ", z)
	}
	if p.Severity.Value != "" {
		s += fmt.Sprintf(" severity %s (%s)", p.Severity.Value, p.Severity.Scale)
	}
	if p.Course != "" {
		s += ", " + p.Course
	}
	for _, x := range p.Signs {
		s += ", " + strings.TrimSpace(x.Sign+" "+x.Detail)
	}
	return s
}

func (v *Visit) treatment(p *events.Treatment, c clock) string {
	s := strings.TrimSpace(p.What + " on " + place(p.Foot, p.Claw))
	switch p.What {
	case "block", "block-thin-sole":
		v.Counts.Blocks++
	case "wrap":
		v.Counts.Wraps++
	}
	if m := p.Medicine; m != (events.Medicine{}) {
		s += fmt.Sprintf(": %s %s", orWords(m.Name, "medicine (name not told)"), m.Quantity)
	}
	return strings.TrimSpace(s)
}

// sum sorts the rows and counts them.
func (v *Visit) sum(c clock) {
	order := func(a, b Visited) int {
		return cmp.Or(c.closing(a.At).Compare(c.closing(b.At)), compareNames(a.Cow, b.Cow), strings.Compare(a.Animal, b.Animal))
	}
	slices.SortFunc(v.Animals, order)
	slices.SortFunc(v.NotDone, order)
	v.Counts.Animals = len(v.Animals)
	for _, x := range v.Animals {
		slices.Sort(x.Found)
		if len(x.Found) == 0 {
			v.Counts.Clear++
		}
	}
}

// comesOff lists what is on at the end of the visit on the animals that were
// shown, with when each comes off.
func (v *Visit) comesOff(standings map[string]*herd.Standing, in *Input, c clock) {
	for _, x := range v.Animals {
		a := &animal{Standing: standings[x.Animal], clock: c, set: in.Settings}
		for i := range a.Devices {
			d := &a.Devices[i]
			if d.Off != "" {
				continue
			}
			y := ComesOff{Cow: x.Cow}
			due, late, _ := Times(d)
			switch {
			case d.What != "wrap":
				y.When = a.blockEnd(d)
				y.Text = fmt.Sprintf("block on %s since %s: look at it from %s, off by %s", place(d.Foot, d.Claw), d.On, addDays(d.OnFirst(), a.set.BlockCheck), y.When)
			case Dressed(d):
				y.Text = fmt.Sprintf("vet dressing on %s: do not remove; the vet says when", place(d.Foot, ""))
			case due == "" && late == "":
				y.When = in.Day
				y.Text = fmt.Sprintf("wrap on %s: nobody wrote since when; look today", place(d.Foot, ""))
			default:
				at := a.milking(d, a.at)
				y.When = at.Format(time.RFC3339)
				y.Text = fmt.Sprintf("wrap on %s: off at the milking of %s, late from %s%s", place(d.Foot, ""), at.Format("2006-01-02 15:04"), a.say(late), a.orderWords(d))
			}
			y.Text = strings.Join(append([]string{y.Text}, a.before(d)...), "; ")
			v.ComeOff = append(v.ComeOff, y)
		}
	}
	slices.SortStableFunc(v.ComeOff, func(a, b ComesOff) int {
		return cmp.Or(c.closing(a.When).Compare(c.closing(b.When)), compareNames(a.Cow, b.Cow))
	})
}
