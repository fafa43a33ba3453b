package json

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/theory/jsonpath"
	"github.com/theory/jsonpath/spec"

	"dewclaw/adapters"
	"dewclaw/events"
)

// Bounds of reading.
const (
	maxRow     = 1 << 20  // Layout.MaxRow if it is 0
	maxDoc     = 64 << 20 // Layout.MaxDoc if it is 0
	keptOfLong = events.MaxHeldBytes
	mark       = "\ufeff"
)

// A Decoder splits JSON and NDJSON: see the package comment. Its memory is
// bounded by Layout.MaxRow, or Layout.MaxDoc where documents are read whole.
type Decoder struct {
	in     input
	layout adapters.Layout
	each   *jsonpath.Path // nil without Layout.Each
	next   func(*Decoder) ([]adapters.Row, error)
	ready  []adapters.Row // read and not yet handed out
	one    [1]adapters.Row
	col    int // bytes before the row on its first line
	done   bool
}

var _ adapters.Decoder = (*Decoder)(nil)

// NewDecoder returns a [Decoder] over r, which it does not close. The error is
// of kind invalid if the layout makes no sense: a format other than json and
// ndjson, an encoding other than utf-8 (RFC 8259 section 8.1), a path that is no
// JSONPath.
func NewDecoder(r io.Reader, l adapters.Layout) (adapters.Decoder, error) {
	if l.Encoding != "" && l.Encoding != "utf-8" {
		return nil, invalid("encoding", "utf-8, the only encoding of JSON (RFC 8259)", strconv.Quote(l.Encoding))
	}
	if l.MaxRow <= 0 {
		l.MaxRow = maxRow
	}
	if l.MaxDoc <= 0 {
		l.MaxDoc = maxDoc
	}
	d := &Decoder{in: input{r: r, line: 1}, layout: l}
	if l.Each != "" {
		p, err := jsonpath.Parse(l.Each)
		if err != nil {
			return nil, &events.Fault{Kind: events.ErrInvalid, What: "each", Wanted: "a JSONPath (RFC 9535)", Got: strconv.Quote(l.Each), Cause: err}
		}
		d.each = p
	}
	switch l.Format {
	case "ndjson":
		d.next = (*Decoder).line
	case "json":
		d.next = (*Decoder).document
	default:
		return nil, invalid("format", "json or ndjson", strconv.Quote(l.Format))
	}
	return d, nil
}

func invalid(what, wanted, got string) error {
	return &events.Fault{Kind: events.ErrInvalid, What: what, Wanted: wanted, Got: got}
}

// Head takes a byte order mark off; JSON has no titles and no header. An
// original in UTF-16 is an error of kind invalid.
func (d *Decoder) Head() (adapters.Head, error) {
	if err := d.in.fill(); err != nil {
		return adapters.Head{}, err
	}
	b := d.in.block
	if strings.HasPrefix(b, "\xff\xfe") || strings.HasPrefix(b, "\xfe\xff") {
		return adapters.Head{}, invalid("encoding", "utf-8, the only encoding of JSON (RFC 8259)", "a byte order mark of utf-16")
	}
	if strings.HasPrefix(b, mark) {
		d.in.use(len(mark))
	}
	return adapters.Head{}, nil
}

// Read appends up to n rows: see [adapters.Decoder].
func (d *Decoder) Read(rows []adapters.Row, n int) ([]adapters.Row, error) {
	for n > 0 {
		if len(d.ready) == 0 {
			if d.done {
				return rows, io.EOF
			}
			ready, err := d.next(d)
			if err != nil {
				return rows, err
			}
			d.ready = ready
			continue
		}
		k := min(n, len(d.ready))
		rows = append(rows, d.ready[:k]...)
		d.ready = d.ready[k:]
		n -= k
	}
	return rows, nil
}

// line reads the next line that is not blank.
func (d *Decoder) line() ([]adapters.Row, error) {
	if c, err := d.in.space(); c == 0 {
		d.done = true
		return nil, err
	}
	row := &d.one[0]
	*row, d.col = adapters.Row{Line: d.in.line}, d.in.col
	err := d.take(row, func(s string) int { return strings.IndexByte(s, '\n') }, d.layout.MaxRow)
	if err != nil {
		return nil, err
	}
	row.Text = strings.TrimRight(row.Text, " \t\r")
	row.LastLine = 0
	return d.rows(row), nil
}

// take reads the text of a row.
func (d *Decoder) take(row *adapters.Row, end func(string) int, limit int) error {
	text, size, err := d.in.take(end, limit, keptOfLong)
	if err != nil {
		return err
	}
	row.Text, row.Size = text, size
	if d.in.line > row.Line {
		row.LastLine = d.in.line
	}
	if size > 0 {
		row.Fault = &events.Reason{
			Field: "row", Wanted: fmt.Sprintf("at most %d bytes", limit), Got: fmt.Sprintf("%d bytes", size),
		}
		row.Text = strings.ToValidUTF8(text, "?")
	}
	return nil
}

// rows parses the text of row, a whole document, and returns its rows.
func (d *Decoder) rows(row *adapters.Row) []adapters.Row {
	row.First = true
	if row.Fault != nil {
		return d.one[:]
	}
	var sp *span
	if d.each != nil {
		sp = new(span)
	}
	v, wrong := parse(row.Text, sp)
	if wrong != nil {
		d.fault(row, wrong)
		return d.one[:]
	}
	if d.each == nil {
		row.Value, row.Doc = v, v
		return d.one[:]
	}
	return d.elements(row, v, sp)
}

// fault puts a mistake into the row, with its place in the original.
func (d *Decoder) fault(row *adapters.Row, m *mistake) {
	line, at := row.Line, d.col+m.at+1
	if i := strings.LastIndexByte(row.Text[:m.at], '\n'); i >= 0 {
		line, at = line+strings.Count(row.Text[:m.at], "\n"), m.at-i
	}
	got := m.got
	if got == endOfText && row.Text != "" {
		got += ", as if it were cut off,"
	}
	row.Fault = &events.Reason{Field: "row", Wanted: m.wanted, Got: fmt.Sprintf("%s at line %d, byte %d", got, line, at)}
	textOnly(row)
}

// textOnly moves a text that is no UTF-8 to the bytes of the row.
func textOnly(row *adapters.Row) {
	if valid := strings.ToValidUTF8(row.Text, "?"); valid != row.Text {
		row.Bytes, row.Text = []byte(row.Text), valid
	}
}

// elements returns the elements that the path selects in document v, in the
// order of the text.
func (d *Decoder) elements(row *adapters.Row, v any, sp *span) []adapters.Row {
	nodes := d.each.SelectLocated(v)
	if len(nodes) == 0 {
		row.Doc, row.DocText, row.DocLine = v, row.Text, row.Line
		return d.one[:]
	}
	type place struct {
		node *spec.LocatedNode
		at   *span
	}
	places := make([]place, 0, len(nodes))
	for _, n := range nodes {
		places = append(places, place{n, sp.find(n.Path)})
	}
	slices.SortStableFunc(places, func(a, b place) int { return cmp.Compare(a.at.start, b.at.start) })
	rows := make([]adapters.Row, len(places))
	line, counted := row.Line, 0
	for i, p := range places {
		line += strings.Count(row.Text[counted:p.at.start], "\n")
		counted = p.at.start
		r := &rows[i]
		r.Line, r.Text, r.First = line, row.Text[p.at.start:p.at.end], i == 0
		if n := strings.Count(r.Text, "\n"); n > 0 {
			r.LastLine = line + n
		}
		r.Value, r.Doc, r.DocText, r.DocLine, r.Path = p.node.Node, v, row.Text, row.Line, p.node.Path.String()
		if r.Path == "$" {
			r.Path, r.DocText, r.DocLine = "", "", 0
		}
	}
	return rows
}

// find returns the span at the end of a path that is known to be there.
func (s *span) find(path spec.NormalizedPath) *span {
	for _, step := range path {
		switch k := step.(type) {
		case spec.Index:
			s = &s.in[k]
		case spec.Name:
			s = &s.in[slices.Index(s.names, string(k))]
		}
	}
	return s
}

// document reads the only document of an original of format json, or begins to
// read an array element by element.
func (d *Decoder) document() ([]adapters.Row, error) {
	c, err := d.in.space()
	if err != nil {
		return nil, err
	}
	if c == '[' && d.each == nil {
		d.in.use(1)
		d.next = (*Decoder).firstElement
		return nil, nil
	}
	d.done = true
	row := &d.one[0]
	*row, d.col = adapters.Row{Line: d.in.line}, d.in.col
	if err := d.take(row, func(string) int { return -1 }, d.layout.MaxDoc); err != nil {
		return nil, err
	}
	trimmed := strings.TrimRight(row.Text, " \t\r\n")
	if n := strings.Count(row.Text[len(trimmed):], "\n"); row.Size == 0 && n > 0 {
		row.LastLine -= n
	}
	if row.Text = trimmed; row.LastLine <= row.Line {
		row.LastLine = 0
	}
	return d.rows(row), nil
}

func (d *Decoder) firstElement() ([]adapters.Row, error) {
	if c, err := d.in.space(); c == ']' || err != nil {
		return nil, d.endOfArray(err)
	}
	return d.element()
}

// endOfArray uses the closing bracket; what stands behind it is a faulty row.
func (d *Decoder) endOfArray(err error) error {
	if err == nil {
		d.in.use(1)
		d.next = (*Decoder).behindArray
	}
	return err
}

func (d *Decoder) behindArray() ([]adapters.Row, error) {
	c, err := d.in.space()
	if err != nil {
		return nil, err
	}
	if c == 0 {
		d.done = true
		return nil, nil
	}
	return d.rest("the end of the text behind the array")
}

// element reads one element of a streamed array.
func (d *Decoder) element() ([]adapters.Row, error) {
	c, err := d.in.space()
	if err != nil {
		return nil, err
	}
	if c == 0 || c == ',' || c == ']' || c == '}' {
		return d.rest("an element of the array")
	}
	row := &d.one[0]
	*row, d.col = adapters.Row{Line: d.in.line}, d.in.col
	var s scanner
	if err := d.take(row, s.end, d.layout.MaxRow); err != nil {
		return nil, err
	}
	d.next = (*Decoder).nextElement
	return d.rows(row), nil
}

func (d *Decoder) nextElement() ([]adapters.Row, error) {
	c, err := d.in.space()
	switch {
	case err != nil:
		return nil, err
	case c == ']':
		return nil, d.endOfArray(nil)
	case c != ',':
		return d.rest(`"," or "]" behind the element`)
	}
	d.in.use(1)
	return d.element()
}

// rest holds all that is left of an original in which elements can no longer be
// told apart.
func (d *Decoder) rest(wanted string) ([]adapters.Row, error) {
	d.done = true
	row := &d.one[0]
	*row, d.col = adapters.Row{Line: d.in.line}, d.in.col
	if err := d.take(row, func(string) int { return -1 }, d.layout.MaxRow); err != nil {
		return nil, err
	}
	got := "the end of the file"
	if row.Text != "" {
		got = strconv.Quote(clip(strings.ToValidUTF8(row.Text, "?"), 20))
	}
	row.Fault = &events.Reason{Field: "file", Wanted: wanted, Got: fmt.Sprintf("%s at line %d", got, row.Line)}
	textOnly(row)
	row.First = true
	return d.one[:], nil
}
