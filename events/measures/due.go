package measures

import (
	"fmt"
	"slices"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/worklist"
)

// Kinds of what is due, named as lists name the reasons.
const (
	wrapOff      = "wrap-off"
	blockCheck   = "block-check"
	blockOff     = "block-off"
	recheck      = "recheck"
	ordered      = "order"
	preDry       = "pre-dry"
	midLactation = "mid-lactation"
	heiferCheck  = "heifer"
)

// dueKinds in the order they are told; words as they stand beside a number.
var dueKinds = []struct{ key, what, of string }{
	{wrapOff, "wraps taken off", "wraps whose time to come off ended in the period"},
	{blockCheck, "blocks looked at", "blocks whose time to be looked at ended in the period"},
	{blockOff, "blocks taken off", "blocks whose last day to come off is in the period"},
	{recheck, "ulcers, white line and toe lesions seen again", "sightings whose recheck closed in the period"},
	{ordered, "orders carried out", "orders due in the period"},
	{preDry, "checks before drying off", "checks that closed in the period"},
	{midLactation, "checks in the middle of the lactation", "checks that closed in the period"},
	{heiferCheck, "checks of heifers before calving", "checks that closed in the period"},
}

// A dueThing is one thing that was to be done to one animal.
type dueThing struct {
	kind, animal string
	closes       day    // the last day on which it is in time
	did          day    // never if it was not done
	inTime       answer // of what was done
	gone         bool   // it was there no longer: whether in time, nobody can tell
	amended      bool   // its sources changed the end, and the later one holds
	made, by     []events.Entity
}

// state is what became of it by the end of the period.
func (t *dueThing) state(period span) string {
	switch {
	case t.did >= period.to:
		return stateMissed
	case t.gone || t.inTime == unclear:
		return stateUnclear
	case t.inTime == yes:
		return stateInTime
	}
	return stateLate
}

// What became of something due.
const (
	stateInTime  = "in-time"
	stateLate    = "late"
	stateMissed  = "missed"
	stateUnclear = "unclear"
)

// A duty gathers what was due.
type duty struct {
	*work
	set      *worklist.Settings
	looks    map[string][]watched
	orders   map[string][]*herd.Order
	things   []*dueThing
	doubtful int
	strange  int
	asides   map[string]map[string]int // by kind and why not counted
}

// due makes what was due, and what became of it. The windows are those of lists
// (package worklist), as they come out of all that the log knows by now: a list
// of a day in the period may have known less.
func (w *work) due() {
	u := &duty{work: w, set: w.q.Lists, asides: map[string]map[string]int{}, orders: map[string][]*herd.Order{}}
	if u.set == nil {
		u.set = worklist.Defaults()
	}
	for i := range w.d.Orders {
		o := &w.d.Orders[i]
		u.orders[o.Animal] = append(u.orders[o.Animal], o)
	}
	u.watch()
	u.tellWindows()
	u.devices()
	u.rechecks()
	u.given()
	u.checks()
	w.leave("things due told of by records that contradict others, or that their source silently took back", u.doubtful)
	w.leave("things due of animals no roster knows", u.strange)
	u.figures()
	u.untellable()
	w.note("from lame to examined stands in the measure waiting; the high-risk, overdue and never examined have no window that closes, and are not here")
	w.note("several things due of one animal are not independent: intervals are narrower than they should be")
}

// untellable says which checks cannot be known to be due.
func (u *duty) untellable() {
	tells := func(a herd.Animal) bool {
		return a.PlannedDryOff != "" || a.ExpectedCalving != "" || len(a.Services) > 0
	}
	if !slices.ContainsFunc(u.d.Animals, tells) {
		u.note("no roster tells of services, expected calvings or planned dry-offs: who was to be checked before drying off or calving cannot be worked out")
	}
	if !tellsLactations(u.d.Animals) {
		u.note("no roster tells of calvings: who was to be checked in mid-lactation cannot be worked out")
	}
}

func (u *duty) tellWindows() {
	days := func(from, to int) string { return fmt.Sprintf("%d to %d", from, to) }
	s := u.set
	u.parameter("days after which a block is looked at, and by which it comes off", days(s.BlockCheck, s.BlockLong))
	u.parameter("days after which a lesion is seen again", days(s.RecheckFrom, s.RecheckTo))
	u.parameter("days before drying off of the check", days(s.PreDryFrom, s.PreDryTo))
	u.parameter("days within which a look before it makes that check needless", s.PreDryLooked)
	u.parameter("days of the dry period where none is planned", s.DryBeforeCalving)
	u.parameter("days in milk of the check", days(s.MidLactationFrom, s.MidLactationTo))
	u.parameter("days before calving of the check of heifers", days(s.HeiferFrom, s.HeiferTo))
	u.parameter("days from service to calving", s.Gestation)
}

// take adds something due, if it closed in the period and she was there.
func (u *duty) take(t *dueThing, doubtful bool) {
	switch c := u.cows[t.animal]; {
	case !u.period.has(t.closes):
	case doubtful:
		u.doubtful++
	case c == nil && len(u.cows) > 0:
		u.strange++
	case c != nil && !has(c.here, t.closes):
		u.aside(t.kind, t.closes, "of animals that were not in the herd when it closed")
	default:
		u.things = append(u.things, t)
	}
}

// aside counts what closed in the period and is not counted as due.
func (u *duty) aside(kind string, closes day, why string) {
	if !u.period.has(closes) {
		return
	}
	if u.asides[kind] == nil {
		u.asides[kind] = map[string]int{}
	}
	u.asides[kind][why]++
}

// done judges by days: in time up to the last day of the window.
func (t *dueThing) done(d day, by ...events.Entity) *dueThing {
	t.did, t.inTime, t.by = d, answerOf(d <= t.closes), by
	return t
}

// figures adds those of animals, and of each kind of things due. Kinds are not
// added up: a few of one could be worked out of a sum that is shared.
func (u *duty) figures() {
	u.animals()
	for _, k := range dueKinds {
		var mine []*dueThing
		for _, t := range u.things {
			if t.kind == k.key {
				mine = append(mine, t)
			}
		}
		u.outcome(k.key, k.what, k.of, mine)
	}
}

// outcome adds in time, late and missed of some things. Whatever cannot be told
// makes the share in time a range.
func (u *duty) outcome(key, section, of string, things []*dueThing) {
	by := map[string][]*dueThing{}
	lastDay, amended := 0, 0
	for _, t := range things {
		amended += boolInt(t.amended)
		s := t.state(u.period)
		by[s] = append(by[s], t)
		lastDay += boolInt(s == stateMissed && t.closes == u.period.to-1)
	}
	n := len(things)
	f := u.shareRange(key+"."+stateInTime, "in time", len(by[stateInTime]), len(by[stateUnclear]), n, of)
	f.Section, f.Family = section, key
	f.made(eventsOf(by[stateInTime]), eventsOf(things)).heads = u.headsOf(things, stateInTime)
	if lastDay > 0 {
		f.note("%d closed on the last day of the period, which is taken to be over, and are counted as missed", lastDay)
	}
	f.amended(amended)
	for _, why := range sortedKeys(u.asides[key]) {
		f.note("%d not counted: %s", u.asides[key][why], why)
	}
	if n == 0 {
		f.note("nothing that is known was due")
		return
	}
	for _, s := range []struct{ state, what string }{{stateLate, "done late"}, {stateMissed, "missed: not done by the end of the period"}} {
		f := u.share(key+"."+s.state, s.what, len(by[s.state]), n, of)
		f.Section, f.Family, f.Intervals = section, key, nil
		f.made(eventsOf(by[s.state]), eventsOf(things)).heads = u.headsOf(things, s.state)
	}
}

// headsOf returns the animals behind things due, of which one state is counted.
func (u *duty) headsOf(things []*dueThing, state string) *heads {
	var c crowd
	for _, t := range things {
		s := t.state(u.period)
		c.add(t.animal, s == state, s == stateUnclear)
	}
	return c.heads()
}

// amended says how many of those counted had an end that was changed.
func (f *Figure) amended(n int) {
	if n > 0 {
		f.note("of %d the source changed the end, and nobody confirmed it: the later end holds", n)
	}
}

// animals adds how many animals had everything done in time.
func (u *duty) animals() {
	by := map[string][]*dueThing{}
	for _, t := range u.things {
		by[t.animal] = append(by[t.animal], t)
	}
	var t tally
	for _, things := range by {
		states := map[string]bool{}
		for _, x := range things {
			states[x.state(u.period)] = true
		}
		kept := len(states) == 1 && states[stateInTime]
		t.pair(eventsOf(things), kept)
		t.unclear += boolInt(!kept && !states[stateLate] && !states[stateMissed])
	}
	f := u.shareRange("animals."+stateInTime, "animals with everything done in time", t.x, t.unclear, t.n, "animals with something due")
	f.Section = "everything due"
	f.made(t.counted, t.rest)
}

func eventsOf(things []*dueThing) (out []events.Entity) {
	for _, t := range things {
		out = append(append(out, t.made...), t.by...)
	}
	return out
}

func sortedKeys(m map[string]int) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
