package codes

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"

	"dewclaw/events"
)

// Formats returns the forms [List.Write] knows, the one for people first.
func Formats() []string { return []string{"table", "csv", "json"} }

// Write writes the list as a table for people, as CSV (RFC 4180) with a header,
// or as JSON (one object with the members list, version, about, changes and
// entries). CSV and JSON have every member of every entry. The error for any
// other format is of kind [events.ErrInvalid]; errors of w are returned as they
// are. It reads the file of the list anew and is not meant for a hot path.
func (l *List) Write(w io.Writer, format string) error {
	f := l.file()
	switch format {
	case "table":
		return writeTable(w, f.sheet(forPeople))
	case "csv":
		s := f.sheet(everything)
		c := csv.NewWriter(w)
		c.UseCRLF = true
		if err := c.WriteAll(append([][]string{s.Columns}, s.Rows...)); err != nil {
			return err
		}
		return nil
	case "json":
		b, err := f.json()
		if err != nil {
			return err
		}
		_, err = w.Write(b)
		return err
	}
	return &events.Fault{Kind: events.ErrInvalid, What: "format", Wanted: "one of " + join(Formats()), Got: quote(format)}
}

// A Sheet is a list as rows of texts, one an entry, in the order of the file.
type Sheet struct {
	Columns []string
	Rows    [][]string
}

// Sheet returns the list with every member of its entries as a column: code,
// name, meaning and parent first, source and seen last. A member that is a list
// or has members of its own is written out as one text. Columns that no entry
// has are left out.
func (l *List) Sheet() *Sheet { return l.file().sheet(everything) }

// A file is the file of a list as it is written.
type file struct {
	head    yaml.MapSlice // without entries, source and seen
	entries []yaml.MapSlice
}

func (l *List) file() *file {
	b, err := files.ReadFile("lists/" + l.Name + ".yaml")
	var f *file
	if err == nil {
		f, err = parseFile(b)
	}
	if err != nil {
		panic(fmt.Sprintf("code list %s: %v", l.Name, err))
	}
	return f
}

func parseFile(b []byte) (*file, error) {
	var doc yaml.MapSlice
	if err := yaml.UnmarshalWithOptions(b, &doc, yaml.UseOrderedMap()); err != nil {
		return nil, err
	}
	f := new(file)
	var source, seen any
	var entries []any
	for _, m := range doc {
		switch m.Key {
		case "entries":
			entries, _ = m.Value.([]any)
		case "source":
			source = m.Value
		case "seen":
			seen = m.Value
		default:
			f.head = append(f.head, m)
		}
	}
	for _, e := range entries {
		entry, _ := e.(yaml.MapSlice)
		entry = withDefault(entry, "source", source)
		f.entries = append(f.entries, withDefault(entry, "seen", seen))
	}
	return f, nil
}

// withDefault returns the entry with the member at its end, from the entry
// itself or from its list.
func withDefault(entry yaml.MapSlice, name string, value any) yaml.MapSlice {
	out := make(yaml.MapSlice, 0, len(entry)+1)
	for _, m := range entry {
		if m.Key == name {
			value = m.Value
			continue
		}
		out = append(out, m)
	}
	if value == nil {
		return out
	}
	return append(out, yaml.MapItem{Key: name, Value: value})
}

// json writes the file as JSON, members in the order of the file.
func (f *file) json() ([]byte, error) {
	entries := make([]any, len(f.entries))
	for i, e := range f.entries {
		entries[i] = e
	}
	b, err := appendJSON(nil, append(slices.Clone(f.head), yaml.MapItem{Key: "entries", Value: entries}))
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	if err := json.Indent(&out, b, "", "  "); err != nil {
		return nil, err
	}
	out.WriteByte('\n')
	return out.Bytes(), nil
}

func appendJSON(b []byte, v any) ([]byte, error) {
	var err error
	switch v := v.(type) {
	case yaml.MapSlice:
		b = append(b, '{')
		for i, m := range v {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(events.AppendJSONString(b, fmt.Sprint(m.Key)), ':')
			if b, err = appendJSON(b, m.Value); err != nil {
				return nil, err
			}
		}
		return append(b, '}'), nil
	case []any:
		b = append(b, '[')
		for i, x := range v {
			if i > 0 {
				b = append(b, ',')
			}
			if b, err = appendJSON(b, x); err != nil {
				return nil, err
			}
		}
		return append(b, ']'), nil
	case string:
		return events.AppendJSONString(b, v), nil
	}
	x, err := json.Marshal(v)
	return append(b, x...), err
}

// What a sheet is for: people read sources in the csv or in one entry.
const (
	everything = true
	forPeople  = false
)

func (f *file) sheet(whole bool) *Sheet {
	s := &Sheet{Columns: f.columns(whole)}
	for _, e := range f.entries {
		row := make([]string, len(s.Columns))
		for i, c := range s.Columns {
			for _, m := range e {
				if m.Key == c {
					row[i] = oneText(m.Value)
				}
			}
		}
		s.Rows = append(s.Rows, row)
	}
	return s
}

func (f *file) columns(whole bool) []string {
	first := []string{"code", "name", "meaning", "parent"}
	last := []string{"source", "seen"}
	var own []string
	has := map[string]bool{}
	for _, e := range f.entries {
		for _, m := range e {
			name := fmt.Sprint(m.Key)
			if !has[name] && !slices.Contains(first, name) && !slices.Contains(last, name) {
				own = append(own, name)
			}
			has[name] = true
		}
	}
	all := append(append(slices.Clone(first), own...), last...)
	return slices.DeleteFunc(all, func(c string) bool { return !has[c] || !whole && c == "seen" })
}

// oneText writes a value of an entry as one text.
func oneText(v any) string {
	switch v := v.(type) {
	case []any:
		var parts []string
		between := " "
		for _, x := range v {
			if _, nested := x.(yaml.MapSlice); nested {
				between = "; "
			}
			parts = append(parts, oneText(x))
		}
		return strings.Join(parts, between)
	case yaml.MapSlice:
		var parts []string
		for _, m := range v {
			parts = append(parts, fmt.Sprint(m.Key)+" "+oneText(m.Value))
		}
		return strings.Join(parts, ", ")
	case nil:
		return ""
	}
	return fmt.Sprint(v)
}
