package mapping

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/schema"
)

// mappings returns the text of every mapping of direction in that tests have.
func mappings(t testing.TB) [][]byte {
	t.Helper()
	var out [][]byte
	for _, glob := range []string{"testdata/language/*.yaml", samples + "/*.yaml", "../../testdata/bench/*.yaml"} {
		files, err := filepath.Glob(glob)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, b)
		}
	}
	if len(out) < 10 {
		t.Fatalf("saw %d seeds", len(out))
	}
	return out
}

// mapBytes reads and maps b, and fails on what must never be: a fault of the
// program, a draft beside a reason, text that is none.
func mapBytes(t *testing.T, in *Inward, b []byte) {
	l := in.Layout()
	l.MaxRow, l.MaxDoc = 4096, 1<<16
	d := decoder(t, l, bytes.NewReader(b))
	head, err := d.Head()
	if err != nil {
		return
	}
	run, err := in.Start(job("fuzz", "larkfield"), head)
	if err != nil {
		return
	}
	m := run.Mapper()
	var rows []adapters.Row
	for err == nil {
		rows, err = d.Read(rows, 7)
	}
	if err != io.EOF {
		t.Fatal(err)
	}
	read := 0
	for _, r := range m.Flush(m.Map(rows, nil)) {
		read += r.Rows
		for i := range r.Drafts {
			dr := &r.Drafts[i]
			if v := schema.Check(dr.Kind, dr.Data); len(v) > 0 && !partial(v) {
				t.Fatalf("line %d: %s\n%s\n%v", r.Line, dr.Kind, dr.Data, v)
			}
			if _, err := events.DecodePayload(dr.Kind, dr.Data); err != nil {
				t.Fatal(err)
			}
		}
		if (r.Outcome == adapters.Held) != (r.Held != nil) || r.Held != nil && (len(r.Drafts) > 0 || len(r.Held.Reasons) == 0) {
			t.Fatalf("record %+v", r)
		}
		if r.Held != nil {
			for _, x := range r.Held.Reasons {
				if strings.Contains(x.Got, "a fault of the program") {
					t.Fatalf("line %d: %s", r.Line, x)
				}
			}
		}
	}
	if read < len(rows) {
		t.Fatalf("%d rows are in records, %d were read", read, len(rows))
	}
	run.End()
}

// partial reports whether the schema refuses what only it looks at: how fields
// of one event go together, and lengths of texts.
func partial(v []schema.Violation) bool {
	for _, x := range v {
		switch x.Keyword {
		case "enum", "pattern", "type", "const", "format":
			return false
		}
	}
	return true
}

func FuzzMap(f *testing.F) {
	seeds := 0
	var all []*Inward
	for _, b := range mappings(f) {
		in, err := ParseInward("fuzz.yaml", b)
		if err != nil {
			f.Fatal(err)
		}
		all = append(all, in)
	}
	for i := range all {
		for _, s := range inputs {
			b, err := os.ReadFile(filepath.Join(samples, s.file))
			if err != nil {
				f.Fatal(err)
			}
			f.Add(uint8(i), b)
			seeds++
		}
	}
	files, err := filepath.Glob("testdata/language/*.txtar")
	if err != nil {
		f.Fatal(err)
	}
	for i, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		_, b, _ = bytes.Cut(b, []byte(" --\n"))
		f.Add(uint8(i), b)
		seeds++
	}
	if seeds == 0 {
		f.Fatal("no seeds")
	}
	f.Fuzz(func(t *testing.T, which uint8, b []byte) {
		if len(b) > 1<<16 {
			return
		}
		mapBytes(t, all[int(which)%len(all)], b)
	})
}

func FuzzParseInward(f *testing.F) {
	for _, b := range mappings(f) {
		f.Add(b)
	}
	files, err := filepath.Glob("testdata/mistakes/*.txtar")
	if err != nil || len(files) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<14 {
			return
		}
		if _, err := ParseOutward("fuzz.yaml", b); err == nil && !bytes.Contains(b, []byte("out")) {
			t.Fatal("an outward mapping that does not say so")
		}
		in, err := ParseInward("fuzz.yaml", b)
		if (in == nil) != (err != nil) {
			t.Fatalf("got %v and %v", in, err)
		}
		if err != nil {
			return
		}
		// A row of its own columns, and a document.
		var names []string
		for _, c := range in.columns {
			if c.number == 0 && !strings.ContainsAny(c.name, "\"\r\n") {
				names = append(names, c.name)
			}
		}
		d := string(in.Layout().Delimiter)
		line := strings.Join(names, d)
		mapBytes(t, in, []byte(strings.Repeat("title\n", in.Layout().Titles)+line+"\n"+line+"\n"))
		mapBytes(t, in, []byte(`{"a":1,"found":[{"what":"x"}]}`))
	})
}
