package mapping

import (
	"strings"
	"testing"

	"dewclaw/adapters"
)

func TestStart_TellsWhatIsWrongWithAHeader(t *testing.T) {
	const text = `
mapping: header
direction: in
dates: YYYY-MM-DD
read: {format: csv, delimiter: ";"}
record: {identifier: [herd-number]}
animal: {herd-number: "K\u00fche"}
occurred: {date: day}
events:
  - columns: "(?P<foot>LF|RF) ulcer"
    if: {.: x}
    lesion: {code: =SU, foot: {name: foot}, claw: =unknown}
`
	in, err := ParseInward("header.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ name, header, want string }{
		{"as it should be", "K\u00fche;day;LF ulcer;RF ulcer", ""},
		{"an accent apart (NFD, Unicode UAX 15)", "Ku\u0308he;day;LF ulcer", ""},
		{"a column twice that columns find", "K\u00fche;day;LF ulcer;LF ulcer", `wanted the columns "LF ulcer", got "LF ulcer" twice`},
		{"a column twice that nothing reads", "K\u00fche;day;x;x", ""},
		{"another delimiter", "K\u00fche,day,LF ulcer", `the line has 2 ',' and no ';' (read: {delimiter: ","})`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d, err := formats["csv"](strings.NewReader(tt.header+"\n"), in.Layout())
			if err != nil {
				t.Fatal(err)
			}
			var head adapters.Head
			if head, err = d.Head(); err != nil {
				t.Fatal(err)
			}
			_, err = in.Start(job("header", "larkfield"), head)
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
}
