package csv

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/adapters"
	"dewclaw/events"
)

func TestGuard_CanBeReadBack(t *testing.T) {
	// Triggers: OWASP ASVS 5.0, requirement 1.2.10.
	tests := []struct{ in, want string }{
		{"=1+1", "'=1+1"}, {"+49", "'+49"}, {"-cmd", "'-cmd"}, {"@x", "'@x"}, {"\tx", "'\tx"}, {"\rx", "'\rx"},
		{"-1", "-1"}, {"-1.5", "-1.5"}, {"-1,5", "-1,5"}, {"-1.5.2", "'-1.5.2"}, {"-", "'-"}, {"-1,", "'-1,"},
		{"'=x", "''=x"}, {"'x", "'x"}, {"", ""}, {"x=1", "x=1"}, {"'", "'"},
	}
	for _, tt := range tests {
		if got := Guard(tt.in); got != tt.want {
			t.Errorf("Guard(%q): got %q, want %q", tt.in, got, tt.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringOfN(rapid.RuneFrom([]rune("'=+-@\t\rx1,.")), 0, 6, -1).Draw(t, "s")
		if got := Unguard(Guard(s)); got != s {
			t.Fatalf("Unguard(Guard(%q)): got %q", s, got)
		}
	})
}

func encode(t testing.TB, s adapters.Style, tables ...*adapters.Table) ([]byte, error) {
	t.Helper()
	var b bytes.Buffer
	e, err := NewEncoder(&b, s)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range tables {
		if err := e.Write(x); err != nil {
			return b.Bytes(), err
		}
	}
	err = e.Close()
	return b.Bytes(), err
}

func TestEncoder_WritesItsStyle(t *testing.T) {
	table := &adapters.Table{
		Columns: []adapters.Column{{Name: "Tier"}, {Name: "Text"}},
		Rows:    [][]adapters.Cell{{{Text: "1"}, {Text: "gro\u00df; \"weich\""}}, {{Text: "=2"}, {List: []string{"a", "b"}}}},
	}
	tests := []struct {
		name  string
		style adapters.Style
		want  string
	}{
		{"RFC 4180", adapters.Style{Format: "csv", Header: true}, "Tier,Text\r\n1,\"gro\u00df; \"\"weich\"\"\"\r\n=2,a|b\r\n"},
		{"all", adapters.Style{Format: "csv", Header: true, Delimiter: ';', LineEnd: "\n", Encoding: "windows-1252", Guard: true, ListMark: "/"},
			"Tier;Text\n1;\"gro\xdf; \"\"weich\"\"\"\n'=2;a/b\n"},
		{"mark", adapters.Style{Format: "csv", Encoding: "utf-8-bom", LineEnd: "\n"}, "\xef\xbb\xbf1,\"gro\u00df; \"\"weich\"\"\"\n=2,a|b\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := encode(t, tt.style, table)
			if err != nil || string(got) != tt.want {
				t.Errorf("got %q, %v; want %q", got, err, tt.want)
			}
		})
	}
	twice, err := encode(t, adapters.Style{Format: "csv", Header: true, LineEnd: "\n"}, table, table)
	if err != nil || strings.Count(string(twice), "Tier") != 1 {
		t.Errorf("two tables: got %q, %v, want one header", twice, err)
	}
}

func TestEncoder_RefusesWhatCannotBeReadBack(t *testing.T) {
	tests := []struct {
		name string
		cell adapters.Cell
		want string
	}{
		{"character", adapters.Cell{Text: "ok\u4e2d"}, `write row 2: column "a": "ok` + "\u4e2d" + `" has '` + "\u4e2d" + `', which windows-1252 cannot write: invalid`},
		{"NUL", adapters.Cell{Text: "a\x00"}, `write row 2: column "a": "a\x00" holds a NUL: invalid`},
		{"list mark", adapters.Cell{List: []string{"a|b", "c"}}, `write row 2: column "a": "a|b" holds the mark "|" that stands between elements: invalid`},
		{"bytes", adapters.Cell{Text: "\xff"}, `write row 2: column "a": "\xff" is not UTF-8: invalid`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := encode(t, adapters.Style{Format: "csv", Header: true, Encoding: "windows-1252"}, &adapters.Table{
				Columns: []adapters.Column{{Name: "a"}}, Rows: [][]adapters.Cell{{{Text: "x"}}, {tt.cell}},
			})
			if err == nil || err.Error() != tt.want || !errors.Is(err, events.ErrInvalid) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
			if len(got) > 0 {
				t.Errorf("wrote %q of a table that was refused", got)
			}
		})
	}
	if _, err := NewEncoder(nil, adapters.Style{Format: "csv", LineEnd: "\r"}); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("line end CR: got %v", err)
	}
	if _, err := NewEncoder(nil, adapters.Style{Format: "csv", Encoding: "utf-7"}); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("utf-7: got %v", err)
	}
}

func TestEncoder_WhatItWritesReadsBackTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.IntRange(1, 4).Draw(t, "width")
		cell := rapid.StringOfN(rapid.RuneFrom([]rune(" ab;,\"'=-+@\t\r\n1\u00e4\ufeff")), 0, 5, -1)
		table := &adapters.Table{}
		for i := range width {
			table.Columns = append(table.Columns, adapters.Column{Name: fmt.Sprint("c", i)})
		}
		for range rapid.IntRange(0, 5).Draw(t, "rows") {
			var row []adapters.Cell
			for range width {
				row = append(row, adapters.Cell{Text: cell.Draw(t, "cell")})
			}
			table.Rows = append(table.Rows, row)
		}
		s := adapters.Style{
			Format: "csv", Header: rapid.Bool().Draw(t, "header"), Guard: rapid.Bool().Draw(t, "guard"),
			Delimiter: rapid.SampledFrom([]rune{',', ';', '\t'}).Draw(t, "delimiter"),
			Encoding:  rapid.SampledFrom([]string{"utf-8", "utf-8-bom", "utf-16", "utf-16be"}).Draw(t, "encoding"),
			LineEnd:   rapid.SampledFrom([]string{"\n", "\r\n"}).Draw(t, "end"),
		}
		var b bytes.Buffer
		e, err := NewEncoder(&b, s)
		if err == nil {
			err = e.Write(table)
		}
		if err != nil {
			t.Fatal(err)
		}
		l := adapters.Layout{Format: "csv", Header: s.Header, Guard: s.Guard, Delimiter: s.Delimiter, Encoding: strings.TrimSuffix(s.Encoding, "-bom")}
		if !s.Header {
			for i := range width {
				l.Columns = append(l.Columns, fmt.Sprint("c", i))
			}
		}
		_, rows, err := tryRead(bytes.NewReader(b.Bytes()), l, 2)
		if err != nil {
			t.Fatal(err)
		}
		if len(rows) != len(table.Rows) {
			t.Fatalf("%q: got %d rows, want %d", b.String(), len(rows), len(table.Rows))
		}
		for i, r := range rows {
			for k, c := range table.Rows[i] {
				if r.Fault != nil || r.Cells[k] != c.Text {
					t.Fatalf("%q: row %d: got %s, want %v", b.String(), i, show(r), table.Rows[i])
				}
			}
		}
	})
}
