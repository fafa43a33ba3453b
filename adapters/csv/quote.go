package csv

import (
	"fmt"
	"strings"
)

// quoted splits one row that has quotes.
type quoted struct {
	delim string
	span  bool // a quoted cell may reach over line ends, and a line end outside ends the row
	final bool // with span: nothing comes behind the text

	cells []string
	text  int    // bytes of the row without its line end
	next  int    // where the row behind it starts
	lines int    // lines of the row
	open  bool   // the text ends before the row does
	at    int    // where the last quoted cell begins
	fault string // text behind a closing quote
}

// split appends the cells of the row that begins s to dst.
func (q *quoted) split(dst []string, s string) {
	q.cells, q.lines = dst, 1
	for i := 0; ; {
		var cell string
		if i < len(s) && s[i] == '"' {
			cell, i = q.quotedCell(s, i)
			if q.open {
				return
			}
		} else {
			end := q.plainEnd(s, i)
			cell, i = s[i:end], end
		}
		q.cells = append(q.cells, cell)
		switch {
		case i == len(s):
			q.text, q.next, q.open = i, i, q.span && !q.final
			return
		case strings.HasPrefix(s[i:], q.delim):
			i += len(q.delim)
		case q.span && (s[i] == '\n' || s[i] == '\r'):
			q.text, q.next = i, i+1
			if s[i] == '\r' {
				if q.next == len(s) && !q.final {
					q.open = true // an LF may follow
				}
				if q.next < len(s) && s[q.next] == '\n' {
					q.next++
				}
			}
			return
		default:
			q.fault = fmt.Sprintf("text behind the closing quote at byte %d", i)
			return
		}
	}
}

// quotedCell returns the cell whose quote stands at i and the offset behind its
// closing quote.
func (q *quoted) quotedCell(s string, i int) (string, int) {
	q.at = i
	doubled := false
	j := i + 1
	for {
		k := strings.IndexByte(s[j:], '"')
		if k < 0 || q.span && !q.final && j+k+1 == len(s) {
			q.open = true
			return "", len(s)
		}
		j += k + 1
		if j == len(s) || s[j] != '"' {
			break
		}
		doubled = true
		j++
	}
	cell := s[i+1 : j-1]
	if q.span {
		q.lines += lineEnds(cell)
	}
	if doubled {
		cell = strings.ReplaceAll(cell, `""`, `"`)
	}
	return cell, j
}

// plainEnd returns the end of the cell without quotes that begins at i.
func (q *quoted) plainEnd(s string, i int) int {
	end := len(s)
	if q.span {
		if k := strings.IndexAny(s[i:], "\r\n"); k >= 0 {
			end = i + k
		}
	}
	if k := strings.Index(s[i:end], q.delim); k >= 0 {
		return i + k
	}
	return end
}

// lineEnds counts LF, CRLF and lone CR.
func lineEnds(s string) int {
	n := strings.Count(s, "\n")
	for i := 0; i < len(s); i++ {
		if s[i] == '\r' && (i+1 == len(s) || s[i+1] != '\n') {
			n++
		}
	}
	return n
}
