package main

import (
	"bytes"
	"strings"
	"testing"

	"dewclaw/events/worklist"
)

// The name of a farm stands at the edge of each sheet as it is, and ends neither the
// string nor the style it stands in. The escapes are those of CSS Level 2.2, 4.1.3:
// a backslash and six hexadecimal digits.
func TestListPage_NamesTheFarmOnEachSheet(t *testing.T) {
	tests := []struct{ name, want string }{
		{"North Barn", `"North Barn, 2026-03-10, for the vet"`},
		{"North: the old one", `"North: the old one, 2026-03-10, for the vet"`},
		{"Ferme d'Aulnaie", `"Ferme d\000027Aulnaie, 2026-03-10, for the vet"`},
		{`a"b\c`, `"a\000022b\00005cc, 2026-03-10, for the vet"`},
		{"</style>", `"\00003c\00002fstyle\00003e, 2026-03-10, for the vet"`},
	}
	for _, tt := range tests {
		var b bytes.Buffer
		l := &worklist.List{Name: tt.name, Day: "2026-03-10", For: worklist.Vet, ValidUntil: "2026-03-11T00:00:00+01:00"}
		if err := listPage(&b, l, "a4"); err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{"@top-left { content: " + tt.want + ";", `@top-right { content: "valid until 2026-03-11 00:00";`} {
			if !strings.Contains(b.String(), want) {
				t.Errorf("%s: the page has no %s:\n%.900s", tt.name, want, b.String())
			}
		}
	}
}
