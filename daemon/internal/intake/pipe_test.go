package intake

import (
	"fmt"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/events"
)

// A touchyMapper groups rows by their first letter and panics at rows with "!";
// with "?" it panics when the group closes.
type touchyMapper struct {
	grouped bool
	open    []adapters.Row
}

func (m *touchyMapper) Raw(*adapters.Row) events.Digest { return events.Digest{} }

func (m *touchyMapper) Map(rows []adapters.Row, out []adapters.Record) []adapters.Record {
	for _, r := range rows {
		if strings.Contains(r.Text, "!") {
			panic("touched")
		}
		if !m.grouped {
			out = append(out, adapters.Record{Outcome: adapters.Mapped, Line: r.Line, Rows: 1, Why: r.Text})
			continue
		}
		if len(m.open) > 0 && m.open[0].Text[0] != r.Text[0] {
			out = m.Flush(out)
		}
		m.open = append(m.open, r)
	}
	return out
}

func (m *touchyMapper) Flush(out []adapters.Record) []adapters.Record {
	if len(m.open) == 0 {
		return out
	}
	text := ""
	for _, r := range m.open {
		text += r.Text
	}
	if strings.Contains(text, "?") {
		panic("touched at the end")
	}
	rec := adapters.Record{Outcome: adapters.Mapped, Line: m.open[0].Line, LastLine: m.open[len(m.open)-1].Line, Rows: len(m.open), Why: text}
	m.open = nil
	return append(out, rec)
}

// A panic holds the rows it was about, and every other row is mapped.
func TestSafeMapper_APanicCostsItsOwnRows(t *testing.T) {
	tests := []struct {
		name, rows string
		grouped    bool
		want       string
	}{
		{"none", "a b c", false, "a b c"},
		{"one row", "a b! c", false, "a held:2 c"},
		{"the last row", "a b c!", false, "a b held:3"},
		{"groups", "a a b", true, "aa b"},
		{"a row of a group takes its group with it", "a a! b b", true, "held:1 held:2 bb"},
		{"between groups", "a a b! c", true, "held:1 held:2 held:3 c"},
		{"when a group closes", "a a? b c", true, "held:1 held:2 held:3 c"},
		{"when the last group closes", "a b b?", true, "a held:2 held:3"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			panics := 0
			s := &safeMapper{
				source: "s", grouped: tt.grouped, start: func() mapper { return &touchyMapper{grouped: tt.grouped} },
				panics: func(any, []byte) { panics++ },
			}
			var rows []adapters.Row
			for i, text := range strings.Fields(tt.rows) {
				rows = append(rows, adapters.Row{Line: i + 1, Text: text})
			}
			var got []string
			for _, rec := range s.flush(s.mapRows(rows, nil)) {
				if rec.Outcome == adapters.Held {
					got = append(got, fmt.Sprint("held:", rec.Line))
					if rec.Held.ID != events.HeldID("s", []byte(rec.Held.Raw)) || len(rec.Held.Reasons) == 0 {
						t.Errorf("held %+v: wanted an id of its raw text, and a reason", rec.Held)
					}
					continue
				}
				got = append(got, rec.Why)
			}
			if g := strings.Join(got, " "); g != tt.want {
				t.Errorf("got %q, want %q", g, tt.want)
			}
			if touched := strings.ContainsAny(tt.rows, "!?"); touched != (panics > 0) {
				t.Errorf("%d panics were told", panics)
			}
		})
	}
}

// A decoder that panics ends the original with an error that holds it.
func TestReadRows_ADecoderThatPanicsSpoilsTheOriginal(t *testing.T) {
	told := 0
	_, err := readRows(brokenDecoder{}, 4, func(any, []byte) { told++ })
	if err == nil || !strings.Contains(err.Error(), "can be split") || told != 1 {
		t.Errorf("got %v, told %d times", err, told)
	}
}

type brokenDecoder struct{}

func (brokenDecoder) Head() (adapters.Head, error) { return adapters.Head{}, nil }
func (brokenDecoder) Read([]adapters.Row, int) ([]adapters.Row, error) {
	panic("broken")
}
