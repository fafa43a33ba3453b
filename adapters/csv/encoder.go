package csv

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"dewclaw/adapters"
	"dewclaw/events"
)

// An Encoder writes tables as delimited text: RFC 4180 with the line end, the
// delimiter and the encoding of its style, cells quoted only where they must be.
type Encoder struct {
	w       io.Writer
	style   adapters.Style
	charset *charset
	mark    string // byte order mark, until it is written
	delim   string
	columns []adapters.Column // of the first table; nil before
	text    strings.Builder
	out     []byte
}

var _ adapters.Encoder = (*Encoder)(nil)

// NewEncoder returns an [Encoder] to w, which it does not close. The error is of kind
// invalid if the style makes no sense: see [NewDecoder]; utf-8-bom and utf-16
// (little endian) write a byte order mark, the other encodings none.
func NewEncoder(w io.Writer, s adapters.Style) (adapters.Encoder, error) {
	if s.Format != "csv" {
		return nil, invalid("format", "csv", strconv.Quote(s.Format))
	}
	if s.Delimiter == 0 {
		s.Delimiter = ','
	}
	if err := checkDelimiter(s.Delimiter); err != nil {
		return nil, err
	}
	if s.LineEnd == "" {
		s.LineEnd = "\r\n" // RFC 4180 section 2
	}
	if s.LineEnd != "\n" && s.LineEnd != "\r\n" {
		return nil, invalid("line-end", "LF or CRLF", strconv.Quote(s.LineEnd))
	}
	e := &Encoder{w: w, style: s, delim: string(s.Delimiter)}
	switch s.Encoding {
	case "", "utf-8":
		e.charset = charsets["utf-8"]
	case "utf-8-bom":
		e.charset, e.mark = charsets["utf-8"], "\ufeff"
	case "utf-16":
		e.charset, e.mark = charsets["utf-16le"], "\ufeff"
	default:
		if e.charset = charsets[s.Encoding]; e.charset == nil {
			return nil, invalid("encoding", encodings+", or utf-8-bom", strconv.Quote(s.Encoding))
		}
	}
	if err := e.charset.check(e.delim); err != nil {
		return nil, invalid("delimiter", "a character that "+s.Encoding+" can write", strconv.QuoteRune(s.Delimiter))
	}
	return e, nil
}

// Write writes the rows of t, before the first ones the header if the style has
// one. Every table must have the same columns. The error is of kind invalid if
// a cell cannot be written so that it can be read back (a character that the
// encoding does not have, a NUL, a list element that holds the list mark); then
// nothing of the table was written. Other errors are the writer's.
func (e *Encoder) Write(t *adapters.Table) error {
	if e.columns != nil && !slices.Equal(e.columns, t.Columns) {
		return fmt.Errorf("write table: columns differ from those of the table before: %w", events.ErrInvalid)
	}
	e.text.Reset()
	if e.columns == nil {
		e.text.WriteString(e.mark)
		if e.style.Header {
			for i, c := range t.Columns {
				if err := e.cell(i, len(t.Columns), c.Name); err != nil {
					return fmt.Errorf("write header: column %q: %w", c.Name, err)
				}
			}
			e.text.WriteString(e.style.LineEnd)
		}
	}
	for n, row := range t.Rows {
		if len(row) != len(t.Columns) {
			return fmt.Errorf("write row %d: %d cells in %d columns: %w", n+1, len(row), len(t.Columns), events.ErrInvalid)
		}
		for i := range row {
			s, err := e.join(&row[i])
			if err == nil {
				err = e.cell(i, len(row), s)
			}
			if err != nil {
				return fmt.Errorf("write row %d: column %q: %w", n+1, t.Columns[i].Name, err)
			}
		}
		e.text.WriteString(e.style.LineEnd)
	}
	if e.columns == nil {
		e.columns = append([]adapters.Column{}, t.Columns...)
	}
	e.out = e.charset.raw(e.out[:0], e.text.String())
	_, err := e.w.Write(e.out)
	return err
}

// Close ends the output; there is nothing to write. It does not close the writer.
func (e *Encoder) Close() error { return nil }

func (e *Encoder) join(c *adapters.Cell) (string, error) {
	if len(c.List) == 0 {
		return c.Text, nil
	}
	mark := e.style.ListMark
	if mark == "" {
		mark = "|"
	}
	for _, s := range c.List {
		if strings.Contains(s, mark) {
			return "", fmt.Errorf("%q holds the mark %q that stands between elements: %w", s, mark, events.ErrInvalid)
		}
	}
	return strings.Join(c.List, mark), nil
}

// cell writes cell i of n.
func (e *Encoder) cell(i, n int, s string) error {
	if err := e.charset.check(s); err != nil {
		return err
	}
	if strings.IndexByte(s, 0) >= 0 {
		return fmt.Errorf("%q holds a NUL: %w", s, events.ErrInvalid)
	}
	if e.style.Guard {
		s = Guard(s)
	}
	if i > 0 {
		e.text.WriteString(e.delim)
	}
	// A row of one blank cell would be a blank line, which is no row, and the
	// character of a byte order mark would be taken for one.
	must := n == 1 && strings.Trim(s, " ") == "" || strings.HasPrefix(s, "\ufeff")
	if !must && !strings.ContainsAny(s, "\"\r\n") && !strings.Contains(s, e.delim) {
		e.text.WriteString(s)
		return nil
	}
	e.text.WriteByte('"')
	e.text.WriteString(strings.ReplaceAll(s, `"`, `""`))
	e.text.WriteByte('"')
	return nil
}
