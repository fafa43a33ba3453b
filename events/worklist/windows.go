package worklist

import "dewclaw/events/herd"

// A Window is the days in which something is to be done, the first and the last
// in it; "" where the day it is counted from is none.
type Window struct{ From, To string }

// BlockCheckWindow is when a block put on on a day is to be looked at; with the last
// day it comes off, if nothing else was planned or ordered.
func (s *Settings) BlockCheckWindow(on string) Window {
	return Window{addDays(on, s.BlockCheck), addDays(on, s.BlockLong)}
}

// RecheckWindow is when a lesion last seen on a day is to be looked at again.
func (s *Settings) RecheckWindow(seen string) Window {
	return Window{addDays(seen, s.RecheckFrom), addDays(seen, s.RecheckTo)}
}

// PreDryWindow is when the check before drying off on a day is open.
func (s *Settings) PreDryWindow(dry string) Window {
	return Window{addDays(dry, -s.PreDryFrom), addDays(dry, -s.PreDryTo)}
}

// DryBefore is the day on which a cow that may calve from a day on is taken to
// be dried off where nothing is planned.
func (s *Settings) DryBefore(calving string) string { return addDays(calving, -s.DryBeforeCalving) }

// MidLactationWindow is when the check in the middle of the lactation is open.
func (s *Settings) MidLactationWindow(calved string) Window {
	return Window{addDays(calved, s.MidLactationFrom), addDays(calved, s.MidLactationTo)}
}

// HeiferWindow is when the check of a heifer that may calve from a day on is open.
func (s *Settings) HeiferWindow(calving string) Window {
	return Window{addDays(calving, -s.HeiferFrom), addDays(calving, -s.HeiferTo)}
}

// Times returns when a wrap or block comes off and from when it is late, as
// [herd.Device.Times] does; what is ordered for a day is late when the day is
// over.
func Times(d *herd.Device) (due, late string, lifted bool) {
	due, late, lifted = d.Times()
	if d.Order != nil && len(late) == len("2006-01-02") && late == due {
		late = addDays(late, 1)
	}
	return due, late, lifted
}
