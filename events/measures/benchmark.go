package measures

import "dewclaw/schema/codes"

// A Benchmark is a range that published surveys found: something to stand beside
// the herd's own figure, neither a norm nor an aim. Small herds swing by chance.
type Benchmark struct {
	What   string  `json:"what"`
	Low    float64 `json:"low"`  // percent
	High   float64 `json:"high"` // percent
	Source string  `json:"source"`
}

// lameRanges are of point prevalence with the lame cut at 3 of 1 to 5 or its like.
var lameRanges = []Benchmark{
	{"means of 53 studies, 414,950 cows, world", 5.1, 45, "Thomsen et al. 2023 (cnr-bea.fr 2023/05/11)"},
	{"pooled, Britain, with its interval", 26.7, 32.4, "frontiersin.org fvets.2020.00542"},
	{"three surveys of pasture herds, Ireland", 11.6, 14.6, "en.engormix.com a40645"},
}

// lameRanges returns the ranges that scores may stand beside: those of surveys in
// which cows walked and were lame by a cut in print. Signs of standing cows, and a
// scale with a cut of its sender's own, are neither.
func (w *work) lameRanges(looks []*look) []Benchmark {
	for _, l := range looks {
		for _, s := range l.scales {
			if c := codes.Locomotion().Get(s.name); c == nil || c.Indirect || !c.Lame.IsSet() {
				return nil
			}
		}
	}
	return lameRanges
}

// lesionRanges are of animals with a finding, of those trimmed; "" is any finding.
var lesionRanges = map[string][]Benchmark{
	"":   {{"tie stalls to free stalls, Ontario, 13,530 cows", 25.7, 46.4, ontario}, {"maintenance trims, Sweden", 72, 72, "link.springer.com 10.1186/1751-0147-55-55"}},
	"DD": {{"tie stalls to free stalls, Ontario, 13,530 cows", 9.3, 22.7, ontario}, {"whole-herd trims, Alberta", 15, 15, alberta}},
	"U":  {{"tie stalls to free stalls, Ontario, 13,530 cows", 4.7, 9.2, ontario}, {"whole-herd trims, Alberta", 6, 6, alberta}},
	"WL": {{"whole-herd trims, Alberta", 4, 4, alberta}},
}

const (
	ontario = "Cramer et al. 2008 (pubmed 18832211)"
	alberta = "Solano et al. 2016 (en.engormix.com a40758)"
)

// leastCover is the share of the herd below which a figure is not compared: the
// inclusion check of a survey of 512 Austrian herds (mdpi.com 2076-2615/12/7/808).
// leastKinds is the other one of it: so many different findings, else somebody
// writes down only some of them.
const (
	leastCover = 50
	leastKinds = 5
)

// compare puts published ranges beside a figure of enough of the herd, and says
// why not otherwise.
func (f *Figure) compare(ranges []Benchmark) {
	if len(ranges) == 0 || f.N == nil || *f.N == 0 {
		return
	}
	if c := f.Coverage(); !c.Told() || c < leastCover {
		f.caution("not compared with published figures: less than %d %% of the herd is in it", leastCover)
		return
	}
	f.Ranges = ranges
}

// roundDays is how long a trim of the whole herd may take, by our own choice: what was
// found at visits of a longer time gathers, and is no prevalence.
const roundDays = 31

// oneRound reports whether visits are one trim round.
func oneRound(visits []*visit) bool {
	first, last := never, always
	for _, v := range visits {
		first, last = min(first, v.day), max(last, v.day)
	}
	return len(visits) == 0 || last-first < roundDays
}

// wellRecorded reports whether lesion figures of these visits may stand beside
// published ones: enough kinds of findings, and animals without any (both as
// above).
func wellRecorded(visits []*visit) bool {
	kinds, clear := map[string]bool{}, false
	for _, v := range visits {
		for _, f := range v.found {
			kinds[f.lesion.Code] = true
		}
		clear = clear || len(v.found) == 0
	}
	return clear && len(kinds) >= leastKinds
}
