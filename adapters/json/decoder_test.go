package json

import (
	"bytes"
	stdjson "encoding/json"
	"errors"
	"fmt"
	"io"
	"reflect"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dewclaw/adapters"
	"dewclaw/events"
)

func tryRead(r io.Reader, l adapters.Layout, chunk int) ([]adapters.Row, error) {
	d, err := NewDecoder(r, l)
	if err != nil {
		return nil, err
	}
	if _, err := d.Head(); err != nil {
		return nil, err
	}
	var rows []adapters.Row
	for {
		rows, err = d.Read(rows, chunk)
		if err == io.EOF {
			return rows, nil
		}
		if err != nil {
			return rows, err
		}
	}
}

func show(r adapters.Row) string {
	s := fmt.Sprint(r.Line)
	if r.LastLine > 0 {
		s += fmt.Sprintf("-%d", r.LastLine)
	}
	if r.Fault != nil {
		return s + " FAULT " + r.Fault.String()
	}
	if r.First {
		s += " first"
	}
	return s + fmt.Sprintf(" %s %s = %v", r.Path, r.Text, r.Value)
}

func TestDecoder_SplitsWhatDevicesWrite(t *testing.T) {
	nd, js := adapters.Layout{Format: "ndjson"}, adapters.Layout{Format: "json"}
	each := func(l adapters.Layout, path string) adapters.Layout { l.Each = path; return l }
	deep := strings.Repeat("[", maxDepth+1) + strings.Repeat("]", maxDepth+1)
	tests := []struct {
		name   string
		layout adapters.Layout
		in     string
		want   []string
	}{
		{"lines, blank ones skipped", nd, "{\"a\":1}\r\n\n  \n{\"a\":\"x\"}", []string{`1 first  {"a":1} = map[a:1]`, `4 first  {"a":"x"} = map[a:x]`}},
		{"byte order mark", nd, "\ufeff{\"a\":1}\n", []string{`1 first  {"a":1} = map[a:1]`}},
		{"a broken line costs itself", nd, "{\"a\":1\n{\"a\":2}\n{\"a\":3}}\n", []string{
			`1 FAULT row: wanted "," or "}", got the end of the text, as if it were cut off, at line 1, byte 7`,
			`2 first  {"a":2} = map[a:2]`, `3 FAULT row: wanted the end of the text, got '}' at line 3, byte 8`}},
		{"a name twice (RFC 7493 section 2.3)", nd, `{"a":1,"b":{"c":1,"c":2}}`, []string{
			`1 FAULT row: wanted every name once (RFC 7493), got "c" twice at line 1, byte 19`}},
		{"names are compared unescaped (RFC 8259 section 8.3)", nd, `{"a":1,"\u0061":2}`, []string{
			`1 FAULT row: wanted every name once (RFC 7493), got "a" twice at line 1, byte 8`}},
		{"a lone surrogate (RFC 7493 section 2.1)", nd, `{"a":"x\ud83d"}`, []string{
			`1 FAULT row: wanted both halves of a surrogate pair, got "\\ud83d" at line 1, byte 8`}},
		{"a surrogate pair", nd, `["\ud83d\udc04"]`, []string{`1 first  ["\ud83d\udc04"] = [🐄]`}},
		{"bytes that are no UTF-8", nd, "[\"a\xe4\"]\n[1]", []string{"1 FAULT row: wanted text in utf-8, got byte 0xE4 at line 1, byte 4", "2 first  [1] = [1]"}},
		{"a number that would do harm", nd, "[1e1000001]\n[" + strings.Repeat("7", 200_000) + "]\n[1]", []string{
			"1 FAULT row: wanted a number of at most 64 characters with an exponent within ±400, got 1e1000001 (9 characters) at line 1, byte 2",
			"2 FAULT row: wanted a number of at most 64 characters with an exponent within ±400, got 77777777777777777777… (200000 characters) at line 2, byte 2",
			"3 first  [1] = [1]"}},
		{"2^53+1 and trailing zeros stay", nd, "[9007199254740993,-0,1.50,840003141592653]", []string{"1 first  [9007199254740993,-0,1.50,840003141592653] = [9007199254740993 -0 1.50 840003141592653]"}},
		{"NaN", nd, "[NaN]", []string{"1 FAULT row: wanted a value, got 'N' at line 1, byte 2"}},
		{"nesting", nd, deep, []string{"1 FAULT row: wanted nesting of at most 100, got more at line 1, byte 101"}},
		{"a control character in a text", nd, "[\"a\tb\"]", []string{"1 FAULT row: wanted an escape in a text, got a control character at line 1, byte 4"}},
		{"a leading zero", nd, "[007]", []string{`1 FAULT row: wanted a number, got "007]" at line 1, byte 2`}},

		{"an array, element by element", js, " [ {\"a\":1},\n{\"a\":\n2}\n, 3,\"x\" ]\n", []string{
			`1 first  {"a":1} = map[a:1]`, "2-3 first  {\"a\":\n2} = map[a:2]", `4 first  3 = 3`, `4 first  "x" = x`}},
		{"an empty array", js, "[ ]", nil},
		{"an element broken inside costs itself", js, "[{\"a\":1 \"b\"},\n {\"a\":1,\"a\":2},\n{\"a\":3}]", []string{
			`1 FAULT row: wanted "," or "}", got '"' at line 1, byte 9`,
			`2 FAULT row: wanted every name once (RFC 7493), got "a" twice at line 2, byte 9`, `3 first  {"a":3} = map[a:3]`}},
		{"elements that cannot be told apart", js, "[{\"a\":1}\n{\"a\":2},{\"a\":3}]", []string{
			`1 first  {"a":1} = map[a:1]`, `2 FAULT file: wanted "," or "]" behind the element, got "{\"a\":2},{\"a\":3}]" at line 2`}},
		{"an array that is cut", js, "[{\"a\":1},{\"a\"", []string{
			`1 first  {"a":1} = map[a:1]`, `1 FAULT row: wanted ":" behind the name, got the end of the text, as if it were cut off, at line 1, byte 14`,
			`1 FAULT file: wanted "," or "]" behind the element, got the end of the file at line 1`}},
		{"a comma too many", js, "[1,]", []string{"1 first  1 = 1", `1 FAULT file: wanted an element of the array, got "]" at line 1`}},
		{"text behind the array", js, "[1] [2]", []string{"1 first  1 = 1", `1 FAULT file: wanted the end of the text behind the array, got "[2]" at line 1`}},
		{"one document", js, "\n{\"a\":\n[1]}\n\n", []string{"2-3 first  {\"a\":\n[1]} = map[a:[1]]"}},
		{"a broken document is one record", js, "{\"a\":1,\n\"b\"}", []string{`1-2 FAULT row: wanted ":" behind the name, got '}' at line 2, byte 4`}},
		{"text behind the document", js, "{\"a\":1}\n{\"a\":2}", []string{`1-2 FAULT row: wanted the end of the text, got '{' at line 2, byte 1`}},
		{"an empty file", js, "", []string{"1 FAULT row: wanted a value, got the end of the text at line 1, byte 1"}},

		{"each", each(js, "$.cows[*]"), "{\"day\":1,\n \"cows\":[{\"n\":1},\n  {\"n\":\n 2}]}", []string{
			`2 first $['cows'][0] {"n":1} = map[n:1]`, "3-4 $['cows'][1] {\"n\":\n 2} = map[n:2]"}},
		{"each over an object, in the order of the text", each(js, "$.cows[*]"), `{"cows":{"z":1,"a":2}}`, []string{
			`1 first $['cows']['z'] 1 = 1`, `1 $['cows']['a'] 2 = 2`}},
		{"each that selects nothing", each(js, "$.cows[*]"), `{"day":1,"cows":[]}`, []string{`1 first  {"day":1,"cows":[]} = <nil>`}},
		{"each of a line", each(nd, "$[*]"), "[1,2]\n[]\n[3]", []string{"1 first $[0] 1 = 1", "1 $[1] 2 = 2", "2 first  [] = <nil>", "3 first $[0] 3 = 3"}},
		{"each of the document itself", each(js, "$"), `{"a":1}`, []string{`1 first  {"a":1} = map[a:1]`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, r := range []io.Reader{strings.NewReader(tt.in), iotest.OneByteReader(strings.NewReader(tt.in))} {
				rows, err := tryRead(r, tt.layout, 2)
				if err != nil {
					t.Fatal(err)
				}
				var got []string
				for _, r := range rows {
					got = append(got, show(r))
				}
				if diff := cmp.Diff(tt.want, got); diff != "" {
					t.Errorf("rows (-want +got):\n%s", diff)
				}
			}
		})
	}
}

func TestDecoder_RefusesAnOriginalThatIsNotAsDeclared(t *testing.T) {
	tests := []struct {
		name   string
		layout adapters.Layout
		in     string
		want   string
	}{
		{"UTF-16", adapters.Layout{Format: "json"}, "\xff\xfe[\x00", "encoding: wanted utf-8, the only encoding of JSON (RFC 8259), got a byte order mark of utf-16"},
		{"declared encoding", adapters.Layout{Format: "json", Encoding: "windows-1252"}, "", `encoding: wanted utf-8, the only encoding of JSON (RFC 8259), got "windows-1252"`},
		{"format", adapters.Layout{Format: "csv"}, "", `format: wanted json or ndjson, got "csv"`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := tryRead(strings.NewReader(tt.in), tt.layout, 2); err == nil || err.Error() != tt.want || !errors.Is(err, events.ErrInvalid) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
		})
	}
	if _, err := NewDecoder(nil, adapters.Layout{Format: "json", Each: "$.["}); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("each: got %v", err)
	}
}

func TestDecoder_TellsTheDocumentOfAnElement(t *testing.T) {
	const in = `{"day":"x","cows":[{"n":1},{"n":2}]}`
	rows, err := tryRead(strings.NewReader(in), adapters.Layout{Format: "json", Each: "$.cows[*]"}, 10)
	if err != nil || len(rows) != 2 {
		t.Fatal(rows, err)
	}
	for _, r := range rows {
		if r.DocText != in || r.Doc.(map[string]any)["day"] != "x" {
			t.Errorf("document of %s: got %v, %s", r.Path, r.Doc, r.DocText)
		}
	}
}

// many gives n bytes of x, then the tail.
type many struct {
	n    int64
	tail io.Reader
}

func (z *many) Read(p []byte) (int, error) {
	if z.n == 0 {
		return z.tail.Read(p)
	}
	n := min(int64(len(p)), z.n)
	for i := range p[:n] {
		p[i] = 'x'
	}
	z.n -= n
	return int(n), nil
}

func TestDecoder_HoldsWhatIsTooLargeInBoundedMemory(t *testing.T) {
	const size = 128 << 20
	tests := []struct {
		name         string
		layout       adapters.Layout
		before, tail string
		want         string
	}{
		{"line", adapters.Layout{Format: "ndjson"}, "[1]\n\"", "\"\n[3]\n", "3 first  [3] = [3]"},
		{"element", adapters.Layout{Format: "json"}, "[[1],\n\"", "\"\n,[3]]", "3 first  [3] = [3]"},
		{"document", adapters.Layout{Format: "json", MaxDoc: 8 << 20}, "\"", "\"", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			rows, err := tryRead(io.MultiReader(strings.NewReader(tt.before), &many{n: size, tail: strings.NewReader(tt.tail)}), tt.layout, 10)
			runtime.ReadMemStats(&after)
			if err != nil {
				t.Fatal(err)
			}
			long := rows[0]
			if tt.want != "" {
				long = rows[1]
				if got := show(rows[2]); got != tt.want {
					t.Errorf("row behind: got %s, want %s", got, tt.want)
				}
			}
			if long.Size != size+2 || long.Fault == nil || len(long.Text) != keptOfLong {
				t.Errorf("got size %d, %d bytes of text, fault %v", long.Size, len(long.Text), long.Fault)
			}
			if after.HeapSys > before.HeapSys+64<<20 {
				t.Errorf("the heap grew by %d MiB", (after.HeapSys-before.HeapSys)>>20)
			}
		})
	}
}

func TestDecoder_AnyChunkingGivesTheSameRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		piece := rapid.SampledFrom([]string{"{", "}", "[", "]", `"a"`, `"\ud83d"`, ":", ",", "1", " ", "\n", "true", "\"", "\\", "ü", "\xff", `{"a":[1]}`})
		in := strings.Join(rapid.SliceOfN(piece, 0, 60).Draw(t, "pieces"), "")
		if rapid.Bool().Draw(t, "array") {
			in = "[" + in
		}
		l := adapters.Layout{
			Format: rapid.SampledFrom([]string{"json", "ndjson"}).Draw(t, "format"), Each: rapid.SampledFrom([]string{"", "$[*]"}).Draw(t, "each"),
			MaxRow: rapid.SampledFrom([]int{0, 8}).Draw(t, "max"),
		}
		want, err1 := tryRead(strings.NewReader(in), l, 1000)
		got, err2 := tryRead(iotest.OneByteReader(strings.NewReader(in)), l, rapid.IntRange(1, 5).Draw(t, "chunk"))
		if fmt.Sprint(err1) != fmt.Sprint(err2) {
			t.Fatalf("errors differ: %v, %v", err1, err2)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("rows differ:\n%s", diff)
		}
	})
}

// encoding/json is the outside judge: what is accepted here it accepts with the
// same value, and what it accepts is refused here only for a stated reason.
func FuzzJSON(f *testing.F) {
	seeds := []string{
		`{"a":1,"b":[true,null,"x\n\u00e4\ud83d\udc04"]}`, `[1e400,-0.0,1E+5]`, `"\udc04"`, `{"a":1,"a":2}`, "[1,\n2", "{\"a\":\xff}", `[[[[1]]]]`, " 1 ", `nul`,
	}
	if len(seeds) == 0 {
		f.Fatal("no seeds")
	}
	for i, s := range seeds {
		f.Add([]byte(s), uint8(i))
	}
	stated := []string{"every name once", "surrogate", "utf-8", "exponent", "nesting"}
	f.Fuzz(func(t *testing.T, b []byte, how uint8) {
		got, wrong := parse(string(b), new(span))
		var want any
		d := stdjson.NewDecoder(bytes.NewReader(b))
		d.UseNumber()
		err := d.Decode(&want)
		if err == nil && !stdjson.Valid(b) {
			err = io.ErrUnexpectedEOF
		}
		switch {
		case wrong == nil && err != nil:
			t.Fatalf("%q: accepted, encoding/json says %v", b, err)
		case wrong == nil && !reflect.DeepEqual(got, want):
			t.Fatalf("%q: got %#v, encoding/json %#v", b, got, want)
		case wrong != nil && err == nil:
			for _, s := range stated {
				if strings.Contains(wrong.wanted, s) {
					return
				}
			}
			t.Fatalf("%q: refused: wanted %s, got %s; encoding/json accepts it", b, wrong.wanted, wrong.got)
		case wrong != nil && (wrong.at < 0 || wrong.at > len(b)):
			t.Fatalf("%q: place %d", b, wrong.at)
		}
		l := adapters.Layout{Format: []string{"json", "ndjson"}[how&1], MaxRow: 64, Each: []string{"", "$[*]", "$..a"}[int(how>>1)%3]}
		rows, err := tryRead(bytes.NewReader(b), l, 3)
		if err != nil && rows != nil {
			t.Fatalf("rows beside an error: %v", err)
		}
		last := 0
		for _, r := range rows {
			if r.Line < last || !utf8.ValidString(r.Text) {
				t.Fatalf("row %+v behind line %d", r, last)
			}
			last = r.Line
		}
	})
}

func BenchmarkDecoder(b *testing.B) {
	const n = 50_000
	line := `{"id":"g-0001","cow":"276000941200731","at":"2026-03-05T06:10:11","scale":"0-3","score":2}` + "\n"
	in := strings.Repeat(line, n)
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		rows, err := tryRead(strings.NewReader(in), adapters.Layout{Format: "ndjson"}, 512)
		if err != nil || len(rows) != n {
			b.Fatal(len(rows), err)
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
