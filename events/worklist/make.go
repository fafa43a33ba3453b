package worklist

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dewclaw/events/herd"
)

// Options say which list is wanted.
type Options struct {
	For      Reader // "" is the trimmer
	Chute    bool   // in the order of the chute: heifers and clean feet first, digital dermatitis last
	Capacity int    // places on the chute; 0 if nobody counts
}

// Make makes a list.
func Make(in *Input, o Options) *List {
	if o.For == "" {
		o.For = Trimmer
	}
	c := newClock(in.Day, in.Now, in.Zone)
	l := &List{
		Farm: in.Farm, Name: cmp.Or(in.Name, in.Farm), For: o.For, Day: in.Day, Order: "urgency",
		Made: in.Now.In(in.Zone).Format(time.RFC3339), At: c.at.Format(time.RFC3339),
		ValidUntil: c.begins(addDays(in.Day, 1)).Format(time.RFC3339), Position: in.Position,
		NextVisit: in.NextVisit, Rows: []Row{}, Cautions: Cautions,
	}
	if l.NextVisit == "" {
		l.NextVisit, l.Assumed = addDays(in.Day, in.Settings.NextVisit), true
	}
	l.Unseen = unseen(in)
	for i := range in.Standings {
		s := &in.Standings[i]
		a := &animal{
			Standing: s, clock: c, set: in.Settings, next: l.NextVisit, roster: in.Roster.Statements > 0,
			gone: !here(s, in.Day), held: in.HeldOf,
		}
		if row, ok := a.row(o.For); ok {
			l.Rows = append(l.Rows, row)
		}
	}
	l.Cannot = cannot(in, l)
	slices.SortFunc(l.Rows, func(a, b Row) int { return compareRows(&a, &b) })
	if o.Capacity > 0 {
		l.fit(o.Capacity, c)
	}
	if o.Chute {
		l.Order = "chute"
		slices.SortStableFunc(l.Rows, func(a, b Row) int { return cmp.Compare(a.chuteTurn(), b.chuteTurn()) })
	}
	return l
}

// here reports whether an animal is on lists of a day: she is in the herd by the
// roster, or something was told of her behind the day she left by it.
func here(s *herd.Standing, day string) bool {
	if !s.Animal.Known || s.Animal.In(day) {
		return true
	}
	return s.Until != "" && !s.Animal.In(s.Until)
}

// An animal is one animal whose row is in the making.
type animal struct {
	*herd.Standing
	clock
	set    *Settings
	next   string // next visit
	roster bool   // the farm has one
	gone   bool   // she left, and nothing was told of her since
	held   map[string]Held

	reasons []Reason
}

// add adds a reason.
func (a *animal) add(k *kind, text, since, closes string) {
	a.reasons = append(a.reasons, Reason{Code: k.code, Tier: k.tier, Text: text, Since: since, Closes: closes, of: k})
}

// row makes her row; ok is false if nothing concerns the reader.
func (a *animal) row(r Reader) (Row, bool) {
	a.leavesWithheld()
	if !a.gone {
		a.medicines()
		a.gait()
		a.lesions()
		a.devices()
		a.orders()
		a.looks()
		a.routine()
	}
	a.reasons = slices.DeleteFunc(a.reasons, func(x Reason) bool { return !x.of.concerns(r) })
	if len(a.reasons) == 0 {
		return Row{}, false
	}
	row := Row{
		Animal: a.Animal.ID, Known: a.Animal.Known, Pen: a.Animal.Pen(a.day), Guards: a.guards(),
		Findings: a.findings(), On: a.on(), Withheld: a.withheld(), Notes: a.notes(),
	}
	row.Cow, row.Second = a.names()
	a.stop(row.Guards)
	slices.SortStableFunc(a.reasons, func(x, y Reason) int { return compareReasons(&x, &y, a.clock) })
	row.Reasons, row.Tier = a.reasons, a.reasons[0].Tier
	for _, x := range a.reasons {
		row.Chute = row.Chute || x.of.chute && x.Tier != NotNow
	}
	row.Closes = row.closesInTier(a.clock)
	row.closing = a.clock.closing(row.Closes)
	row.heifer = a.heifer()
	for _, x := range a.Cases {
		if x.Open && !a.over(&x) {
			row.dermatitis = row.dermatitis || x.Class == "DD"
			row.infected = row.infected || infectious(x.Class)
		}
	}
	return row, true
}

// stop moves what a guard stops behind everything else.
func (a *animal) stop(guards []Guard) {
	for _, g := range guards {
		if !g.stops {
			continue
		}
		for i := range a.reasons {
			if x := &a.reasons[i]; x.of.routine && x.Stopped == "" {
				x.Stopped, x.Tier = g.Code, NotNow
			}
		}
	}
}

func compareReasons(a, b *Reason, c clock) int {
	return cmp.Or(cmp.Compare(a.Tier.rank(), b.Tier.rank()), boolFirst(a.of.first, b.of.first), c.closing(a.Closes).Compare(c.closing(b.Closes)))
}

// compareRows sorts by tier, then by the window that closes first in it.
func compareRows(a, b *Row) int {
	return cmp.Or(cmp.Compare(a.Tier.rank(), b.Tier.rank()), boolFirst(a.Reasons[0].of.first, b.Reasons[0].of.first),
		a.closing.Compare(b.closing), compareNames(a.Cow, b.Cow), strings.Compare(a.Animal, b.Animal))
}

// closesInTier returns the window that closes first among the reasons of the
// row's own tier; "" if none does, or a guard stops them all.
func (r *Row) closesInTier(c clock) string {
	best := ""
	if r.Tier == NotNow {
		return ""
	}
	for _, x := range r.Reasons {
		if x.Tier == r.Tier && x.Closes != "" && (best == "" || c.closing(x.Closes).Before(c.closing(best))) {
			best = x.Closes
		}
	}
	return best
}

// compareNames sorts numbers by their value: 7 before 12.
func compareNames(a, b string) int {
	return cmp.Or(cmp.Compare(len(a), len(b)), strings.Compare(a, b))
}

func boolFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// chuteTurn is where a row stands in the order of the chute: heifers and clean
// feet first, so that nothing is carried to them, digital dermatitis last
// (common practice, no source). Rows that take no place stand at the end.
func (r *Row) chuteTurn() int {
	switch {
	case !r.Chute || r.Beyond:
		return 5
	case r.dermatitis:
		return 4
	case r.infected:
		return 3
	case r.heifer:
		return 1
	}
	return 2
}
