package mapping

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/theory/jsonpath/spec"
)

// This file notices what a mapping never finds in an original: a path that was
// renamed or misspelled, rows of which no event is made. That is no fault of a
// row; it is told of the original as a whole.

// looked are the paths a mapper was asked for, and those that were there.
type looked struct{ asked, met []bool }

func newLooked(n int) looked { return looked{make([]bool, n), make([]bool, n)} }

func (l *looked) at(i int, found bool) {
	if i < len(l.asked) { // a constant is worked out without any
		l.asked[i] = true
		l.met[i] = l.met[i] || found
	}
}

// path numbers a path of json, those that read alike once.
func (c *compiler) path(text string) int {
	i := slices.Index(c.paths, text)
	if i < 0 {
		i = len(c.paths)
		c.paths = append(c.paths, text)
	}
	return i
}

// An absence is where a path of "read: {each: …}" leads nowhere.
type absence struct {
	path string   // the part of it that finds nothing
	keys []string // what stands there instead
}

// missing says where a path that selects nothing in v leads nowhere; nil if it
// ends in an array or object that is empty, or in a filter: those may well be.
func (p *jsonPath) missing(v any) *absence {
	nodes := []any{v}
	segments := p.query.Query().Segments()
	for i, s := range segments {
		q := spec.Query(true, segments[:i+1]...)
		next := q.Select(nil, v)
		if len(next) > 0 {
			nodes = next
			continue
		}
		if slices.ContainsFunc(s.Selectors(), isFilter) || !slices.ContainsFunc(nodes, isFull) {
			return nil
		}
		a := &absence{path: plainPath(q.String())}
		for _, n := range nodes {
			if o, ok := n.(map[string]any); ok {
				for _, k := range sortedKeys(o) {
					if !slices.Contains(a.keys, k) && len(a.keys) < 10 {
						a.keys = append(a.keys, k)
					}
				}
			}
		}
		return a
	}
	return nil
}

// plainPath writes $["a"] as $.a, which is how a mapping has it.
func plainPath(path string) string {
	return quotedName.ReplaceAllString(path, ".$1")
}

var quotedName = regexp.MustCompile(`\["([\pL_][\pL\pN_-]*)"\]`)

func isFilter(s spec.Selector) bool {
	_, ok := s.(*spec.FilterSelector)
	return ok
}

// isFull reports whether a value is anything but null and an array or object
// that is empty.
func isFull(v any) bool {
	switch x := v.(type) {
	case nil:
		return false
	case []any:
		return len(x) > 0
	case map[string]any:
		return len(x) > 0
	}
	return true
}

// hollow notes a document in which "each" finds no row.
func (m *Mapper) hollow() {
	m.hollows++
	if m.absent == nil && m.run.in.each != nil {
		m.absent = m.run.in.each.missing(m.row.Doc)
	}
}

// notices tells what was never found. r.mu is held.
func (r *Run) notices(e *Ending) {
	hollows, blanks, rows := 0, 0, 0
	var absent *absence
	for _, m := range r.mappers {
		hollows, blanks, rows, e.Rows = hollows+m.hollows, blanks+m.blanks, rows+m.rows, e.Rows+m.passed
		if m.absent != nil {
			absent = m.absent
		}
	}
	for i, p := range r.in.paths {
		asked, met := false, false
		for _, m := range r.mappers {
			asked, met = asked || m.looked.asked[i], met || m.looked.met[i]
		}
		if asked && !met {
			e.Absent = append(e.Absent, p)
		}
	}
	if absent != nil && hollows == rows {
		s := fmt.Sprintf("%s found nothing in it: there is no %s", r.in.layout.Each, absent.path)
		if absent.keys != nil {
			s += ", beside it is " + quoted(absent.keys)
		}
		e.Notices = append(e.Notices, s)
	}
	if blanks > 0 && blanks == rows {
		s := fmt.Sprintf("none of the %d rows gave an event", blanks)
		if blanks == 1 {
			s = "its only row gave no event"
		}
		if len(e.Absent) > 0 {
			s += "; in no row was " + strings.Join(e.Absent, ", ")
		}
		e.Blank = s
	}
}
