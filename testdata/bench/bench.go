// Package bench writes the big chute file that measurements use, the same one
// for the same seed: a row a foot, 2,000 animals, two years, 18 columns, about
// one row in a hundred rotten in a way that holds it. All of it is invented.
package bench

import (
	"bufio"
	"io"
	"math/rand/v2"
	"strconv"
	"time"
)

// Header is the first line of the file, without its line end.
const Header = "tag,eid,date,time,visit,pen,parity,dim,foot,claw,zone,lesion,severity,block,wrap,loco,toe_mm,note"

// Options say which file is written.
type Options struct {
	Rows    int
	Seed    uint64
	Changed bool // a re-export: one row in a hundred has another length or note than without it
}

// Counts are what a mapping must find in the file.
type Counts struct {
	Rows, Rotten int // rotten rows are among the rows
	Events       int // of the rows that are not rotten
}

// Figures of the file.
const (
	animals = 2000
	days    = 730 // from 2024-01-01
	opens   = 7 * 3600
	open    = 10 * 3600 // seconds of a day in which work is done
)

var (
	feet = []string{"LF", "RF", "LH", "RH"}
	// Codes of the ICAR Claw Health Atlas, with zones where each is usual.
	lesions = []struct {
		code  string
		zones []string
		skin  bool
	}{
		{"SU", []string{"4"}, false}, {"SH", []string{"4", "5"}, false}, {"WLF", []string{"1", "2", "3"}, false}, {"HHE", []string{"6"}, false},
		{"TS", []string{"5"}, false}, {"DD", []string{"10"}, true}, {"IH", []string{"0"}, true},
	}
	notes = []string{
		`"soft horn, see again"`, `"deep, ""hot"" foot"`, "trimmed short", `"overgrown, long toe"`, "restless", `"says ""lame"" since Monday"`,
	}
	rotten = []string{"transponder", "date", "foot", "lesion", "zone", "severity", "toe", "loco", "cells", "quote"}
)

// Write writes the file and returns what must be found in it.
func Write(w io.Writer, o Options) (Counts, error) {
	b := bufio.NewWriterSize(w, 1<<16)
	b.WriteString(Header + "\n")
	g := generator{r: rand.New(rand.NewPCG(o.Seed, 18)), o: o, c: Counts{Rows: o.Rows}}
	start := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)
	var line []byte
	for i := range o.Rows {
		day := i * days / o.Rows
		first := (day*o.Rows + days - 1) / days // first row of the day
		perDay := o.Rows/days + 1
		at := opens + (i-first)*open/perDay + g.r.IntN(max(1, open/perDay)) // every row a second of its own, unless there are more than seconds
		line = g.row(line[:0], i, start.AddDate(0, 0, day), at)
		b.Write(line)
	}
	return g.c, b.Flush()
}

type generator struct {
	r *rand.Rand
	o Options
	c Counts
}

// chance is true n times in a hundred.
func (g *generator) chance(n int) bool { return g.r.IntN(100) < n }

func (g *generator) row(b []byte, i int, day time.Time, second int) []byte {
	animal := g.r.IntN(animals)
	eid := "2760009412" + pad(animal, 5)
	date, foot, claw := day.Format("2006-01-02"), feet[g.r.IntN(4)], []string{"inner", "outer"}[g.r.IntN(2)]
	zone, lesion, severity, loco, toe, note := "", "", "", "", "", ""
	block, wrap := "0", "0"
	events := 1
	if g.chance(40) {
		l := lesions[g.r.IntN(len(lesions))]
		lesion, zone, severity = l.code, l.zones[g.r.IntN(len(l.zones))], strconv.Itoa(1+g.r.IntN(3))
		if l.skin {
			claw = ""
		}
		events++
	}
	if lesion != "" && g.chance(20) {
		block = "1"
		events++
	}
	if lesion == "DD" && g.chance(50) {
		wrap = "1"
		events++
	}
	if g.chance(20) {
		loco = strconv.Itoa(1 + g.r.IntN(5))
		events++
	}
	if g.chance(25) {
		toe = strconv.Itoa(70+g.r.IntN(25)) + "." + strconv.Itoa(g.r.IntN(10))
		events++
	}
	if g.chance(10) {
		note = notes[g.r.IntN(len(notes))]
	}
	change := g.r.IntN(100) == 0 // drawn in every file, so that all else stays the same
	if g.o.Changed && change {
		note = "changed"
	}
	how := ""
	if g.r.IntN(100) == 0 {
		how = rotten[g.r.IntN(len(rotten))]
		g.c.Rotten++
	} else {
		g.c.Events += events
	}
	switch how {
	case "transponder":
		eid = eid[:14]
	case "date":
		date = day.Format("2006-") + "02-30"
	case "foot":
		foot = "XX"
	case "lesion":
		lesion = "ZZZ"
	case "zone":
		zone, lesion = "13", "SU"
	case "severity":
		severity, lesion = "7", "SU"
	case "toe":
		toe = "785"
	case "loco":
		loco = "6"
	case "quote":
		note = `"never closed`
	}
	b = append(b, strconv.Itoa(animal+1)...)
	for _, s := range []string{
		eid, date, clock(second), "V-" + day.Format("20060102"), "P" + strconv.Itoa(animal%12), strconv.Itoa(1 + animal%6), strconv.Itoa(i % 400),
		foot, claw, zone, lesion, severity, block, wrap, loco, toe,
	} {
		b = append(append(b, ','), s...)
	}
	if how != "cells" {
		b = append(append(b, ','), note...)
	}
	return append(b, '\n')
}

func pad(n, width int) string {
	s := strconv.Itoa(n)
	for len(s) < width {
		s = "0" + s
	}
	return s
}

func clock(s int) string { return pad(s/3600, 2) + ":" + pad(s/60%60, 2) + ":" + pad(s%60, 2) }
