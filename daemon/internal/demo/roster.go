package demo

import (
	"fmt"
	"strings"
	"time"
)

// The roster of both farms: tabs, one row an animal.

const rosterColumns = "Key\tFarm\tEar tag\tTransponder\tNumber\tBorn\tSex\tBreed\tLactation\tCalved\tDried off\tDue\tLeft\tWhy"

func rosterRow(c *cow) []string {
	parity, last := c.parity, time.Time{}
	var calved []string
	for i, k := range c.calved {
		if c.left.IsZero() || k.Before(c.left) {
			calved = append(calved, ymd(k))
			last = k
			if c.parity == 0 || i > 0 {
				parity++
			}
		}
	}
	dry, due := c.dry, c.due
	if !dry.IsZero() && (dry.Before(last) || !c.left.IsZero() && dry.After(c.left) || dry.After(day(364))) {
		dry = time.Time{}
	}
	if !c.left.IsZero() {
		due = time.Time{}
	}
	return []string{
		c.key(), c.farm, c.earTag, c.transponder, fmt.Sprint(c.number), ymd(c.born), "F", c.breed, fmt.Sprint(parity),
		strings.Join(calved, ","), ymd(dry), ymd(due), ymd(c.left), c.leftWhy,
	}
}

var rosterRot = []struct {
	name  string
	spoil func(c []string)
}{
	{"transponder rounded by a spreadsheet", func(c []string) { c[3] = "2.5003544E+14" }},
	{"day that does not exist", func(c []string) { c[5] = c[5][:5] + "02-30" }},
	{"no key", func(c []string) { c[0] = "" }},
}

func roster(seed uint64, herd []*cow, rotten int) *device {
	d := newDice(seed, "roster")
	v := &device{source: "roster"}
	bad := marks(d, rotten, len(herd))
	turn := d.IntN(len(rosterRot))
	var b strings.Builder
	b.WriteString(rosterColumns + "\n")
	for i, c := range herd {
		cells := rosterRow(c)
		if bad[i] {
			turn++
			rosterRot[turn%len(rosterRot)].spoil(cells)
			v.spoil(rosterRot[turn%len(rosterRot)].name)
			v.counts.Held++
		} else {
			v.counts.Accepted++
		}
		b.WriteString(strings.Join(cells, "\t") + "\n")
	}
	v.add(fmt.Sprintf("roster-%d-12-31.tsv", year), day(365), []byte(b.String()))
	v.balance()
	return v
}
