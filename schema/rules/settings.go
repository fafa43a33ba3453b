package rules

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// Settings are the thresholds of the rules. An unset length or angle switches
// its rule off.
type Settings struct {
	ToeHairlineMM       events.Decimal // least toe length from the hairline
	ToeHardHornMM       events.Decimal // least toe length from the hard horn
	ToeNoLandmarkMM     events.Decimal // least toe length if nobody wrote from where
	SoleCriticalMM      events.Decimal // least thickness of the sole
	SoleRecommendedMM   events.Decimal // recommended thickness of the sole
	SoleThickMM         events.Decimal // most thickness of the sole after trimming
	AngleLeastDeg       events.Decimal // least angle of the front wall
	HeelLeastMM         events.Decimal // least height of the heel
	ClawDifferenceMM    events.Decimal // most difference of the claws of a foot after trimming
	TrimToleranceMM     events.Decimal // how much longer a claw may be after trimming
	MisusedTransponders []string       // 15 digits each
	ResetYears          []string       // four digits each
	WrapDue             time.Duration  // elapsed, from when it was put on
	WrapLate            time.Duration  // elapsed, from when it was put on

	SidesLeast    int           // blocks on feet with one claw to relieve before [SidesSwapped]
	SidesShare    int           // per cent of them on that claw
	MidnightLeast int           // times of day before [MidnightAlways]
	ClockJumpBy   time.Duration // how far a clock must jump for [ClockJump]
	ClockRecords  int           // records in a run of it
	LateAfter     time.Duration // from what a record says to its receipt, for [RecordsLate]
	LateLeast     int           // records before it

	Off map[string]bool // codes of advisories that are switched off
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

// Set changes one setting by its name in the code lists: a length in mm or an
// angle in deg ("82.55"), a list of numbers with commas between, a count, a time
// ("24h", "10m"), or on or off for an advisory by its code. The error is of kind
// [events.ErrInvalid].
func (s *Settings) Set(name, value string) error {
	if d, unit := s.threshold(name); d != nil {
		return setDecimal(d, unit, name, value)
	}
	if t := s.time(name); t != nil {
		return setTime(t, name, value)
	}
	if n := s.count(name); n != nil {
		return setCount(n, name, value)
	}
	switch {
	case name == "misused-transponders":
		return s.setMisused(value)
	case name == "reset-years":
		return s.setYears(value)
	case codes.Advisories().Has(name):
		return s.setSwitch(name, value)
	}
	return fault("setting", "one of "+strings.Join(codes.Nearest(name, Names(), 5), ", "), name)
}

func (s *Settings) threshold(name string) (d *events.Decimal, unit string) {
	switch name {
	case "toe-hairline":
		return &s.ToeHairlineMM, "mm"
	case "toe-hard-horn":
		return &s.ToeHardHornMM, "mm"
	case "toe-no-landmark":
		return &s.ToeNoLandmarkMM, "mm"
	case "sole-critical":
		return &s.SoleCriticalMM, "mm"
	case "sole-recommended":
		return &s.SoleRecommendedMM, "mm"
	case "sole-thick":
		return &s.SoleThickMM, "mm"
	case "angle-least":
		return &s.AngleLeastDeg, "deg"
	case "heel-least":
		return &s.HeelLeastMM, "mm"
	case "claw-difference":
		return &s.ClawDifferenceMM, "mm"
	case "trim-tolerance":
		return &s.TrimToleranceMM, "mm"
	}
	return nil, ""
}

func (s *Settings) time(name string) *time.Duration {
	switch name {
	case "wrap-due":
		return &s.WrapDue
	case "wrap-late":
		return &s.WrapLate
	case "clock-jump-by":
		return &s.ClockJumpBy
	case "late-after":
		return &s.LateAfter
	}
	return nil
}

func (s *Settings) count(name string) *int {
	switch name {
	case "sides-least":
		return &s.SidesLeast
	case "sides-share":
		return &s.SidesShare
	case "midnight-least":
		return &s.MidnightLeast
	case "clock-records":
		return &s.ClockRecords
	case "late-least":
		return &s.LateLeast
	}
	return nil
}

func setDecimal(to *events.Decimal, unit, name, value string) error {
	d, err := events.ParseDecimal(value)
	if err != nil || d.Cmp(events.DecimalOf(0, 0)) <= 0 {
		return fault(name, map[string]string{"mm": "a length in mm over 0", "deg": "an angle in deg over 0"}[unit], value)
	}
	*to = d
	return nil
}

func setTime(to *time.Duration, name, value string) error {
	d, err := time.ParseDuration(value)
	if err != nil || d <= 0 {
		return fault(name, `a time such as "24h"`, value)
	}
	*to = d
	return nil
}

func setCount(to *int, name, value string) error {
	n, err := strconv.Atoi(value)
	if err != nil || n < 1 || n > 1_000_000 || name == "sides-share" && n > 100 {
		return fault(name, "a whole number over 0", value)
	}
	*to = n
	return nil
}

func (s *Settings) setMisused(value string) error {
	var all []string
	for n := range strings.SplitSeq(value, ",") {
		id, problem := codes.ParseTransponder(strings.TrimSpace(n))
		if problem != nil {
			return fault("misused-transponders", problem.Wanted, problem.Got)
		}
		all = append(all, id)
	}
	s.MisusedTransponders = all
	return nil
}

func (s *Settings) setYears(value string) error {
	var all []string
	for y := range strings.SplitSeq(value, ",") {
		y = strings.TrimSpace(y)
		if n, err := strconv.Atoi(y); err != nil || len(y) != 4 || n < 1000 {
			return fault("reset-years", "years of four digits with commas between", value)
		}
		all = append(all, y)
	}
	s.ResetYears = all
	return nil
}

func (s *Settings) setSwitch(code, value string) error {
	if value != "on" && value != "off" {
		return fault(code, "on or off", value)
	}
	if s.Off == nil {
		s.Off = map[string]bool{}
	}
	delete(s.Off, code)
	if value == "off" {
		s.Off[code] = true
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
