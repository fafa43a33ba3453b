package demo

import (
	"fmt"
	"strings"
	"time"
)

// Scores from the parlour exit of both farms: one JSON object a line, with the
// device's own record key; the line names the herd. One file a month. Two scores
// were put right by the scorer: the same key again, a month later.

func gaitLine(s *score, ref int) string {
	herd, scale := "A", "0-3"
	if s.cow.farm == PebbleYard {
		herd, scale = "P", "1-5"
	}
	return fmt.Sprintf(`{"ref":"s-%06d","herd":"%s","eid":"%s","when":"%s","scale":"%s","points":%d}`,
		ref, herd, s.cow.transponder, s.at.Format("2006-01-02T15:04:05"), scale, s.value)
}

var gaitRot = []struct {
	name  string
	spoil func(line string) string
}{
	{"score off its scale", func(l string) string { return l[:strings.LastIndex(l, ":")] + ":7}" }},
	{"half a score", func(l string) string { return l[:strings.LastIndex(l, ":")] + ":1.5}" }},
	{"line that breaks off", func(l string) string { return l[:len(l)-14] }},
	{"no animal", func(l string) string { return cutMember(l, "eid") }},
	{"score off its scale", func(l string) string { return l[:strings.LastIndex(l, ":")] + ":9}" }},
	{"transponder of 14 digits", func(l string) string {
		i := strings.Index(l, `"eid":"`) + len(`"eid":"`)
		return l[:i] + l[i+1:]
	}},
	{"scale of another trade", func(l string) string {
		return strings.NewReplacer(`"0-3"`, `"legs-9"`, `"1-5"`, `"legs-9"`).Replace(l)
	}},
}

// cutMember empties the text of a member.
func cutMember(l, name string) string {
	i := strings.Index(l, `"`+name+`":"`) + len(name) + 4
	return l[:i] + l[i+strings.IndexByte(l[i:], '"'):]
}

func gaitScores(seed uint64, scores []*score, rotten int) *device {
	d := newDice(seed, "gait")
	v := &device{source: "gait"}
	bad := marks(d, rotten, len(scores))
	turn, ref := d.IntN(len(gaitRot)), 0
	var redo []string
	for m, month := range months(scores, func(s *score) time.Time { return s.at }) {
		var b strings.Builder
		for _, l := range redo {
			b.WriteString(l + "\n")
			v.counts.Amended++
		}
		redo = nil
		for i, s := range month {
			line := gaitLine(s, ref+1)
			switch {
			case bad[ref]:
				turn++
				line = gaitRot[turn%len(gaitRot)].spoil(line)
				v.spoil(gaitRot[turn%len(gaitRot)].name)
				v.counts.Held++
			case i >= 40 && len(redo) == 0 && (m == 4 || m == 8):
				other := *s
				other.value = 2
				if s.value == 2 {
					other.value = 1
				}
				redo = append(redo, gaitLine(&other, ref+1))
				fallthrough
			default:
				v.counts.Accepted++
			}
			b.WriteString(line + "\n")
			ref++
		}
		v.add(fmt.Sprintf("scores-%d-%02d.ndjson", year, m+1), day(0).AddDate(0, m+1, 0), []byte(b.String()))
	}
	v.balance()
	return v
}
