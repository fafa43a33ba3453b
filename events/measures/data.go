package measures

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// Unseen is what figures cannot see, of the farm as a whole.
type Unseen struct {
	Held           int `json:"held"`           // held records nobody has settled
	Unmatched      int `json:"unmatched"`      // animals that no roster explains
	UnmatchedFacts int `json:"unmatchedFacts"` // facts about them
	Contradictions int `json:"contradictions"`
	LeftOut        int `json:"leftOut"` // facts in doubt
	Waiting        int `json:"waiting"` // retractions that wait for a person
}

// Data is what measures are worked out from: what a herd knows of one farm at one
// log position, as far as a question needs it.
type Data struct {
	Farm     string
	Position events.Position
	Gap      int             // days, with which Cases were worked out
	Animals  []herd.Animal   // all the rosters ever told of
	Scores   []herd.Score    // from some time before the period to its end
	Exams    []herd.Fact     // examinations and lesions of the period
	Care     []herd.Fact     // treatments (medicines too), looks at devices and wounds, and what came off, of the period
	Cases    []herd.Case     // ever
	Devices  []herd.Device   // ever on from the first day of the period, or some time before
	Looks    []herd.Glance   // who looked at which foot, from some time before the period to its end
	Orders   []herd.Order    // ever
	Claws    []herd.LostClaw // ever
	Unseen   Unseen

	kept *kept // nil of what Load did not make: that may still change
}

// what a measure needs of Data beside the animals.
type needs uint

const (
	needScores needs = 1 << iota
	needExams
	needCare
	needCases
	needDevices
	needClaws
	needDue
)

// Load reads from a view what the named measures need to answer a question. The
// error is of kind [events.ErrInvalid] for a question that makes no sense,
// [events.ErrNotFound] for a farm or measure that is not there; others are those
// of the view. It blocks while the view reads.
func Load(ctx context.Context, v *herd.View, q Question, names ...string) (*Data, error) {
	if err := q.Check(); err != nil {
		return nil, err
	}
	var need needs
	for _, name := range names {
		m, err := find(name)
		if err != nil {
			return nil, err
		}
		need |= m.needs
	}
	if err := checkFarm(ctx, v, q.Farm); err != nil {
		return nil, err
	}
	l := &loader{need: need, ctx: ctx, v: v, q: q.withDefaults(v.GapDays())}
	l.d = &Data{Farm: q.Farm, Position: v.Position(), Gap: l.q.Gap, kept: newKept()}
	for _, step := range []struct {
		need needs
		read func() error
	}{{^needs(0), l.animals}, {^needs(0), l.unseen}, {needScores | needDevices, l.devices}, {needScores, l.scores}, {needExams, l.exams}, {needCare, l.care}, {needCases, l.cases}, {needClaws, l.claws}, {needDue, l.looks}} {
		if need&step.need == 0 && step.need != ^needs(0) {
			continue
		}
		if err := step.read(); err != nil {
			return nil, err
		}
	}
	return l.d, nil
}

func checkFarm(ctx context.Context, v *herd.View, farm string) error {
	farms, err := v.Farms(ctx)
	if err != nil || slices.Contains(farms, farm) {
		return err
	}
	f := &events.Fault{Kind: events.ErrNotFound, Who: "measure", What: "farm", Wanted: "a farm the log tells of", Got: fmt.Sprintf("%.200q", farm)}
	if len(farms) > 0 {
		f.Hints = []string{"there are: " + strings.Join(farms, ", ")}
	}
	return f
}

type loader struct {
	need needs
	ctx  context.Context
	v    *herd.View
	q    Question
	d    *Data
}

func (l *loader) animals() (err error) {
	l.d.Animals, err = l.v.Animals(l.ctx, l.q.Farm, "")
	return err
}

func (l *loader) unseen() error {
	c, err := l.v.Counts(l.ctx, l.q.Farm)
	l.d.Unseen = Unseen{c.Held, c.Unmatched, c.UnmatchedFacts, c.Contradictions, c.LeftOut, c.Waiting}
	return err
}

// scores reads them when the devices are there, with which they stand.
func (l *loader) scores() (err error) {
	l.d.Scores, err = l.v.ScoresWith(l.ctx, l.q.Farm, l.scoresFrom().String(), l.q.To, l.d.Devices)
	return err
}

func (l *loader) scoresFrom() day { return dayOf(l.q.From, 0) - history }

func (l *loader) exams() (err error) {
	l.d.Exams, err = l.v.Facts(l.ctx, herd.FactQuery{
		Farm: l.q.Farm, From: l.q.From, To: l.q.To, Kinds: []events.Kind{events.KindExamination, events.KindLesion},
	})
	return err
}

func (l *loader) care() (err error) {
	l.d.Care, err = l.v.Facts(l.ctx, herd.FactQuery{
		Farm: l.q.Farm, From: l.q.From, To: l.q.To, Kinds: []events.Kind{events.KindTreatment, events.KindCheck, events.KindTakenOff},
	})
	return err
}

func (l *loader) cases() (err error) {
	l.d.Cases, err = l.v.Cases(l.ctx, herd.CaseQuery{Farm: l.q.Farm, Gap: l.q.Gap})
	return err
}

func (l *loader) claws() (err error) {
	l.d.Claws, err = l.v.LostClaws(l.ctx, l.q.Farm)
	return err
}

// devices reads those of the longest time that anything needs.
func (l *loader) devices() (err error) {
	from := dayOf(l.q.From, 0)
	if l.need&needScores != 0 {
		from = l.scoresFrom()
	}
	if l.need&needDue != 0 {
		from = min(from, l.longBefore())
	}
	l.d.Devices, err = l.v.FarmDevices(l.ctx, l.q.Farm, from.String())
	return err
}
