package rules

import (
	"slices"
	"strconv"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A view is what the rules must know of a record as a whole before they judge
// its parts.
type view struct {
	record   []events.Payload
	lesions  int
	blocks   int
	toes     int  // toe lengths
	dryOff   bool // examined because she dries off
	hindFeet [2]bool
	age      age
}

// An age is what the record calls the animal. Where it contradicts itself it
// says nothing.
type age uint8

const (
	ageUnknown age = iota
	ageHeifer      // before her first calving
	ageCow
	ageDoubtful
)

func (a *age) say(now age) {
	switch *a {
	case ageUnknown:
		*a = now
	case now:
	default:
		*a = ageDoubtful
	}
}

func viewOf(record []events.Payload) view {
	v := view{record: record}
	for i, p := range record {
		switch p := p.(type) {
		case *events.Lesion:
			v.lesions++
		case *events.Treatment:
			if isBlock(p) {
				v.blocks++
			}
		case *events.ClawMeasure:
			if p.What == toeLength {
				v.toes++
			}
		case *events.Examination:
			v.seeExamination(p)
		case *events.Animal:
			if p.Parity != nil {
				v.seeParity(*p.Parity)
			}
		}
		if given := p.Base().AsGiven.Parity; i == 0 && given != "" {
			if n, err := strconv.Atoi(given); err == nil {
				v.seeParity(n)
			}
		}
	}
	return v
}

// seeParity sees how often she calved, as a device or a roster wrote it.
func (v *view) seeParity(n int) {
	switch {
	case n == 0:
		v.age.say(ageHeifer)
	case n > 0:
		v.age.say(ageCow)
	}
}

func (v *view) seeExamination(x *events.Examination) {
	for _, reason := range x.Reasons {
		switch reason {
		case heifer:
			v.age.say(ageHeifer)
		case dryOff:
			v.dryOff = true
			v.age.say(ageCow)
		case midLactation:
			v.age.say(ageCow)
		}
	}
	for _, f := range x.Feet {
		if i := slices.Index(hind[:], f.Foot); i >= 0 && f.Examined == "yes" {
			v.hindFeet[i] = true
		}
	}
}

// hind are the hind feet, as view.hindFeet has them.
var hind = [2]string{"LH", "RH"}

// isBlock reports whether the treatment put a block on.
func isBlock(t *events.Treatment) bool {
	e := codes.Treatments().Get(t.What)
	return e != nil && e.Device == block
}

// sided reports whether the claw is one of the two main claws.
func sided(claw string) bool { return claw == "inner" || claw == "outer" }
