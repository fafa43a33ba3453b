package delivery

import (
	"cmp"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"dewclaw/events"
)

// A FileName is what the name of a file of a feed is made of:
//
//	<feed>-g<generation>-<from>-<last>[-r<redo>]                 a range of the log
//	<feed>-g<generation>-late-<number>-<from>[-r<redo>]          what had to wait; or replay-
//
// and behind it "-deletes" for the second file of a batch, and the extension.
type FileName struct {
	Feed       string
	Generation int
	Kind       string       // "" for a range, late or replay
	Number     int          // of the late and replayed batches of the generation, from 1
	From       events.Place // where the feed stood
	Last       events.Place // range: the last event
	Redo       int          // plans thrown away before it
	Rest       string       // extension, with "-deletes" before it
}

// String is the name.
func (n FileName) String() string {
	s := fmt.Sprintf("%s-g%d-", n.Feed, n.Generation)
	if n.Kind == "" {
		s += placeName(n.From) + "-" + placeName(n.Last)
	} else {
		s += fmt.Sprintf("%s-%06d-%s", n.Kind, n.Number, placeName(n.From))
	}
	if n.Redo > 0 {
		s += fmt.Sprintf("-r%d", n.Redo)
	}
	return s + n.Rest
}

// placeName writes a place so that names sort as places do.
func placeName(p events.Place) string { return fmt.Sprintf("%012d.%04d", p.Position, p.Index) }

var fileNameForm = regexp.MustCompile(`^-g([1-9][0-9]*)-(?:(late|replay)-([0-9]{6,})-)?([0-9]{12,})\.([0-9]{4,})(?:-([0-9]{12,})\.([0-9]{4,}))?(?:-r([1-9][0-9]*))?((?:-deletes)?\.[a-z]+)$`)

// ParseFileName takes the name of a file of a feed apart; false if it is the name of
// no file of this feed.
func ParseFileName(feed, name string) (FileName, bool) {
	rest, ok := strings.CutPrefix(name, feed)
	m := fileNameForm.FindStringSubmatch(rest)
	if !ok || m == nil {
		return FileName{}, false
	}
	number := func(i int) int {
		n, _ := strconv.Atoi(m[i]) // digits; what does not fit is not told back below
		return n
	}
	place := func(i int) events.Place {
		return events.Place{Position: events.Position(number(i)), Index: number(i + 1)}
	}
	n := FileName{
		Feed: feed, Generation: number(1), Kind: m[2], Number: number(3), From: place(4), Last: place(6), Redo: number(8), Rest: m[9],
	}
	// a late or replayed batch has a number and no last event, a range the other way round
	whole := (n.Kind == "") == (m[6] != "") && (n.Kind == "") == (n.Number == 0)
	return n, whole && n.String() == name
}

// Compare orders files of one feed as they were made: what had to wait goes before
// the range that begins at the same place, deletes before what stands beside them.
func (n FileName) Compare(o FileName) int {
	place := func(a, b events.Place) int {
		return cmp.Or(cmp.Compare(a.Position, b.Position), cmp.Compare(a.Index, b.Index))
	}
	ranges := func(n FileName) int {
		if n.Kind == "" {
			return 1
		}
		return 0
	}
	return cmp.Or(cmp.Compare(n.Generation, o.Generation), place(n.From, o.From), cmp.Compare(ranges(n), ranges(o)),
		cmp.Compare(n.Number, o.Number), cmp.Compare(n.Redo, o.Redo), place(n.Last, o.Last), cmp.Compare(n.Rest, o.Rest))
}
