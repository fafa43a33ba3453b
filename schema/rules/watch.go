package rules

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A Sight is what a [Watch] needs of one record.
type Sight struct {
	Farm string // of the record, where records of a source name theirs; "" where all are of one

	blocks, own     uint16 // blocks on feet with one claw to relieve; on that claw
	timed, midnight bool   // has a time of day; it is midnight, in local time or in UTC
	exact, dated    bool   // lag counts from the moment; from the end of the day
	lag             time.Duration
	received        int64 // nanoseconds since 1970; 0 if not known
}

// See looks at a record. received is when it came, the zero time if that is not
// known.
func See(record []events.Payload, received time.Time) Sight {
	var s Sight
	if len(record) == 0 {
		return s
	}
	s.seeBlocks(record)
	o := &record[0].Base().Occurred
	at, ok := moment(o)
	if s.timed = o.Time != ""; s.timed {
		s.midnight = isMidnight(o.Time) || ok && at.Equal(at.UTC().Truncate(24*time.Hour))
	}
	switch {
	case received.IsZero():
	case ok:
		s.exact, s.lag, s.received = true, received.Sub(at), received.UnixNano()
	case o.Date != "":
		if day, err := time.Parse(time.DateOnly, o.Date); err == nil {
			s.dated, s.lag = true, received.Sub(day.AddDate(0, 0, 1))
		}
	}
	return s
}

// A Watch looks at the records of one source together and says what makes its
// mapping or its clock suspect: see the advisories of a source in the code list.
// Where records name their farm, each farm is looked at by itself: its device may be
// wrong while those of others are right, and two clocks are no clock that jumps. It is
// fed record by record in the order of receipt and keeps counts alone, so the same
// records always give the same notes. The zero value watches nothing yet; not for use
// by several goroutines at once.
type Watch struct {
	all   watched
	farms map[string]*watched
}

// A Suspicion is what a [Watch] has to say; its detail names the farm.
type Suspicion struct {
	Farm string // "" of a source as a whole
	events.Note
}

// A watched is what is counted of a source, or of one farm of it.
type watched struct {
	blocks, own      int // blocks on feet with one claw to relieve; on that claw
	times, midnights int // times of day; local or UTC midnight
	lags, late       int // records with a day or time; those that came late
	last             run
	now              []time.Duration
	received         int64  // of the last in now, or of the last in the run before
	jump             string // the latest, in words
}

// A run is so many records, by the time between what they say and their receipt.
type run struct {
	full   bool
	median time.Duration
	steady bool
}

// Add counts a record. set must be the same at every call.
func (w *Watch) Add(s Sight, set *Settings) {
	if s.Farm != "" {
		own := w.farms[s.Farm]
		if own == nil {
			if w.farms == nil {
				w.farms = map[string]*watched{}
			}
			own = &watched{}
			w.farms[strings.Clone(s.Farm)] = own
		}
		own.add(s, set)
		s.exact, s.dated = false, s.exact || s.dated // of all farms together no clock is looked at
	}
	w.all.add(s, set)
}

// Notes returns what is suspect, in the order of the code list, then by farm; nil if
// nothing is. What is said of a farm is not said of the source once more.
func (w *Watch) Notes(s *Settings) []Suspicion {
	var out []Suspicion
	of := map[string]bool{} // codes
	for _, farm := range slices.Sorted(maps.Keys(w.farms)) {
		for _, n := range w.farms[farm].notes(s) {
			n.Detail, of[n.Code] = "farm "+farm+": "+n.Detail, true
			out = append(out, Suspicion{farm, n})
		}
	}
	for _, n := range w.all.notes(s) {
		if !of[n.Code] {
			out = append(out, Suspicion{"", n})
		}
	}
	slices.SortStableFunc(out, func(a, b Suspicion) int {
		return slices.Index(suspicions, a.Code) - slices.Index(suspicions, b.Code)
	})
	return out
}

// suspicions are the advisories of a source, in the order of the code list.
var suspicions = []string{SidesSwapped, MidnightAlways, ClockJump, RecordsLate}

func (w *watched) add(s Sight, set *Settings) {
	w.blocks += int(s.blocks)
	w.own += int(s.own)
	if s.timed {
		w.times++
	}
	if s.midnight {
		w.midnights++
	}
	if s.exact || s.dated {
		w.lags++
		if s.lag > set.LateAfter {
			w.late++
		}
	}
	if s.exact {
		w.addLag(s.lag, s.received, set)
	}
}

func (w *watched) notes(s *Settings) []events.Note {
	var out []events.Note
	note := func(code, detail string) {
		if !s.Off[code] {
			out = append(out, events.Note{Code: code, Detail: detail})
		}
	}
	if w.blocks >= s.SidesLeast && w.own*100 > w.blocks*s.SidesShare {
		note(SidesSwapped, fmt.Sprintf("%d of %d blocks sit on the claw with the lesion", w.own, w.blocks))
	}
	if w.times >= s.MidnightLeast && w.midnights == w.times {
		note(MidnightAlways, fmt.Sprintf("all %d times are midnight", w.times))
	}
	if w.jump != "" {
		note(ClockJump, w.jump)
	}
	if w.lags >= s.LateLeast && 2*w.late > w.lags {
		note(RecordsLate, fmt.Sprintf("%d of %d records came more than %v hours after what they say", w.late, w.lags, s.LateAfter.Hours()))
	}
	return out
}

// seeBlocks counts the blocks of a record on feet that have one claw to relieve.
// Blocks for thin soles are left out: they sit where they should.
func (s *Sight) seeBlocks(record []events.Payload) {
	for _, p := range record {
		t, ok := p.(*events.Treatment)
		if !ok || t.What != block || t.Foot == "" || !sided(t.Claw) {
			continue
		}
		if claw := clawToRelieve(t.Foot, record); claw != "" {
			s.blocks++
			if claw == t.Claw {
				s.own++
			}
		}
	}
}

// clawToRelieve returns the one claw of a foot with a lesion to take weight off;
// "" if there is none, or one on both, or one on a claw that is not told.
func clawToRelieve(foot string, record []events.Payload) string {
	claw := ""
	for _, p := range record {
		l, ok := p.(*events.Lesion)
		if !ok || l.Foot != foot {
			continue
		}
		if e := codes.Lesions().Get(l.Code); e == nil || !e.Relieve {
			continue
		}
		if !sided(l.Claw) || claw != "" && claw != l.Claw {
			return ""
		}
		claw = l.Claw
	}
	return claw
}

// addLag adds the time between a fact and its receipt to the run of now, and
// compares the run with the last one when it is full. Of what came together, as in
// a file, it is the least: a pause in the work is no clock. A run that does not
// agree in itself, as of a device that sends when it likes, says nothing.
func (w *watched) addLag(lag time.Duration, received int64, s *Settings) {
	if received == w.received {
		if n := len(w.now); n > 0 {
			w.now[n-1] = min(w.now[n-1], lag)
		}
		return
	}
	w.received = received
	w.now = append(w.now, lag)
	if len(w.now) < s.ClockRecords {
		return
	}
	slices.Sort(w.now)
	n := len(w.now)
	r := run{full: true, median: w.now[n/2], steady: w.now[n*3/4]-w.now[n/4] <= s.ClockJumpBy}
	if by := r.median - w.last.median; w.last.full && w.last.steady && r.steady && max(by, -by) > s.ClockJumpBy {
		w.jump = fmt.Sprintf("records came %v after what they say, and then %v", w.last.median, r.median)
	}
	w.last, w.now = r, w.now[:0]
}
