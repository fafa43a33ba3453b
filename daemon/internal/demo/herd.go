package demo

import (
	"fmt"
	"slices"
	"time"
)

// Ids of the two farms, and how many cows each has.
const (
	Aulnaie    = "aulnaie"
	PebbleYard = "pebble-yard"
	Cows       = aulnaieCows + pebbleCows

	aulnaieCows = 240
	pebbleCows  = 160
)

// A cow with what a roster says of her.
type cow struct {
	farm        string
	number      int
	earTag      string // "" at pebble-yard, which uses transponders only
	transponder string
	born        time.Time
	breed       string
	parity      int // before the year
	calved      []time.Time
	dry         time.Time
	due         time.Time
	left        time.Time
	leftWhy     string

	lame  bool
	block *block // the one she stands on
	known []lesion
}

// A block on a claw, and when it came on.
type block struct {
	foot, claw string
	since      time.Time
}

// key is the roster's own key of the cow.
func (c *cow) key() string {
	if c.farm == Aulnaie {
		return fmt.Sprintf("A-%04d", c.number)
	}
	return fmt.Sprintf("P-%04d", c.number)
}

func (c *cow) here(t time.Time) bool { return c.left.IsZero() || t.Before(c.left) }

// milking reports whether she is in milk on day t.
func (c *cow) milking(t time.Time) bool {
	var last time.Time
	for _, k := range c.calved {
		if !k.After(t) {
			last = k
		}
	}
	return !last.IsZero() && c.here(t) && (c.dry.IsZero() || t.Before(c.dry) || slices.ContainsFunc(c.calved, func(k time.Time) bool {
		return k.After(c.dry) && !k.After(t)
	}))
}

// makeHerd makes the cows of both farms.
func makeHerd(seed uint64) []*cow {
	d := newDice(seed, "herd")
	var herd []*cow
	for i := range Cows {
		c := &cow{farm: Aulnaie, number: 1000 + i + 1, breed: pick(d, []string{"HF", "HF", "HF", "MO", "NO"})}
		if i < aulnaieCows {
			c.earTag = fmt.Sprintf("FR %02d %04d %04d", 35, 4400+i/100, 1000+i*7%9000)
			c.transponder = fmt.Sprintf("250%012d", 35_4400_0000+int64(i)*7919)
		} else {
			c.farm, c.number = PebbleYard, i-aulnaieCows+1
			c.breed = pick(d, []string{"HO", "HO", "HO", "JX"})
			c.transponder = fmt.Sprintf("840%012d", 3_140_000_000+int64(i)*6007)
		}
		c.life(d)
		herd = append(herd, c)
	}
	return herd
}

// life gives a cow her calvings, the next dry-off and, for some, an end. Days
// between calvings, dry period and age at first calving: common practice, no source.
func (c *cow) life(d dice) {
	c.parity = min(6, d.within(0, 3)+d.within(0, 3))
	first := day(d.within(-330, 250))
	if c.parity == 0 { // a heifer that calves for the first time this year
		first = day(d.within(30, 250))
	}
	c.born = first.AddDate(0, 0, -(760 + max(0, c.parity-1)*385 + d.within(-40, 60)))
	c.calved = append(c.calved, first)
	next := first.AddDate(0, 0, 385+d.within(-25, 45))
	if next.Before(day(365)) {
		c.dry = next.AddDate(0, 0, -60)
		if next.Before(day(330)) {
			c.calved = append(c.calved, next)
		} else {
			c.due = next
		}
	} else {
		c.due = next
	}
	if d.chance(pLeaves) {
		c.left = day(d.within(275, 360))
		c.leftWhy = pick(d, []string{"sold", "fertility", "udder", "feet", "died"})
	}
	c.lame = d.chance(pBecomesLame / (pBecomesLame + pRecovers))
}
