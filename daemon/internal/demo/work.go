package demo

import (
	"cmp"
	"slices"
	"time"
)

// A lesion as the chute sees it. Foot and claw are neutral codes, claw "" for
// the skin of the foot.
type lesion struct {
	foot, claw string
	code       string
	zone       int
	severity   int
	stage      string // of DD
}

// An exam is one animal on the chute.
type exam struct {
	cow     *cow
	at      time.Time // local time as if it were UTC
	reason  string    // neutral code
	found   []lesion
	blockOn *block
	wrapOn  string // foot, or ""
	off     []off
	toe     map[string]float64 // by foot: length of the outer claw after trimming, mm
	remark  string
	vet     bool // seen by the vet, not by the trimmer
}

// off is a block or a wrap that was taken off.
type off struct{ what, foot, claw string }

// A score is one locomotion score.
type score struct {
	cow   *cow
	at    time.Time
	value int // on the farm's scale
}

// work runs the year on both farms: scores in the first whole week of each month, on
// the day before the trimmer may come, visits of the trimmer each week (aulnaie) or two (pebble-yard), wraps off on
// the next day, blocks off some weeks later, and the vet once a month.
func work(seed uint64, herd []*cow) (exams []*exam, scores []*score) {
	d := newDice(seed, "work")
	seen := map[*cow]map[string]bool{} // routine reasons she was trimmed for
	called := map[*cow]bool{}          // lame ones to be shown at the next visit
	var unwrap []*exam
	for n := 1; n < 365; n++ { // nobody trims on New Year's Day
		t := day(n)
		for _, e := range unwrap {
			if x := wrapOff(d, e); x.cow.here(t) {
				exams = append(exams, x)
			}
		}
		unwrap = nil
		if t.Weekday() == time.Monday && t.Day() <= 7 {
			scores = append(scores, scoreHerd(d, herd, t, called)...)
		}
		_, week := t.ISOWeek()
		var today []*exam
		for _, c := range herd {
			if !c.here(t) {
				continue
			}
			switch {
			case c.farm == Aulnaie && t.Weekday() == time.Wednesday,
				c.farm == PebbleYard && t.Weekday() == time.Thursday && week%2 == 0:
				if reason := why(c, t, called, seen); reason != "" {
					today = append(today, examine(d, c, t, reason))
				}
			case c.farm == PebbleYard && t.Weekday() == time.Friday && t.Day() <= 7:
				if len(c.known) > 0 && d.chance(0.6) {
					x := examine(d, c, t, "recheck")
					x.vet = true
					today = append(today, x)
				}
			}
		}
		for _, x := range clock(d, today) {
			exams = append(exams, x)
			if x.wrapOn != "" {
				unwrap = append(unwrap, x)
			}
		}
	}
	exams = append(exams, lastWrap(herd))
	slices.SortStableFunc(exams, func(a, b *exam) int { return a.at.Compare(b.at) })
	return exams, scores
}

// lastWrap is a cow of aulnaie that the trimmer was called to on the day before the
// last, for whom the milkers have a wrap to take off on the last.
func lastWrap(herd []*cow) *exam {
	at := day(363).Add(10*time.Hour + 30*time.Minute)
	i := slices.IndexFunc(herd, func(c *cow) bool {
		return c.farm == Aulnaie && c.milking(at) && c.block == nil && !c.lame && len(c.known) == 0
	})
	return &exam{
		cow: herd[i], at: at, reason: "lame", toe: map[string]float64{"LH": 53 / 16. * 25.4, "RH": 53 / 16. * 25.4},
		found: []lesion{{foot: "RH", code: "DD", zone: 10, severity: 2, stage: "M2"}}, wrapOn: "RH",
	}
}

// why returns the reason to trim a cow on day t, or "".
func why(c *cow, t time.Time, called map[*cow]bool, seen map[*cow]map[string]bool) string {
	done := seen[c]
	if done == nil {
		done = map[string]bool{}
		seen[c] = done
	}
	once := func(reason string, from, to time.Time) bool {
		if from.IsZero() || t.Before(from) || !t.Before(to) || done[reason+ymd(from)] {
			return false
		}
		done[reason+ymd(from)] = true
		return true
	}
	if called[c] {
		delete(called, c)
		return "lame"
	}
	if c.block != nil && t.Sub(c.block.since) >= 26*24*time.Hour {
		return "recheck"
	}
	for i, k := range c.calved {
		if c.parity == 0 && i == 0 && once("heifer", k.AddDate(0, 0, -50), k.AddDate(0, 0, -30)) {
			return "heifer"
		}
		if once("mid-lactation", k.AddDate(0, 0, 90), k.AddDate(0, 0, 125)) {
			return "mid-lactation"
		}
	}
	if !c.dry.IsZero() && once("dry-off", c.dry.AddDate(0, 0, -20), c.dry.AddDate(0, 0, -2)) {
		return "dry-off"
	}
	return ""
}

// clock gives the animals of one day their times, farm by farm.
func clock(d dice, today []*exam) []*exam {
	slices.SortStableFunc(today, func(a, b *exam) int {
		return cmp.Or(cmp.Compare(a.cow.farm, b.cow.farm), cmp.Compare(a.cow.number*7919%1000, b.cow.number*7919%1000))
	})
	next := map[string]time.Time{}
	for _, x := range today {
		at, ok := next[x.cow.farm]
		if !ok {
			at = x.at.Add(8*time.Hour + time.Duration(d.within(0, 20))*time.Minute)
		}
		x.at = at
		next[x.cow.farm] = at.Add(time.Duration(d.within(4, 9)) * time.Minute)
	}
	return today
}

// scoringDay is the day of the week on which a farm scores, counted from Monday:
// who is found lame can be shown to the trimmer a day later, where he comes then.
var scoringDay = map[string]int{Aulnaie: 1, PebbleYard: 2}

// scoreHerd scores every cow in milk, in the week that begins on t, as she leaves
// the parlour.
func scoreHerd(d dice, herd []*cow, t time.Time, called map[*cow]bool) []*score {
	var out []*score
	at := map[string]time.Time{}
	for _, c := range herd {
		if c.lame = c.lame && !d.chance(pRecovers) || !c.lame && d.chance(pBecomesLame); !c.milking(t) {
			continue
		}
		if at[c.farm].IsZero() {
			at[c.farm] = t.AddDate(0, 0, scoringDay[c.farm]).Add(6*time.Hour + 15*time.Minute)
		}
		at[c.farm] = at[c.farm].Add(time.Duration(d.within(9, 25)) * time.Second)
		s := &score{cow: c, at: at[c.farm]}
		switch {
		case !c.lame:
			s.value = d.within(0, 1)
		case d.chance(pSevere):
			s.value = 3
		default:
			s.value = 2
		}
		if c.farm == PebbleYard { // 1 to 5: lame from 3, severe from 4
			s.value++
			if s.value == 4 && d.chance(0.2) {
				s.value = 5
			}
		}
		if c.lame && d.chance(0.8) {
			called[c] = true
		}
		if c.milking(s.at) { // not dry since Monday
			out = append(out, s)
		}
	}
	return out
}
