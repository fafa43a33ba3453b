package intake

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"dewclaw/events"
)

// A Sheet is a held record whose values can be set one by one: the cells of a
// row, or the members of a JSON element.
type Sheet struct {
	held    string
	text    string // json
	columns []string
	cells   []string // nil for json
	comma   rune
	guard   bool
}

// Sheet returns a held record, as it was fixed so far, ready to be edited. Errors:
// of kind invalid if it cannot be taken apart, so that only the whole can be
// replaced.
func (in *Intake) Sheet(ctx context.Context, src *Source, k *Kept) (*Sheet, error) {
	o, _, err := in.keptOriginal(src, k)
	if err != nil {
		return nil, err
	}
	head, rows, err := in.keptRows(ctx, o, k)
	if err != nil {
		return nil, err
	}
	if len(rows) != 1 || rows[0].Fault != nil {
		return nil, wholeOnly(k.Held.ID, "a row that can be taken apart")
	}
	s := &Sheet{held: k.Held.ID, text: rows[0].Text}
	if l := src.Mapping.Layout(); l.Format == "csv" {
		s.columns, s.cells = head.Columns, slices.Clone(rows[0].Cells)
		s.comma, s.guard = l.Delimiter, l.Guard
	}
	return s, nil
}

func wholeOnly(id, wanted string) error {
	return &events.Fault{
		Kind: events.ErrInvalid, What: "held record " + id, Wanted: wanted, Got: "one that only can be replaced as a whole",
		Hints: []string{"give the whole record as it should read: dewclaw held fix " + id + " --raw FILE"},
	}
}

// Set gives the column of that name or number, or the member at that path, a
// value as the source would write it, and returns the value before.
func (s *Sheet) Set(column, value string) (before string, err error) {
	if s.cells == nil {
		text, before, err := setJSON(s.text, column, value)
		if err != nil {
			return "", err
		}
		s.text = text
		return before, nil
	}
	at := slices.Index(s.columns, column)
	if n, err := strconv.Atoi(column); at < 0 && err == nil {
		at = n - 1
	}
	if at < 0 || at >= len(s.cells) {
		return "", &events.Fault{
			Kind: events.ErrInvalid, What: strconv.Quote(column), Wanted: "a column of the original", Got: "none of that name",
			Hints: []string{"its columns are " + strings.Join(s.columns, ", ")},
		}
	}
	before, s.cells[at] = s.cells[at], value
	return before, nil
}

// Text returns the record as it reads now.
func (s *Sheet) Text() (string, error) {
	if s.cells == nil {
		return s.text, nil
	}
	var b strings.Builder
	for i, c := range s.cells {
		if i > 0 {
			b.WriteRune(s.comma)
		}
		if s.guard && c != "" && strings.ContainsRune("=+-@\t\r'", rune(c[0])) {
			c = "'" + c
		}
		if strings.ContainsAny(c, "\"\r\n"+string(s.comma)) || c != strings.TrimSpace(c) {
			c = `"` + strings.ReplaceAll(c, `"`, `""`) + `"`
		}
		b.WriteString(c)
	}
	return b.String(), nil
}

// RawOf returns the original text of a held record that was left to the archive.
func (in *Intake) RawOf(ctx context.Context, k *Kept) (string, error) {
	m, b, err := in.common.mapping(in, k.Entry.Mapping)
	if err != nil {
		return "", err
	}
	src := &Source{ID: k.Entry.Source, Farm: k.Entry.Defaults.Farm, Mapping: m, MappingBytes: b}
	o, _, err := in.keptOriginal(src, k)
	if err != nil {
		return "", err
	}
	_, rows, err := in.originalRows(ctx, o, &k.Held)
	if err != nil {
		return "", err
	}
	if len(rows) == 0 {
		return "", fmt.Errorf("line %d of %s: %w", k.Held.Line, k.Entry.Name, events.ErrNotFound)
	}
	texts := make([]string, len(rows))
	for i := range rows {
		texts[i] = rows[i].Text
	}
	return strings.Join(texts, "\n"), nil
}
