package csv

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"dewclaw/adapters"
	"dewclaw/events"
)

// Bounds of reading.
const (
	blockBytes = 256 << 10 // what is read at once
	maxRow     = 1 << 20   // Layout.MaxRow if it is 0
	maxColumns = 4096      // a cell takes 16 bytes beside its text, and many rows are held at once
	keptOfLong = events.MaxHeldBytes
	spanBytes  = 64 << 10 // how far a quoted cell may reach,
	spanLines  = 200      // and over how many lines
)

// A Decoder splits delimited text: see the package comment. It reads a block at
// a time; the texts and cells of a row are slices of its block, which lives as
// long as one of them is held. Its memory is bounded by the block and
// Layout.MaxRow, whatever the original is like.
type Decoder struct {
	r       io.Reader
	layout  adapters.Layout
	charset *charset
	split   func([]string, string) []string // cells of a line without quotes
	delim   string

	raw      []byte // read and not yet decoded
	rawStart int
	readEOF  bool // the reader is at its end
	block    string
	pos      int  // start of the next line in block
	clean    bool // block is UTF-8 without NUL
	eof      bool // nothing comes behind block
	nextLF   int  // next LF and CR at or behind pos; len(block) if there is none
	nextCR   int

	line  int   // number of the line at pos, from 1
	base  int64 // bytes of the original before block
	width int   // cells of a row; 0 until known
	named bool  // width is the number of names
	first bool  // no row was handed out yet
	slab  []string

	suspect suspicion // of another encoding than the declared one
}

var (
	_ adapters.Decoder = (*Decoder)(nil)
	_ adapters.Noticer = (*Decoder)(nil)
)

// NewDecoder returns a [Decoder] over r, which it does not close. The error is of kind
// invalid if the layout makes no sense: a format that is not csv, an encoding
// that is not in the list of the package, a delimiter that is a quote, a line
// end or no character.
func NewDecoder(r io.Reader, l adapters.Layout) (adapters.Decoder, error) {
	if l.Format != "csv" {
		return nil, invalid("format", "csv", strconv.Quote(l.Format))
	}
	if l.Encoding == "" {
		l.Encoding = "utf-8"
	}
	if l.Encoding != "utf-16" && charsets[l.Encoding] == nil {
		return nil, invalid("encoding", encodings, strconv.Quote(l.Encoding))
	}
	if l.Delimiter == 0 {
		l.Delimiter = ','
	}
	if err := checkDelimiter(l.Delimiter); err != nil {
		return nil, err
	}
	if l.MaxRow <= 0 {
		l.MaxRow = maxRow
	}
	d := &Decoder{r: r, layout: l, line: 1, first: true, delim: string(l.Delimiter)}
	d.split = splitText(d.delim)
	if len(d.delim) == 1 {
		d.split = splitByte(d.delim[0])
	}
	if !l.Header && len(l.Columns) > 0 {
		d.width, d.named = len(l.Columns), true
	}
	return d, nil
}

const encodings = "utf-8, utf-16, utf-16le, utf-16be, windows-1252, iso-8859-1 or iso-8859-15"

func checkDelimiter(r rune) error {
	if r == '"' || r == '\r' || r == '\n' || r == 0 || r == utf8.RuneError || !utf8.ValidRune(r) {
		return invalid("delimiter", "one character that is no quote and no line end", strconv.QuoteRune(r))
	}
	return nil
}

func invalid(what, wanted, got string) error {
	return &events.Fault{Kind: events.ErrInvalid, What: what, Wanted: wanted, Got: got}
}

func splitByte(c byte) func([]string, string) []string {
	return func(cells []string, s string) []string {
		for {
			i := strings.IndexByte(s, c)
			if i < 0 {
				return append(cells, s)
			}
			cells = append(cells, s[:i])
			s = s[i+1:]
		}
	}
}

func splitText(delim string) func([]string, string) []string {
	return func(cells []string, s string) []string {
		for {
			i := strings.Index(s, delim)
			if i < 0 {
				return append(cells, s)
			}
			cells = append(cells, s[:i])
			s = s[i+len(delim):]
		}
	}
}

// Read appends up to n rows: see [adapters.Decoder].
func (d *Decoder) Read(rows []adapters.Row, n int) ([]adapters.Row, error) {
	for range n {
		rows = append(rows, adapters.Row{})
		if err := d.row(&rows[len(rows)-1]); err != nil {
			return rows[:len(rows)-1], err
		}
	}
	return rows, nil
}

// row reads the next row that is not blank.
func (d *Decoder) row(r *adapters.Row) error {
	for {
		line, next, err := d.nextLine()
		if err != nil {
			return err
		}
		lines := 1
		r.Line, r.Text = d.line, line
		switch {
		case next < 0:
			if err := d.skipLong(r); err != nil {
				return err
			}
			next = d.pos
		case d.blank(line):
			d.pos = next
			d.line++
			continue
		case strings.IndexByte(line, '"') < 0:
			d.keep(r, d.unguard(d.split(d.cells(), line)))
			d.count(r)
		default:
			n, behind, again := d.quotedCells(r, line)
			if again {
				if err := d.fill(); err != nil {
					return err
				}
				continue
			}
			if n > 1 {
				lines, next = n, behind
			}
		}
		if !d.clean && r.Size == 0 {
			if f := d.textFault(r.Text, d.pos); f != nil {
				r.Fault, r.Bytes = f, d.charset.raw(nil, r.Text)
				r.Text, r.Cells = strings.ToValidUTF8(r.Text, "?"), nil
			}
		}
		r.Open = d.eof && next == len(d.block) && next > 0 && d.block[next-1] != '\n' && d.block[next-1] != '\r'
		d.pos = next
		d.line += lines
		r.First, d.first = d.first, false
		return nil
	}
}

// blank reports whether a line is nothing but spaces.
func (d *Decoder) blank(line string) bool {
	for i := 0; i < len(line); i++ {
		if line[i] != ' ' || d.delim == " " {
			return false
		}
	}
	return true
}

// cells returns room for the cells of a row, cut from a slab.
func (d *Decoder) cells() []string {
	n := d.width + 1
	if cap(d.slab)-len(d.slab) < n {
		d.slab = make([]string, 0, max(n, min(128*n, 16<<10)))
	}
	return d.slab[len(d.slab) : len(d.slab) : len(d.slab)+n]
}

// keep takes the cells of a row out of the slab.
func (d *Decoder) keep(r *adapters.Row, cells []string) {
	if len(cells) <= d.width+1 {
		d.slab = d.slab[:len(d.slab)+len(cells)]
	}
	r.Cells = cells[:len(cells):len(cells)]
}

// count checks the number of cells.
func (d *Decoder) count(r *adapters.Row) {
	if n := len(r.Cells); n > maxColumns {
		r.Cells = slices.Clone(r.Cells[:maxColumns]) // for people: so that the others are let go
		r.Fault = &events.Reason{Field: "row", Wanted: fmt.Sprintf("at most %d cells", maxColumns), Got: strconv.Itoa(n)}
		return
	}
	if d.width == 0 {
		d.width = len(r.Cells)
	}
	if len(r.Cells) == d.width {
		return
	}
	wanted := fmt.Sprintf("%d cells as in the header", d.width)
	if !d.layout.Header {
		wanted = fmt.Sprintf("%d cells as declared", d.width)
		if !d.named {
			wanted = fmt.Sprintf("%d cells as in the first row", d.width)
		}
	}
	got := strconv.Itoa(len(r.Cells))
	if d.eof && len(r.Cells) < d.width && d.pos+len(r.Text) == len(d.block) {
		got += " on the last line, which has no line end: the file may be cut off"
	}
	r.Fault = &events.Reason{Field: "row", Wanted: wanted, Got: got}
}

// quotedCells splits a row with quotes, and returns the number of its lines and
// where the row behind it starts. It says again if more of the original must be
// read first.
func (d *Decoder) quotedCells(r *adapters.Row, line string) (lines, next int, again bool) {
	q := quoted{delim: d.delim}
	q.split(d.cells(), line)
	if q.open {
		s, more := d.span(d.cells())
		if more {
			return 0, 0, true
		}
		if s == nil {
			q.fault = fmt.Sprintf("a quote at byte %d that is never closed", q.at+1)
		} else {
			q = *s
			r.Text = d.block[d.pos : d.pos+q.text]
			r.LastLine = r.Line + q.lines - 1
		}
	}
	if q.fault != "" {
		r.Fault = &events.Reason{Field: "row", Wanted: "quotes as in RFC 4180", Got: q.fault}
		if r.Cells = d.split(nil, strings.ReplaceAll(line, `"`, "")); len(r.Cells) > maxColumns {
			r.Cells = slices.Clone(r.Cells[:maxColumns])
		}
		return 1, 0, false
	}
	d.keep(r, d.unguard(q.cells))
	d.count(r)
	return q.lines, d.pos + q.next, false
}

// span splits the row at pos whose quoted cell reaches over line ends. It
// returns nil if the cells do not close properly or are not as many as they
// should be, and more if the block ends before that is certain.
func (d *Decoder) span(dst []string) (row *quoted, more bool) {
	limit := min(len(d.block)-d.pos, spanBytes)
	q := quoted{delim: d.delim, span: true, final: d.eof && d.pos+limit == len(d.block)}
	q.split(dst, d.block[d.pos:d.pos+limit])
	if q.open {
		return nil, limit < spanBytes && !d.eof
	}
	if q.fault != "" || q.lines > spanLines || d.width > 0 && len(q.cells) != d.width {
		return nil, false
	}
	return &q, false
}

func (d *Decoder) unguard(cells []string) []string {
	if d.layout.Guard {
		for i, c := range cells {
			cells[i] = Unguard(c)
		}
	}
	return cells
}
