package codes

import (
	"bufio"
	"io"
	"strings"
	"unicode/utf8"
)

// widest is the most characters a column of a table has; longer texts go on in
// the next line of the same row.
const widest = 44

// writeTable writes a sheet in columns: names in capitals, texts of more than
// one line kept in their column.
func writeTable(w io.Writer, s *Sheet) error {
	lines := make([][][]string, 0, len(s.Rows)+1) // row, column, lines
	head := make([]string, len(s.Columns))
	for i, c := range s.Columns {
		head[i] = strings.ToUpper(c)
	}
	for _, row := range append([][]string{head}, s.Rows...) {
		cells := make([][]string, len(row))
		for i, text := range row {
			cells[i] = wrap(text, widest)
		}
		lines = append(lines, cells)
	}
	widths := make([]int, len(s.Columns))
	for _, cells := range lines {
		for i, cell := range cells {
			for _, l := range cell {
				widths[i] = max(widths[i], utf8.RuneCountInString(l))
			}
		}
	}
	b := bufio.NewWriter(w)
	for _, cells := range lines {
		for n := range tallest(cells) {
			b.WriteString(strings.TrimRight(line(cells, n, widths), " ") + "\n")
		}
	}
	return b.Flush()
}

func tallest(cells [][]string) int {
	n := 0
	for _, c := range cells {
		n = max(n, len(c))
	}
	return n
}

// line returns line n of a row.
func line(cells [][]string, n int, widths []int) string {
	var b strings.Builder
	for i, c := range cells {
		text := ""
		if n < len(c) {
			text = c[n]
		}
		b.WriteString(text)
		b.WriteString(strings.Repeat(" ", widths[i]-utf8.RuneCountInString(text)+2))
	}
	return b.String()
}

// wrap breaks a text between words into lines of at most n characters; a longer
// word is a line of its own.
func wrap(text string, n int) []string {
	var out []string
	last := ""
	for word := range strings.FieldsSeq(text) {
		switch {
		case last == "":
			last = word
		case utf8.RuneCountInString(last)+1+utf8.RuneCountInString(word) <= n:
			last += " " + word
		default:
			out = append(out, last)
			last = word
		}
	}
	return append(out, last)
}
