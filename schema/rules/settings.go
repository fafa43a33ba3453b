package rules

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// Settings are the thresholds of the rules. Unset lengths switch their rule off.
type Settings struct {
	ToeHairlineMM       events.Decimal // least toe length from the hairline
	ToeHardHornMM       events.Decimal // least toe length from the hard horn
	ToeNoLandmarkMM     events.Decimal // least toe length if nobody wrote from where
	SoleCriticalMM      events.Decimal // least thickness of the sole
	MisusedTransponders []string       // 15 digits each
	WrapDue             time.Duration  // elapsed, from when it was put on
	WrapLate            time.Duration  // elapsed, from when it was put on
}

// Defaults returns the settings the code lists advisories and timings have, each
// with its source there. The caller owns them.
func Defaults() *Settings {
	s := new(Settings)
	for _, a := range codes.Advisories().All() {
		for _, x := range a.Settings {
			s.mustSet(x.Name, x.Default)
		}
	}
	for _, x := range codes.Timings().All() {
		s.mustSet(x.Code, fmt.Sprint(x.Hours, "h"))
	}
	return s
}

func (s *Settings) mustSet(name, value string) {
	if err := s.Set(name, value); err != nil {
		panic("code lists: " + err.Error())
	}
}

// Set changes one setting by its name in the code lists: a length in mm
// ("82.55"), a list of numbers with commas between, or hours ("24h"). The error
// is of kind [events.ErrInvalid].
func (s *Settings) Set(name, value string) error {
	lengths := map[string]*events.Decimal{
		"toe-hairline": &s.ToeHairlineMM, "toe-hard-horn": &s.ToeHardHornMM, "toe-no-landmark": &s.ToeNoLandmarkMM,
		"sole-critical": &s.SoleCriticalMM,
	}
	times := map[string]*time.Duration{"wrap-due": &s.WrapDue, "wrap-late": &s.WrapLate}
	switch {
	case lengths[name] != nil:
		d, err := events.ParseDecimal(value)
		if err != nil || d.Cmp(events.DecimalOf(0, 0)) <= 0 {
			return fault(name, "a length in mm over 0", value)
		}
		*lengths[name] = d
	case times[name] != nil:
		d, err := time.ParseDuration(value)
		if err != nil || d <= 0 {
			return fault(name, `a time such as "24h"`, value)
		}
		*times[name] = d
	case name == "misused-transponders":
		s.MisusedTransponders = nil
		for n := range strings.SplitSeq(value, ",") {
			id, problem := codes.ParseTransponder(strings.TrimSpace(n))
			if problem != nil {
				return fault(name, problem.Wanted, problem.Got)
			}
			s.MisusedTransponders = append(s.MisusedTransponders, id)
		}
	default:
		return fault("setting", "one of "+strings.Join(Names(), ", "), name)
	}
	return nil
}

func fault(what, wanted, got string) error {
	return &events.Fault{Kind: events.ErrInvalid, What: what, Wanted: wanted, Got: got}
}

// Names returns the names of all settings, sorted.
func Names() []string {
	var names []string
	for _, a := range codes.Advisories().All() {
		for _, x := range a.Settings {
			names = append(names, x.Name)
		}
	}
	names = append(names, codes.Timings().Codes()...)
	slices.Sort(names)
	return names
}
