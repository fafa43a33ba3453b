package json

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

// An Encoder writes tables as NDJSON, one object a line, or as one array of
// objects. Columns with points in their names are nested objects, in the order
// of their first columns; a cell that says nothing is left out, and so is an
// object without members. Numbers are written as they are.
type Encoder struct {
	w       io.Writer
	array   bool
	lineEnd string
	columns []adapters.Column // of the first table; nil before
	tree    node
	rows    int
	buf     []byte
	started bool
}

// A node is one member: a column, or an object with members.
type node struct {
	name string
	at   int // index of the column; -1 for an object
	typ  events.FieldType
	in   []*node
}

var _ adapters.Encoder = (*Encoder)(nil)

// NewEncoder returns an [Encoder] to w, which it does not close. The error is of
// kind invalid if the style makes no sense: a format other than json and
// ndjson, an encoding other than utf-8.
func NewEncoder(w io.Writer, s adapters.Style) (adapters.Encoder, error) {
	if s.Format != "json" && s.Format != "ndjson" {
		return nil, invalid("format", "json or ndjson", strconv.Quote(s.Format))
	}
	if s.Encoding != "" && s.Encoding != "utf-8" {
		return nil, invalid("encoding", "utf-8, the only encoding of JSON (RFC 8259)", strconv.Quote(s.Encoding))
	}
	if s.LineEnd == "" {
		s.LineEnd = "\n"
	}
	return &Encoder{w: w, array: s.Format == "json", lineEnd: s.LineEnd}, nil
}

// Write writes the rows of t, all or none. Every table must have the same
// columns. The error is of kind invalid if two columns cannot stand in one
// object, or a cell does not fit the type of its column; other errors are the
// writer's.
func (e *Encoder) Write(t *adapters.Table) error {
	if e.columns == nil {
		e.tree = node{}
		for i, c := range t.Columns {
			if err := e.tree.add(strings.Split(c.Name, "."), c, i); err != nil {
				return fmt.Errorf("write table: %w", err)
			}
		}
	} else if !slices.Equal(e.columns, t.Columns) {
		return fmt.Errorf("write table: columns differ from those of the table before: %w", events.ErrInvalid)
	}
	b := e.buf[:0]
	if e.array && !e.started {
		b = append(b, '[')
	}
	for i, row := range t.Rows {
		if len(row) != len(t.Columns) {
			return fmt.Errorf("write row %d: %d cells in %d columns: %w", i+1, len(row), len(t.Columns), events.ErrInvalid)
		}
		switch {
		case e.array && e.rows+i > 0:
			b = append(append(b, ','), e.lineEnd...)
		case e.array:
			b = append(b, e.lineEnd...)
		}
		var err error
		if b, err = appendObject(b, e.tree.in, row); err != nil {
			return fmt.Errorf("write row %d: %w", i+1, err)
		}
		if !e.array {
			b = append(b, e.lineEnd...)
		}
	}
	if e.columns == nil {
		e.columns = append([]adapters.Column{}, t.Columns...)
	}
	e.buf, e.started = b, true
	e.rows += len(t.Rows)
	_, err := e.w.Write(b)
	return err
}

// Close ends the array.
func (e *Encoder) Close() error {
	if !e.array {
		return nil
	}
	b := []byte("]")
	if !e.started {
		b = []byte("[]")
	} else if e.rows > 0 {
		b = append([]byte(e.lineEnd), b...)
	}
	_, err := e.w.Write(append(b, e.lineEnd...))
	return err
}

func (n *node) add(path []string, c adapters.Column, at int) error {
	if slices.Contains(path, "") {
		return fmt.Errorf("column %q: a name between points is empty: %w", c.Name, events.ErrInvalid)
	}
	k := slices.IndexFunc(n.in, func(m *node) bool { return m.name == path[0] })
	if k >= 0 && (len(path) == 1 || n.in[k].at >= 0) {
		return fmt.Errorf("column %q: another column has that name or is part of it: %w", c.Name, events.ErrInvalid)
	}
	if len(path) == 1 {
		n.in = append(n.in, &node{name: path[0], at: at, typ: c.Type})
		return nil
	}
	if k < 0 {
		k = len(n.in)
		n.in = append(n.in, &node{name: path[0], at: -1})
	}
	return n.in[k].add(path[1:], c, at)
}

func appendObject(b []byte, in []*node, row []adapters.Cell) ([]byte, error) {
	b = append(b, '{')
	for _, n := range in {
		if !n.says(row) {
			continue
		}
		if b[len(b)-1] != '{' {
			b = append(b, ',')
		}
		b = append(events.AppendJSONString(b, n.name), ':')
		var err error
		if n.at < 0 {
			b, err = appendObject(b, n.in, row)
		} else if b, err = appendCell(b, n.typ, &row[n.at]); err != nil {
			err = fmt.Errorf("column %q: %w", n.name, err)
		}
		if err != nil {
			return b, err
		}
	}
	return append(b, '}'), nil
}

// says reports whether a member has something to say.
func (n *node) says(row []adapters.Cell) bool {
	if n.at >= 0 {
		return row[n.at].Text != "" || len(row[n.at].List) > 0
	}
	return slices.ContainsFunc(n.in, func(m *node) bool { return m.says(row) })
}

func appendCell(b []byte, t events.FieldType, c *adapters.Cell) ([]byte, error) {
	if len(c.List) == 0 {
		return appendScalar(b, t, c.Text)
	}
	b = append(b, '[')
	for i, s := range c.List {
		if i > 0 {
			b = append(b, ',')
		}
		var err error
		if b, err = appendScalar(b, t, s); err != nil {
			return b, err
		}
	}
	return append(b, ']'), nil
}

func appendScalar(b []byte, t events.FieldType, s string) ([]byte, error) {
	switch t {
	case events.DecimalField, events.IntegerField, events.IntegersField:
		p := parser{s: s}
		if p.number(); p.wrong != nil || p.i != len(s) {
			return b, fmt.Errorf("wanted a number of JSON, got %q: %w", clip(s, 40), events.ErrInvalid)
		}
		return append(b, s...), nil
	case events.TruthField:
		if s != "true" && s != "false" {
			return b, fmt.Errorf("wanted true or false, got %q: %w", clip(s, 40), events.ErrInvalid)
		}
		return append(b, s...), nil
	}
	if !utf8.ValidString(s) {
		return b, fmt.Errorf("%q is not UTF-8: %w", clip(s, 40), events.ErrInvalid)
	}
	return events.AppendJSONString(b, s), nil
}
