package worklist

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// Settings are the windows and limits of lists, by the names of the code list
// due, which has the source of each. Days are calendar days.
type Settings struct {
	LameExamine, SevereExamine               time.Duration
	NotImproving                             int
	BlockCheck, BlockLong, BlockEarly        int
	RecheckFrom, RecheckTo                   int
	PreDryFrom, PreDryTo, PreDryLooked       int
	DryBeforeCalving                         int
	MidLactationFrom, MidLactationTo         int
	HeiferFrom, HeiferTo                     int
	CalvingGuard, FreshGuard, TiltGuard      int
	Gestation                                int
	HighRiskHistory, HighRiskLooked, Overdue int
	ChronicSpan, ChronicCases, LeavingLame   int
	LeftWithheld                             int
	NextVisit                                int
	RosterOld, ScoresOld                     int
	Milkings                                 []string       // HH:MM, ascending; at least one
	SoleCriticalMM                           events.Decimal // a thinner sole is not to be cut (setting sole-critical, code list advisories)
}

// Defaults returns what the code lists say. The caller owns it.
func Defaults() *Settings {
	s := &Settings{SoleCriticalMM: events.DecimalOf(5, 0)}
	for _, d := range codes.Dues().All() {
		value := d.Text
		switch {
		case d.Hours > 0:
			value = fmt.Sprint(d.Hours, "h")
		case d.Days > 0:
			value = fmt.Sprint(d.Days*24, "h")
		}
		if err := s.Set(d.Code, value); err != nil {
			panic("code list due: " + err.Error())
		}
	}
	return s
}

// Has reports whether a setting is one of lists.
func Has(name string) bool { return codes.Dues().Get(name) != nil }

// Set changes one setting by its name: a time ("48h"; where days are counted a
// whole number of days, such as "336h"), or for milkings the times of day with
// blanks between ("06:00 17:00"). The error is of kind [events.ErrInvalid].
func (s *Settings) Set(name, value string) error {
	if name == "milkings" {
		return s.setMilkings(value)
	}
	d, err := time.ParseDuration(value)
	if err != nil || d <= 0 {
		return fault(name, `a time such as "48h"`, value)
	}
	if to := s.hours(name); to != nil {
		*to = d
		return nil
	}
	to := s.days()[name]
	switch {
	case to == nil:
		return fault("setting", "one of "+strings.Join(codes.Dues().Nearest(name, 5), ", "), name)
	case d%(24*time.Hour) != 0:
		return fault(name, `whole days such as "14d"`, value)
	}
	*to = int(d / (24 * time.Hour))
	return nil
}

func (s *Settings) hours(name string) *time.Duration {
	switch name {
	case "lame-examine":
		return &s.LameExamine
	case "severe-examine":
		return &s.SevereExamine
	}
	return nil
}

func (s *Settings) days() map[string]*int {
	return map[string]*int{
		"not-improving": &s.NotImproving, "block-check": &s.BlockCheck, "block-long": &s.BlockLong, "block-early": &s.BlockEarly,
		"recheck-from": &s.RecheckFrom, "recheck-to": &s.RecheckTo, "pre-dry-from": &s.PreDryFrom, "pre-dry-to": &s.PreDryTo,
		"pre-dry-looked": &s.PreDryLooked, "dry-before-calving": &s.DryBeforeCalving,
		"mid-lactation-from": &s.MidLactationFrom, "mid-lactation-to": &s.MidLactationTo,
		"heifer-from": &s.HeiferFrom, "heifer-to": &s.HeiferTo,
		"calving-guard": &s.CalvingGuard, "fresh-guard": &s.FreshGuard, "tilt-guard": &s.TiltGuard, "gestation": &s.Gestation,
		"high-risk-history": &s.HighRiskHistory, "high-risk-looked": &s.HighRiskLooked, "overdue": &s.Overdue,
		"chronic-span": &s.ChronicSpan, "chronic-cases": &s.ChronicCases, "leaving-lame": &s.LeavingLame, "left-withheld": &s.LeftWithheld,
		"next-visit": &s.NextVisit, "roster-old": &s.RosterOld, "scores-old": &s.ScoresOld,
	}
}

func (s *Settings) setMilkings(value string) error {
	var all []string
	for f := range strings.FieldsSeq(value) {
		if _, err := time.Parse("15:04", f); err != nil || len(f) != 5 {
			return fault("milkings", `times of day such as "06:00 17:00"`, value)
		}
		all = append(all, f)
	}
	if len(all) == 0 {
		return fault("milkings", "at least one time of day", value)
	}
	slices.Sort(all)
	s.Milkings = slices.Compact(all)
	return nil
}

func fault(what, wanted, got string) error {
	return &events.Fault{Kind: events.ErrInvalid, What: what, Wanted: wanted, Got: fmt.Sprintf("%q", got)}
}
