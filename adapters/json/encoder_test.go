package json

import (
	"bytes"
	stdjson "encoding/json"
	"errors"
	"testing"

	"dewclaw/adapters"
	"dewclaw/events"
)

func encode(t *testing.T, s adapters.Style, tables ...*adapters.Table) (string, error) {
	t.Helper()
	var b bytes.Buffer
	e, err := NewEncoder(&b, s)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range tables {
		if err := e.Write(x); err != nil {
			return b.String(), err
		}
	}
	err = e.Close()
	return b.String(), err
}

func table(cells ...adapters.Cell) *adapters.Table {
	return &adapters.Table{
		Columns: []adapters.Column{
			{Name: "animal.tag", Type: events.TextField}, {Name: "toe", Type: events.DecimalField}, {Name: "animal.pen", Type: events.TextField},
			{Name: "dd", Type: events.TruthField}, {Name: "zones", Type: events.IntegersField}, {Name: "why", Type: events.CodesField},
		},
		Rows: [][]adapters.Cell{cells},
	}
}

func TestEncoder_NestsAndKeepsNumbers(t *testing.T) {
	full := table(adapters.Cell{Text: "DE \"7\""}, adapters.Cell{Text: "82.550"}, adapters.Cell{Text: "P1"}, adapters.Cell{Text: "true"},
		adapters.Cell{List: []string{"4", "5"}}, adapters.Cell{List: []string{"lame"}})
	empty := table(adapters.Cell{}, adapters.Cell{Text: "0"}, adapters.Cell{}, adapters.Cell{}, adapters.Cell{}, adapters.Cell{})
	const row = `{"animal":{"tag":"DE \"7\"","pen":"P1"},"toe":82.550,"dd":true,"zones":[4,5],"why":["lame"]}`
	tests := []struct {
		name   string
		style  adapters.Style
		tables []*adapters.Table
		want   string
	}{
		{"ndjson", adapters.Style{Format: "ndjson"}, []*adapters.Table{full, empty}, row + "\n" + `{"toe":0}` + "\n"},
		{"json", adapters.Style{Format: "json"}, []*adapters.Table{full, empty}, "[\n" + row + ",\n" + `{"toe":0}` + "\n]\n"},
		{"no table", adapters.Style{Format: "json"}, nil, "[]\n"},
		{"no row", adapters.Style{Format: "json"}, []*adapters.Table{{Columns: full.Columns}}, "[]\n"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := encode(t, tt.style, tt.tables...)
			if err != nil || got != tt.want {
				t.Errorf("got %s, %v; want %s", got, err, tt.want)
			}
			if tt.style.Format == "json" && !stdjson.Valid([]byte(got)) {
				t.Errorf("%s is no JSON", got)
			}
		})
	}
}

func TestEncoder_RefusesWhatDoesNotFit(t *testing.T) {
	tests := []struct {
		name string
		in   *adapters.Table
		want string
	}{
		{"number", table(adapters.Cell{}, adapters.Cell{Text: "82,5"}, adapters.Cell{}, adapters.Cell{}, adapters.Cell{}, adapters.Cell{}),
			`write row 1: column "toe": wanted a number of JSON, got "82,5": invalid`},
		{"truth", table(adapters.Cell{}, adapters.Cell{}, adapters.Cell{}, adapters.Cell{Text: "yes"}, adapters.Cell{}, adapters.Cell{}),
			`write row 1: column "dd": wanted true or false, got "yes": invalid`},
		{"text", table(adapters.Cell{Text: "\xff"}, adapters.Cell{}, adapters.Cell{}, adapters.Cell{}, adapters.Cell{}, adapters.Cell{}),
			`write row 1: column "tag": "\xff" is not UTF-8: invalid`},
		{"columns", &adapters.Table{Columns: []adapters.Column{{Name: "a"}, {Name: "a.b"}}}, `write table: column "a.b": another column has that name or is part of it: invalid`},
		{"name", &adapters.Table{Columns: []adapters.Column{{Name: "a..b"}}}, `write table: column "a..b": a name between points is empty: invalid`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := encode(t, adapters.Style{Format: "ndjson"}, tt.in)
			if err == nil || err.Error() != tt.want || !errors.Is(err, events.ErrInvalid) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
			if got != "" {
				t.Errorf("wrote %q of a table that was refused", got)
			}
		})
	}
}
