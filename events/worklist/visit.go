package worklist

import (
	"cmp"
	"fmt"
	"maps"
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
	Last      string          `json:"last,omitempty"` // where nothing was recorded: the last day with records up to then
	ComeOff   []ComesOff      `json:"comeOff"`        // blocks and wraps on at the end, what comes off first first
	Cautions  []string        `json:"cautions"`
}

// VisitCounts are what a visit came to. Feet are those told to be examined. What two
// sources tell of one thing counts once; what is in doubt counts nowhere.
type VisitCounts struct {
	Animals    int `json:"animals"`    // of which anything was told
	Examined   int `json:"examined"`   // of them, looked at: see [herd.TellsOfLook]
	Feet       int `json:"feet"`       //
	Clear      int `json:"clear"`      // examined, all of it read, and nothing found on what was examined
	Incomplete int `json:"incomplete"` // examined, and rows of it are held
	Findings   int `json:"findings"`   // told as healed is none
	Blocks     int `json:"blocks"`
	Wraps      int `json:"wraps"`
	Off        int `json:"off"`
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
	Healed   []string   `json:"healed,omitempty"` // told as healed
	Done     []string   `json:"done,omitempty"`
	On       []On       `json:"on,omitempty"`
	Withheld []Withheld `json:"withheld,omitempty"`
	NotDone  string     `json:"notDone,omitempty"` // why not
	Notes    []string   `json:"notes,omitempty"`

	looked bool // somebody looked at a foot
	told   bool // or did something else to her
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
	standings := byAnimal(in)
	told, rows := map[string][]herd.Fact{}, map[string]*Visited{}
	for i := range facts {
		if standings[facts[i].Animal] != nil {
			told[facts[i].Animal] = append(told[facts[i].Animal], facts[i])
		}
	}
	for id, list := range told {
		s := standings[id]
		a := &animal{Standing: s, clock: c, set: in.Settings, held: in.HeldOf, gone: !here(s, in.Day)}
		x := &Visited{Animal: id, Known: s.Animal.Known, On: a.on(), Withheld: a.withheld(), Notes: a.notes()}
		x.Cow, x.Second = a.names()
		v.animal(x, list)
		rows[id] = x
	}
	for _, x := range rows {
		switch {
		case x.told:
			v.Animals = append(v.Animals, *x)
		case x.NotDone != "":
			v.NotDone = append(v.NotDone, *x)
		}
	}
	v.sum(c)
	v.comesOff(standings, in, c)
	if len(v.Animals)+len(v.NotDone) == 0 {
		for _, s := range standings {
			v.Last = max(v.Last, s.Until)
		}
	}
	return v
}

// A telling is the facts of one animal on their way into its row. What several
// sources tell of one thing is written and counted once.
type telling struct {
	*Visited
	counts *VisitCounts
	once   map[string]bool
	times  map[string]int // how often each source told of a thing, and the most of any
	feet   map[string]*footTold
	exam   bool // an examination was carried out
	part   bool // and rows of it are held
}

// A footTold is what examinations told of a foot.
type footTold struct{ trimmed, result string }

// animal fills a row from the facts of its animal, sorted by day and time.
func (v *Visit) animal(x *Visited, facts []herd.Fact) {
	t := &telling{Visited: x, counts: &v.Counts, once: map[string]bool{}, times: map[string]int{}, feet: map[string]*footTold{}}
	for i := range facts {
		t.tell(&facts[i])
	}
	standing := t.lesions(facts)
	t.footLines(standing)
	switch {
	case !x.looked:
	case t.part:
		v.Counts.Incomplete++
	case t.exam && len(t.feet) > 0 && len(x.Found) == 0:
		v.Counts.Clear++
	}
	if x.looked {
		v.Counts.Examined++
	}
}

// first reports whether a thing is told for the first time.
func (t *telling) first(parts ...string) bool {
	k := strings.Join(parts, "\n")
	if t.once[k] {
		return false
	}
	t.once[k] = true
	return true
}

// tell adds one fact to the row of its animal.
func (t *telling) tell(f *herd.Fact) {
	if at := f.At(); at != "" && (t.At == "" || at < t.At) {
		t.At = at
	}
	switch f.Kind() {
	case events.KindLocomotion, events.KindExamination, events.KindVisit:
	default:
		t.told = true
	}
	t.looked = t.looked || herd.TellsOfLook(f.Payload)
	sure := len(f.Doubts) == 0 // what is in doubt is told and not counted
	add := func(to *[]string, s string) {
		k := f.Day + string(f.Kind()) + s
		t.times[f.Source+"\n"+k]++
		if n := t.times[f.Source+"\n"+k]; n > t.times[k] { // twice by one source is twice
			t.times[k] = n
			*to = append(*to, s)
		}
	}
	switch p := f.Payload.(type) {
	case *events.Examination:
		t.examination(f, p)
	case *events.Treatment:
		what, _, _ := strings.Cut(p.What, "-")
		if n := map[string]*int{"block": &t.counts.Blocks, "wrap": &t.counts.Wraps}[what]; n != nil && sure && t.first("put", f.Day, what, place(p.Foot, p.Claw)) {
			*n++
		}
		add(&t.Done, treatmentWords(p))
	case *events.TakenOff:
		if sure && t.first("off", f.Day, p.What, place(p.Foot, p.Claw)) {
			t.counts.Off++
		}
		add(&t.Done, strings.Join(strings.Fields(p.What+" on "+place(p.Foot, p.Claw)+" "+orWords(words[p.How], "taken off")), " "))
	case *events.Check:
		add(&t.Done, strings.TrimSpace(fmt.Sprintf("looked at %s on %s: %s", p.What, place(p.Foot, p.Claw), p.State)))
	case *events.Claw:
		add(&t.Found, fmt.Sprintf("claw %s: %s", place(p.Foot, p.Claw), p.State))
	case *events.Order:
		add(&t.Done, eventOrderWords(p))
	case *events.ClawMeasure:
		add(&t.Done, strings.Join(strings.Fields(fmt.Sprintf("measured %s, %s: %s %s %s", place(p.Foot, p.Claw), p.What, p.Value, p.Unit, p.When)), " "))
	}
}

// lesions adds what was found, and what was told healed, which is no finding. It
// returns the feet on which a lesion stands.
func (t *telling) lesions(facts []herd.Fact) (standing map[string]bool) {
	byEntity := map[events.Entity]*events.Lesion{}
	for i := range facts {
		if l, ok := facts[i].Payload.(*events.Lesion); ok {
			byEntity[facts[i].Entity] = l
		}
	}
	standing = map[string]bool{}
	found := map[events.Entity]bool{}
	cases := herd.CasesOf(facts, sameVisitDays)
	for i := range cases {
		c := &cases[i]
		standing[c.Foot] = true
		for _, s := range c.Seen {
			for _, l := range s.Lesions {
				var all []string
				for _, r := range l.Reports {
					found[r.Entity] = true
					if w := lesionWords(byEntity[r.Entity]); !slices.Contains(all, w) {
						all = append(all, w)
					}
				}
				slices.SortStableFunc(all, func(a, b string) int { return len(b) - len(a) }) // what says most first
				text := strings.Join(all, ", also told as ")
				if len(c.Doubts) == 0 {
					t.counts.Findings++
				} else {
					text += " (contradictory: not counted)"
				}
				t.Found = append(t.Found, text)
			}
		}
	}
	for i := range facts {
		if l, ok := facts[i].Payload.(*events.Lesion); ok && !found[facts[i].Entity] {
			if w := lesionWords(l); !slices.Contains(t.Healed, w) {
				t.Healed = append(t.Healed, w)
			}
		}
	}
	return standing
}

// sameVisitDays is the gap of cases within a visit: longer than any visit.
const sameVisitDays = 42

// footLines writes what became of each foot. One with a lesion that stands is not
// clear, whatever the examination said: the lesion may be corrected, or another
// source's.
func (t *telling) footLines(standing map[string]bool) {
	for _, foot := range slices.SortedFunc(maps.Keys(t.feet), func(a, b string) int { return cmp.Or(footOrder(a)-footOrder(b), strings.Compare(a, b)) }) {
		f := t.feet[foot]
		s := foot
		if w := words[f.trimmed]; w != "" {
			s += " " + w
		}
		healed := slices.ContainsFunc(t.Healed, func(w string) bool { return strings.HasPrefix(w, foot+" ") })
		switch {
		case standing[foot], t.part:
		case f.result == "clear":
			s += ", clear"
		case f.result == "findings" && !healed:
			s += ", no finding that stands"
		}
		t.Feet = append(t.Feet, s)
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

func (t *telling) examination(f *herd.Fact, p *events.Examination) {
	for _, r := range p.Reasons {
		if r != "not-stated" && !slices.Contains(t.Why, r) {
			t.Why = append(t.Why, r)
		}
	}
	if p.Outcome == "not-done" {
		t.NotDone = orWords(p.NotDone, "not stated")
		return
	}
	t.told, t.exam = true, true
	for _, x := range p.Feet {
		if x.Examined != "yes" {
			continue
		}
		if t.first("foot", f.Day, x.Foot) {
			t.counts.Feet++
		}
		of := t.feet[x.Foot]
		if of == nil {
			of = &footTold{}
			t.feet[x.Foot] = of
		}
		if trimmedRank[x.Trimmed] > trimmedRank[of.trimmed] {
			of.trimmed = x.Trimmed
		}
		if of.result != "findings" {
			of.result = x.Result
		}
	}
	switch p.Outcome {
	case "incomplete":
		if t.part = true; t.first("incomplete") {
			t.Notes = append(t.Notes, "rows of her examination are held: not all that was found or put on is here")
		}
	case "no-cause-in-feet":
		if t.first("no cause") {
			t.Found = append(t.Found, "lame, no cause in the feet: vet")
		}
	}
}

// trimmedRank says which of two words for the trim of a foot says more.
var trimmedRank = map[string]int{"none": 1, "preventive": 2, "corrective": 3}

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

func treatmentWords(p *events.Treatment) string {
	s := strings.TrimSpace(p.What + " on " + place(p.Foot, p.Claw))
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
			if d.What == "wrap" {
				_, y.Text, y.When = a.wrapWords(d)
			} else {
				var off string
				y.When, off = a.blockEnd(d)
				y.Text = fmt.Sprintf("block on %s since %s: check from %s, %s", place(d.Foot, d.Claw), d.On, addDays(d.OnFirst(), a.set.BlockCheck), off)
			}
			y.Text = strings.Join(append([]string{y.Text}, a.before(d)...), "; ")
			v.ComeOff = append(v.ComeOff, y)
		}
	}
	slices.SortStableFunc(v.ComeOff, func(a, b ComesOff) int {
		return cmp.Or(c.closing(a.When).Compare(c.closing(b.When)), compareNames(a.Cow, b.Cow))
	})
}
