package measures

import (
	"fmt"
	"strings"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/schema/codes"
)

// A Measure is an entry of the list of measures.
type Measure struct {
	Name       string
	Title      string
	Definition string
	Splits     []string // what it can be split by

	needs needs
	make  func(*work)
}

// work is the making of one report.
type work struct {
	q      Question // with defaults
	d      *Data
	kept   *kept
	period span
	cows   map[string]*cow
	lost   map[string][]*herd.LostClaw // by animal
	base   string
	spans  map[string][]span // days on which animals are in the base, by animal
	looks  []*look           // by animal and day
	report *Report
}

// Work makes the report of one measure. The error is of kind
// [events.ErrNotFound] for a measure that is not there and [events.ErrInvalid]
// for a question that makes no sense; nothing else fails. d is only read; several goroutines may work on one at a time.
func Work(d *Data, q Question, name string) (*Report, error) {
	m, err := find(name)
	if err != nil {
		return nil, err
	}
	if err := q.Check(); err != nil {
		return nil, err
	}
	if err := m.checkSplit(q.By); err != nil {
		return nil, err
	}
	w := &work{q: q.withDefaults(d.Gap), d: d, kept: d.kept}
	if w.kept == nil {
		w.kept = newKept()
	}
	w.period = span{dayOf(q.From, 0), dayOf(q.To, 0) + 1}
	w.report = &Report{
		Measure: m.Name, Title: m.Title, Question: q, Position: d.Position, Definition: m.Definition, Unseen: d.Unseen,
	}
	w.cows, w.lost = w.kept.animals(d)
	m.make(w)
	for i := range w.report.Figures {
		f := &w.report.Figures[i]
		f.ID = w.report.identify(f).String()
	}
	return w.report, nil
}

func find(name string) (*Measure, error) {
	for i := range list {
		if list[i].Name == name {
			return &list[i], nil
		}
	}
	var names []string
	for _, m := range list {
		names = append(names, m.Name)
	}
	f := &events.Fault{Kind: events.ErrNotFound, Who: "measure", What: "measure", Wanted: "a measure of the list", Got: fmt.Sprintf("%.100q", name)}
	f.Hints = []string{"did you mean " + strings.Join(codes.Nearest(name, names, 3), ", ") + "?", "there are: " + strings.Join(names, ", ")}
	return nil, f
}

func (m *Measure) checkSplit(by string) error {
	if by == "" {
		return nil
	}
	for _, s := range m.Splits {
		if s == by {
			return nil
		}
	}
	wanted := "no split"
	if len(m.Splits) > 0 {
		wanted = strings.Join(m.Splits, ", ")
	}
	return &events.Fault{Kind: events.ErrInvalid, Who: "measure " + m.Name, What: "what it is split by", Wanted: wanted, Got: by}
}
