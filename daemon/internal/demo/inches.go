package demo

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// The chute log of pebble-yard: quoted text in UTF-8 with a byte order mark, US
// dates, a 12-hour clock, lengths in inches with fractions. A row is one animal
// with up to two findings. One file a month.

var inchColumns = []string{
	"Visit", "Day", "At", "EID", "Tag", "Why", "Legs",
	"Leg 1", "Claw 1", "Finding 1", "Stage 1", "Zone 1", "Grade 1",
	"Leg 2", "Claw 2", "Finding 2", "Stage 2", "Zone 2", "Grade 2",
	"Block leg", "Block claw", "Wrap leg", "Off what", "Off leg", "Off claw",
	"Toe LF", "Toe RF", "Toe LH", "Toe RH", "Remark",
}

var inchLesion = map[string]string{
	"SU": "ulcer", "SH": "bruise", "WL": "white line", "DD": "rear skin", "HHE": "heel horn", "IH": "growth", "TS": "thin",
}
var inchReason = map[string]string{"lame": "lame", "mid-lactation": "mid", "dry-off": "dry", "heifer": "heifer", "recheck": "again"}

func inchRow(x *exam, visit int) []string {
	c := make([]string, len(inchColumns))
	set := func(name, value string) { c[slices.Index(inchColumns, name)] = value }
	set("Visit", fmt.Sprintf("PV-%05d", visit))
	set("Day", x.at.Format("1/2/2006"))
	set("At", x.at.Format("3:04 PM"))
	set("EID", x.cow.transponder)
	set("Tag", fmt.Sprint(x.cow.number))
	set("Why", inchReason[x.reason])
	set("Legs", strings.Join(x.feetOf(), " "))
	for i, l := range x.found {
		n := fmt.Sprint(i + 1)
		set("Leg "+n, l.foot)
		set("Claw "+n, l.claw)
		set("Finding "+n, inchLesion[l.code])
		set("Stage "+n, l.stage)
		set("Zone "+n, fmt.Sprint(l.zone))
		set("Grade "+n, fmt.Sprint(l.severity))
	}
	if x.blockOn != nil {
		set("Block leg", x.blockOn.foot)
		set("Block claw", x.blockOn.claw)
	}
	set("Wrap leg", x.wrapOn)
	for _, o := range x.off {
		set("Off what", o.what)
		set("Off leg", o.foot)
		set("Off claw", o.claw)
	}
	for foot, mm := range x.toe {
		set("Toe "+foot, inches(mm))
	}
	set("Remark", x.remark)
	return c
}

// inches writes a length the way a tape shows it: 3 5/16.
func inches(mm float64) string {
	n := int(math.Round(16 * mm / 25.4))
	whole, part, of := n/16, n%16, 16
	for part > 0 && part%2 == 0 {
		part, of = part/2, of/2
	}
	if part == 0 {
		return fmt.Sprint(whole)
	}
	return fmt.Sprintf("%d %d/%d", whole, part, of)
}

var inchRot = []struct {
	name  string
	spoil func(set func(name, value string), get func(name string) string)
}{
	{"transponder rounded by a spreadsheet", func(set func(string, string), _ func(string) string) { set("EID", "8.40003E+14") }},
	{"transponder of 14 digits", func(set func(string, string), get func(string) string) { set("EID", get("EID")[:14]) }},
	{"time that does not exist", func(set func(string, string), _ func(string) string) { set("At", "13:75 PM") }},
	{"length without its fraction bar", func(set func(string, string), _ func(string) string) { set("Toe LH", "3 516") }},
	{"leg that is none", func(set func(string, string), _ func(string) string) { set("Legs", "LH XX") }},
	{"day in another layout", func(set func(string, string), get func(string) string) {
		set("Day", strings.ReplaceAll(get("Day"), "/", "."))
	}},
}

func inchLog(seed uint64, exams []*exam, rotten int) *device {
	d := newDice(seed, "inches")
	v := &device{source: "chute-pebble"}
	var list []*exam
	for _, x := range exams {
		if x.cow.farm == PebbleYard && !x.vet {
			list = append(list, x)
		}
	}
	bad := marks(d, rotten, len(list))
	turn, n := d.IntN(len(inchRot)), 0
	for m, month := range months(list, func(x *exam) time.Time { return x.at }) {
		var b strings.Builder
		b.WriteString("\ufeff")
		writeQuoted(&b, inchColumns)
		for _, x := range month {
			c := inchRow(x, n+1)
			if bad[n] {
				turn++
				rot := inchRot[turn%len(inchRot)]
				rot.spoil(func(name, value string) { c[slices.Index(inchColumns, name)] = value },
					func(name string) string { return c[slices.Index(inchColumns, name)] })
				v.spoil(rot.name)
				v.counts.Held++
			} else {
				v.counts.Accepted++
			}
			writeQuoted(&b, c)
			n++
		}
		v.add(fmt.Sprintf("log-%d-%02d.csv", year, m+1), day(0).AddDate(0, m+1, 0), []byte(b.String()))
	}
	v.balance()
	return v
}

func writeQuoted(b *strings.Builder, cells []string) {
	for i, c := range cells {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(`"` + strings.ReplaceAll(c, `"`, `""`) + `"`)
	}
	b.WriteString("\r\n")
}
