package main

import (
	"crypto/sha256"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// This file is a second telling of what the log must hold: a small model of
// sources, identity, amendments, complete days, holds and corrections, written
// from the promises and with nothing of the product in it. TestOracle holds the
// product to it.

// A modelRow is one row of a file. Rotten ones have a lesion that is no code.
type modelRow struct {
	no             int
	tag, day, foot string
	lesion         string
	sev            int
}

func (r modelRow) String() string {
	return fmt.Sprintf("%d,%s,%s,%s,%s,%d", r.no, r.tag, r.day, r.foot, r.lesion, r.sev)
}

func (r modelRow) rotten() bool { return r.lesion == rottenLesion }

const rottenLesion = "??"

// content is what a fact says besides its key.
func (r modelRow) content() string {
	return strings.Join([]string{r.tag, r.day, r.foot, r.lesion, fmt.Sprint(r.sev)}, " ")
}

// A modelFile is one file as a source gets it. asOf is the minute it speaks of,
// counted from an hour of the day.
type modelFile struct {
	asOf int
	rows []modelRow
}

func (f modelFile) bytes(complete bool) []byte {
	var b strings.Builder
	if complete {
		fmt.Fprintf(&b, "2026-03-20 %02d:%02d\n", f.asOf/60, f.asOf%60)
	}
	b.WriteString("no,tag,day,foot,lesion,sev\n")
	for _, r := range f.rows {
		b.WriteString(r.String() + "\n")
	}
	return []byte(b.String())
}

// A modelCounts is the books of one file.
type modelCounts struct{ read, accepted, duplicate, amended, held, retracted int }

func (c modelCounts) String() string {
	return fmt.Sprintf("read %d = accepted %d + duplicate %d + amended %d + held %d; retracted %d", c.read, c.accepted, c.duplicate, c.amended, c.held, c.retracted)
}

// A modelFact is one fact and all that was ever said of it.
type modelFact struct {
	key       string
	revisions []string // "recorded CONTENT", "amended CONTENT", "retracted CONTENT"
	contents  []string // of the revisions, without repeats
	said      string   // what the source last said; "" if it said that there is nothing
	waits     bool     // its retraction waits for a person
	day       string
}

func (f *modelFact) live() bool {
	return len(f.revisions) > 0 && !strings.HasPrefix(f.revisions[len(f.revisions)-1], "retracted ")
}

func (f *modelFact) now() string {
	_, content, _ := strings.Cut(f.revisions[len(f.revisions)-1], " ")
	return content
}

func (f *modelFact) revise(content string) (change string) {
	change = "amended"
	if !f.live() {
		change = "recorded"
	}
	f.revisions = append(f.revisions, change+" "+content)
	if !slices.Contains(f.contents, content) {
		f.contents = append(f.contents, content)
	}
	return change
}

func (f *modelFact) retract() {
	f.revisions = append(f.revisions, "retracted "+f.now())
}

// A modelSource is one source: what a row is known by, whether its files are
// complete for their days, and what it has read.
type modelSource struct {
	ownKey   bool
	complete bool
	facts    map[string]*modelFact
	read     map[[sha256.Size]byte]bool
	held     map[string]string // state by row: held, released, dropped
	exports  []modelExport     // of a complete source, in the order of reading
}

// A modelExport is what a complete source listed of one day.
type modelExport struct {
	asOf  int
	day   string
	whole bool // no held row of the day
	keys  map[string]bool
}

func newModelSource(ownKey, complete bool) *modelSource {
	return &modelSource{
		ownKey: ownKey, complete: complete, facts: map[string]*modelFact{},
		read: map[[sha256.Size]byte]bool{}, held: map[string]string{},
	}
}

// key is what a row is known by: the source's own key, or animal, day, foot and
// code.
func (s *modelSource) key(r modelRow) string {
	if s.ownKey {
		return fmt.Sprint(r.no)
	}
	return strings.Join([]string{r.tag, r.day, r.foot, r.lesion}, " ")
}

func (s *modelSource) fact(r modelRow) *modelFact {
	k := s.key(r)
	f := s.facts[k]
	if f == nil {
		f = &modelFact{key: k, day: r.day}
		s.facts[k] = f
	}
	return f
}

// take reads a file. known is true if its bytes had been read before; then
// nothing changes.
func (s *modelSource) take(f modelFile, again bool) (c modelCounts, known bool) {
	sum := sha256.Sum256(f.bytes(s.complete))
	if s.read[sum] && !again {
		return modelCounts{}, true
	}
	s.read[sum] = true
	if again {
		f.asOf = 1 << 30 // read again is as of now
	}
	c.read = len(f.rows)
	var waiting []int
	for i, r := range f.rows {
		switch {
		case r.rotten():
			s.hold(r, &c)
		case s.older(f.asOf, r.day):
			s.late(f.asOf, r, &c)
		default:
			if s.say(r, &c) {
				waiting = append(waiting, i)
			}
		}
	}
	s.end(f, waiting, &c)
	if !s.ownKey {
		s.lack(f, &c)
	}
	if s.complete {
		s.vanish(f, &c)
	}
	return c, false
}

// hold counts a row that cannot be true.
func (s *modelSource) hold(r modelRow, c *modelCounts) {
	switch s.held[r.String()] {
	case "released", "dropped":
		c.duplicate++
	default:
		s.held[r.String()] = "held"
		c.held++
	}
}

// say takes a row; true if it must wait for the end of its file, because it says
// what an older revision says.
func (s *modelSource) say(r modelRow, c *modelCounts) (waits bool) {
	f := s.fact(r)
	f.waits = false
	switch {
	case len(f.revisions) > 0 && f.said == r.content():
		c.duplicate++
	case slices.Contains(f.contents, r.content()):
		return true
	default:
		s.revise(f, r, c)
	}
	return false
}

func (s *modelSource) revise(f *modelFact, r modelRow, c *modelCounts) {
	f.said = r.content()
	if f.revise(r.content()) == "recorded" {
		c.accepted++
		return
	}
	c.amended++
}

// end settles the rows that wait: a later row with the same key makes a
// duplicate of them.
func (s *modelSource) end(f modelFile, waiting []int, c *modelCounts) {
	for _, i := range waiting {
		r := f.rows[i]
		if slices.ContainsFunc(f.rows[i+1:], func(o modelRow) bool { return !o.rotten() && s.key(o) == s.key(r) }) {
			c.duplicate++
			continue
		}
		if fact := s.fact(r); fact.said == r.content() {
			c.duplicate++
		} else {
			s.revise(fact, r, c)
		}
	}
}

// lack retracts what a record no longer has: a row of an animal and day states
// all there is of it, unless a further row of the file does so too.
func (s *modelSource) lack(f modelFile, c *modelCounts) {
	rows, has := map[string]int{}, map[string]bool{}
	for _, r := range f.rows {
		if !r.rotten() {
			rows[r.tag+r.day]++
			has[s.key(r)] = true
		}
	}
	for _, k := range slices.Sorted(maps.Keys(s.facts)) {
		fact := s.facts[k]
		tag, _, _ := strings.Cut(k, " ")
		if rows[tag+fact.day] == 1 && !has[k] && fact.live() {
			fact.said = ""
			fact.retract()
			c.retracted++
		}
	}
}

// older reports whether a newer export of the day was read before.
func (s *modelSource) older(asOf int, day string) bool {
	return slices.ContainsFunc(s.exports, func(x modelExport) bool { return x.day == day && x.asOf > asOf })
}

// late takes a row of an export that is older than the newest of the day: it
// brings what nobody knows, and that is gone at once if the newer one lacks it.
func (s *modelSource) late(asOf int, r modelRow, c *modelCounts) {
	f := s.fact(r)
	if len(f.revisions) > 0 {
		c.duplicate++
		return
	}
	s.revise(f, r, c)
	for _, x := range s.exports {
		if x.day == r.day && x.asOf > asOf && x.whole && !x.keys[f.key] {
			f.said = ""
			f.retract()
			c.retracted++
			return
		}
	}
}

// vanish retracts what a complete file no longer lists: day by day, where no row
// of the day is held, below the brake.
func (s *modelSource) vanish(f modelFile, c *modelCounts) {
	days := map[string]*modelExport{}
	for _, r := range f.rows {
		if days[r.day] == nil {
			days[r.day] = &modelExport{asOf: f.asOf, day: r.day, whole: true, keys: map[string]bool{}}
		}
		if r.rotten() {
			if s.held[r.String()] == "held" {
				days[r.day].whole = false
			}
			continue
		}
		days[r.day].keys[s.key(r)] = true
	}
	for _, day := range slices.Sorted(maps.Keys(days)) {
		x := days[day]
		newest := !s.older(f.asOf, day)
		s.exports = append(s.exports, *x)
		if !x.whole || !newest {
			continue
		}
		var gone []*modelFact
		live := 0
		for _, k := range slices.Sorted(maps.Keys(s.facts)) {
			fact := s.facts[k]
			if fact.day != day || !fact.live() {
				continue
			}
			live++
			if !x.keys[k] {
				gone = append(gone, fact)
			}
		}
		for _, fact := range gone {
			if len(gone) > modelBrake || 2*len(gone) > live {
				fact.waits = true
				continue
			}
			fact.said, fact.waits = "", false
			fact.retract()
			c.retracted++
		}
	}
}

// modelBrake is how many facts may vanish at once.
const modelBrake = 3

// release lets a held row in with another lesion.
func (s *modelSource) release(r modelRow, lesion string) {
	s.held[r.String()] = "released"
	r.lesion = lesion
	f := s.fact(r)
	f.revise(r.content())
	f.said = r.content()
}
