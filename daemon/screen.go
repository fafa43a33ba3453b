package main

import (
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"golang.org/x/term"
)

// lineWidth is how wide a table may be before its last column is broken into
// several lines.
const lineWidth = 100

// safe returns s as it may stand on a screen: every character that is not
// printed as itself is written as an escape. So no field of a file can move the
// cursor, change a colour, begin a line or turn the direction of writing round.
// Bytes that are not UTF-8 become \x and two digits.
func safe(s string) string {
	clean := true
	for _, r := range s {
		if r == utf8.RuneError || !strconv.IsPrint(r) {
			clean = false
			break
		}
	}
	if clean {
		return s
	}
	var b strings.Builder
	for i, n := 0, 0; i < len(s); i += n {
		r, size := utf8.DecodeRuneInString(s[i:])
		n = size
		switch {
		case r == utf8.RuneError && size == 1:
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case strconv.IsPrint(r):
			b.WriteRune(r)
		case r == '\t':
			b.WriteString(`\t`)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\r':
			b.WriteString(`\r`)
		case r < utf8.RuneSelf:
			fmt.Fprintf(&b, `\x%02x`, r)
		case r <= 0xffff:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			fmt.Fprintf(&b, `\U%08x`, r)
		}
	}
	return b.String()
}

// safeJSON is safe for a JSON text: characters that are not printed as
// themselves become \u escapes, so that the value stays the same.
func safeJSON(b []byte) []byte {
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if !strconv.IsPrint(r) {
			return appendSafeJSON(append([]byte(nil), b[:i]...), b[i:])
		}
		i += n
	}
	return b
}

func appendSafeJSON(dst, b []byte) []byte {
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		switch {
		case strconv.IsPrint(r):
			dst = append(dst, b[i:i+n]...)
		case r <= 0xffff:
			dst = fmt.Appendf(dst, `\u%04x`, r)
		default:
			r -= 0x10000
			dst = fmt.Appendf(dst, `\u%04x\u%04x`, 0xd800+(r>>10), 0xdc00+(r&0x3ff))
		}
		i += n
	}
	return dst
}

// A sheet is a plain table: columns under their titles, two spaces apart, one of
// them broken into lines where the table would pass the width.
type sheet struct {
	titles []string
	right  []bool // columns of numbers
	fold   int    // the column that is broken; the last one if not set
	rows   [][]string
}

// newSheet begins a table; a title that begins with ">" heads a column of
// numbers, set to the right.
func newSheet(titles ...string) *sheet {
	s := &sheet{right: make([]bool, len(titles)), fold: len(titles) - 1}
	for i, t := range titles {
		name, right := strings.CutPrefix(t, ">")
		s.titles, s.right[i] = append(s.titles, name), right
	}
	return s
}

// row adds a row of as many cells as there are titles.
func (s *sheet) row(cells ...any) {
	row := make([]string, len(cells))
	for i, c := range cells {
		row[i] = safe(fmt.Sprint(c))
	}
	s.rows = append(s.rows, row)
}

func (s *sheet) print(w io.Writer) error {
	all := append([][]string{s.titles}, s.rows...)
	widths := make([]int, len(s.titles))
	for _, row := range all {
		for i, c := range row {
			widths[i] = max(widths[i], runes(c))
		}
	}
	room := lineWidth
	for i, n := range widths {
		if i != s.fold {
			room -= n + 2
		}
	}
	room = min(max(room, 24), widths[s.fold])
	widths[s.fold] = room
	var b strings.Builder
	for _, row := range all {
		for n, part := range fold(row[s.fold], room) {
			line := ""
			for i, c := range row {
				if i == s.fold {
					c = part
				} else if n > 0 {
					c = ""
				}
				pad := strings.Repeat(" ", widths[i]-runes(c))
				if s.right[i] {
					line += pad + c + "  "
				} else {
					line += c + pad + "  "
				}
			}
			b.WriteString(strings.TrimRight(line, " "))
			b.WriteByte('\n')
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// runes counts the places s takes on a screen, combining marks left out.
func runes(s string) int {
	n := 0
	for _, r := range s {
		if !unicode.Is(unicode.Mn, r) {
			n++
		}
	}
	return n
}

// fold breaks s into lines of at most width places, at spaces where it can.
func fold(s string, width int) []string {
	var out []string
	for runes(s) > width {
		cut, at, seen := 0, 0, 0
		for i, r := range s {
			if seen == width {
				at = i
				break
			}
			if r == ' ' {
				cut = i
			}
			if !unicode.Is(unicode.Mn, r) {
				seen++
			}
		}
		if at < len(s) && s[at] == ' ' || cut == 0 {
			cut = at
		}
		out = append(out, strings.TrimRight(s[:cut], " "))
		s = strings.TrimLeft(s[cut:], " ")
	}
	return append(out, s)
}

// facts prints names and what they are, aligned; empty ones are left out.
func facts(w io.Writer, indent string, pairs ...string) {
	width := 0
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			width = max(width, runes(pairs[i]))
		}
	}
	for i := 0; i+1 < len(pairs); i += 2 {
		if pairs[i+1] == "" {
			continue
		}
		for n, part := range fold(safe(pairs[i+1]), max(24, lineWidth-len(indent)-width-2)) {
			name := pairs[i]
			if n > 0 {
				name = ""
			}
			fmt.Fprintf(w, "%s%s%s  %s\n", indent, name, strings.Repeat(" ", width-runes(name)), part)
		}
	}
}

// isTerminal reports whether w is a screen somebody looks at.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// A progress tells how far long work has come: a bar on a terminal, else a
// plain line now and then. The zero total means that the end is not known.
type progress struct {
	w        io.Writer
	terminal bool
	what     string
	now      func() time.Time
	next     time.Time
	drawn    bool
}

// Intervals between two signs of progress.
const (
	barEvery  = 100 * time.Millisecond
	lineEvery = 10 * time.Second
)

func newProgress(w io.Writer, what string, now func() time.Time) *progress {
	p := &progress{w: w, terminal: isTerminal(w), what: what, now: now}
	p.next = now().Add(p.every())
	return p
}

func (p *progress) every() time.Duration {
	if p.terminal {
		return barEvery
	}
	return lineEvery
}

// at tells that done of total units are done.
func (p *progress) at(done, total int64) {
	now := p.now()
	if now.Before(p.next) {
		return
	}
	p.next = now.Add(p.every())
	switch {
	case !p.terminal && total > 0:
		fmt.Fprintf(p.w, "%s: %d of %d (%d %%)\n", safe(p.what), done, total, 100*done/total)
	case !p.terminal:
		fmt.Fprintf(p.w, "%s: %d\n", safe(p.what), done)
	case total > 0:
		const width = 40
		full := int(width * min(done, total) / total)
		fmt.Fprintf(p.w, "\r%s [%s%s] %3d %% ", safe(p.what), strings.Repeat("=", full), strings.Repeat(" ", width-full), 100*done/total)
		p.drawn = true
	default:
		fmt.Fprintf(p.w, "\r%s: %d ", safe(p.what), done)
		p.drawn = true
	}
}

// end clears the bar, so that what comes next begins at the left.
func (p *progress) end() {
	if p.drawn {
		fmt.Fprintf(p.w, "\r%s\r", strings.Repeat(" ", lineWidth-1))
		p.drawn = false
	}
}
