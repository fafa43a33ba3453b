package csv

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/text/encoding/unicode"
	"pgregory.net/rapid"

	"dewclaw/adapters"
	"dewclaw/events"
)

// read decodes b whole; chunk is how many rows are asked for at once.
func read(t testing.TB, b []byte, l adapters.Layout, chunk int) (adapters.Head, []adapters.Row) {
	t.Helper()
	h, rows, err := tryRead(bytes.NewReader(b), l, chunk)
	if err != nil {
		t.Fatal(err)
	}
	return h, rows
}

func tryRead(r io.Reader, l adapters.Layout, chunk int) (adapters.Head, []adapters.Row, error) {
	d, err := NewDecoder(r, l)
	if err != nil {
		return adapters.Head{}, nil, err
	}
	h, err := d.Head()
	if err != nil {
		return h, nil, err
	}
	var rows []adapters.Row
	for {
		rows, err = d.Read(rows, chunk)
		if err == io.EOF {
			return h, rows, nil
		}
		if err != nil {
			return h, rows, err
		}
	}
}

// show writes a row as one line: its lines, its cells, its fault.
func show(r adapters.Row) string {
	s := fmt.Sprint(r.Line)
	if r.LastLine > 0 {
		s += fmt.Sprintf("-%d", r.LastLine)
	}
	if r.Fault != nil {
		return s + " FAULT " + r.Fault.String()
	}
	return s + fmt.Sprintf(" %q", r.Cells)
}

func TestDecoder_SplitsWhatDevicesWrite(t *testing.T) {
	csv := adapters.Layout{Format: "csv", Header: true}
	tests := []struct {
		name   string
		layout adapters.Layout
		in     string
		want   []string
	}{
		// RFC 4180, section 2, rules 1 to 7
		{"rule 1: CRLF", csv, "a,b\r\naaa,bbb\r\nzzz,yyy\r\n", []string{`2 ["aaa" "bbb"]`, `3 ["zzz" "yyy"]`}},
		{"rule 2: no line end at the end", csv, "a,b\r\naaa,bbb\r\nzzz,yyy", []string{`2 ["aaa" "bbb"]`, `3 ["zzz" "yyy"]`}},
		{"rule 5: quotes", csv, "a,b\r\n\"aaa\",bbb\r\n", []string{`2 ["aaa" "bbb"]`}},
		{"rule 6: line end and comma in a cell", csv, "a,b\r\n\"b\r\nb,b\",ccc\r\nx,y\r\n", []string{`2-3 ["b\r\nb,b" "ccc"]`, `4 ["x" "y"]`}},
		{"rule 7: doubled quote", csv, "a,b\r\n\"aa\"\"a\",bb\r\n", []string{`2 ["aa\"a" "bb"]`}},
		{"empty quoted cells", csv, "a,b\n\"\",\"\"\n", []string{`2 ["" ""]`}},

		{"LF, lone CR and CRLF mixed", csv, "a,b\r1,2\n3,4\r\n5,6\r7,8", []string{`2 ["1" "2"]`, `3 ["3" "4"]`, `4 ["5" "6"]`, `5 ["7" "8"]`}},
		{"spaces are kept", csv, "a,b\n x , y\n", []string{`2 [" x " " y"]`}},
		{"blank lines are skipped and counted", csv, "a,b\n\n1,2\n   \n3,4\n\n", []string{`3 ["1" "2"]`, `5 ["3" "4"]`}},
		{"a quote inside a cell is a character", csv, "a,b\n5\" block,x\n", []string{`2 ["5\" block" "x"]`}},
		{"too few and too many cells", csv, "a,b,c\n1,2\n1,2,3,4\n1,2,3\n", []string{
			"2 FAULT row: wanted 3 cells as in the header, got 2", "3 FAULT row: wanted 3 cells as in the header, got 4", `4 ["1" "2" "3"]`}},
		{"cut last row", csv, "a,b,c\n1,2,3\n1,2", []string{
			`2 ["1" "2" "3"]`, "3 FAULT row: wanted 3 cells as in the header, got 2 on the last line, which has no line end: the file may be cut off"}},
		{"an unclosed quote costs its line only", csv, "a,b\n\"x,1\n2,3\n4,5\n", []string{
			"2 FAULT row: wanted quotes as in RFC 4180, got a quote at byte 1 that is never closed", `3 ["2" "3"]`, `4 ["4" "5"]`}},
		{"an unclosed quote before a proper one", csv, "a,b\n\"x,1\n2,\"q, r\"\n4,5\n", []string{
			"2 FAULT row: wanted quotes as in RFC 4180, got a quote at byte 1 that is never closed", `3 ["2" "q, r"]`, `4 ["4" "5"]`}},
		{"a spanning cell must give the right number of cells", csv, "a,b\n\"x,1\n2\",3,4\n4,5\n", []string{
			"2 FAULT row: wanted quotes as in RFC 4180, got a quote at byte 1 that is never closed",
			"3 FAULT row: wanted 2 cells as in the header, got 3", `4 ["4" "5"]`}},
		{"text behind a closing quote", csv, "a,b\n\"x\"y,1\n2,3\n", []string{
			"2 FAULT row: wanted quotes as in RFC 4180, got text behind the closing quote at byte 3", `3 ["2" "3"]`}},
		{"a NUL", csv, "a,b\n1\x00,2\n3,4\n", []string{
			"2 FAULT row: wanted text in utf-8, got a NUL character at byte 6 of the file (byte 2 of the line)", `3 ["3" "4"]`}},
		{"a byte that is no UTF-8", csv, "a,b\n1,2\n3,\xe4\n5,6\n", []string{
			`2 ["1" "2"]`, "3 FAULT row: wanted text in utf-8, got byte 0xE4 at byte 11 of the file (byte 3 of the line)", `4 ["5" "6"]`}},
		{"UTF-8 with BOM", csv, "\xef\xbb\xbfa,b\n1,ß\n", []string{`2 ["1" "ß"]`}},
		{"tabs", adapters.Layout{Format: "csv", Header: true, Delimiter: '\t'}, "a\tb\n1\t2\n\t\n", []string{`2 ["1" "2"]`, `3 ["" ""]`}},
		{"a delimiter of two bytes", adapters.Layout{Format: "csv", Header: true, Delimiter: '¦'}, "a¦b\n1¦\"2¦3\"\n", []string{`2 ["1" "2¦3"]`}},
		{"names but no header", adapters.Layout{Format: "csv", Columns: []string{"a", "b"}}, "1,2\n3\n", []string{
			`1 ["1" "2"]`, "2 FAULT row: wanted 2 cells as declared, got 1"}},
		{"neither header nor names", adapters.Layout{Format: "csv"}, "1,2\n3\n4,5\n", []string{
			`1 ["1" "2"]`, "2 FAULT row: wanted 2 cells as in the first row, got 1", `3 ["4" "5"]`}},
		{"titles", adapters.Layout{Format: "csv", Header: true, Titles: 2}, "List 7\nmade \"today\na,b\n1,2\n", []string{`4 ["1" "2"]`}},
		{"a header with a line end in a name", csv, "\"a\nx\",b\n1,2\n", []string{`3 ["1" "2"]`}},
		{"windows-1252", adapters.Layout{Format: "csv", Header: true, Encoding: "windows-1252"}, "a,b\n\xdf\x80,\x93\n\x81,2\n", []string{
			`2 ["ß€" "“"]`, "3 FAULT row: wanted text in windows-1252, got byte 0x81 at byte 10 of the file (byte 1 of the line)"}},
		{"iso-8859-1", adapters.Layout{Format: "csv", Header: true, Encoding: "iso-8859-1"}, "a,b\n\xe4,\xa4\n\x80,2\n", []string{
			`2 ["ä" "¤"]`, "3 FAULT row: wanted text in iso-8859-1, got byte 0x80 at byte 9 of the file (byte 1 of the line)"}},
		{"iso-8859-15", adapters.Layout{Format: "csv", Header: true, Encoding: "iso-8859-15"}, "a,b\n\xa4,\xbe\n", []string{`2 ["€" "Ÿ"]`}},
		{"the guard is taken off", adapters.Layout{Format: "csv", Header: true, Guard: true}, "a,b\n'=1+1,'s\n\"'@x\",''-y\n", []string{`2 ["=1+1" "'s"]`, `3 ["@x" "'-y"]`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, r := range []io.Reader{strings.NewReader(tt.in), iotest.OneByteReader(strings.NewReader(tt.in))} {
				_, rows, err := tryRead(r, tt.layout, 1)
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

func TestDecoder_KeepsTheBytesOfWhatIsNoText(t *testing.T) {
	tests := []struct {
		name, encoding string
		in, want       string
	}{
		{"utf-8", "utf-8", "a\n\xff\xc3\n", "\xff\xc3"},
		{"windows-1252", "windows-1252", "a\n\xe4\x9d\xdf\n", "\xe4\x9d\xdf"},
		{"utf-16le, a lone surrogate", "utf-16le", "a\x00\n\x00\x00\xd8x\x00\n\x00", "\x00\xd8x\x00"},
		{"utf-16be, half a character", "utf-16be", "\x00a\x00\n\x00x\x00\xe4\x05", "\x00x\x00\xe4\x05"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, rows := read(t, []byte(tt.in), adapters.Layout{Format: "csv", Header: true, Encoding: tt.encoding}, 10)
			if len(rows) != 1 || rows[0].Fault == nil {
				t.Fatalf("got %v, want one faulty row", rows)
			}
			if string(rows[0].Bytes) != tt.want {
				t.Errorf("bytes: got %q, want %q", rows[0].Bytes, tt.want)
			}
		})
	}
}

// The encoder of golang.org/x/text is the outside judge of UTF-16.
func TestDecoder_ReadsUTF16(t *testing.T) {
	const in = "tag,note\r\n1,Größe\r\n2,🐄 x\n"
	for _, tt := range []struct {
		declared string
		order    unicode.Endianness
		mark     unicode.BOMPolicy
	}{
		{"utf-16", unicode.LittleEndian, unicode.UseBOM},
		{"utf-16", unicode.BigEndian, unicode.UseBOM},
		{"utf-16le", unicode.LittleEndian, unicode.IgnoreBOM},
		{"utf-16be", unicode.BigEndian, unicode.IgnoreBOM},
		{"utf-16be", unicode.BigEndian, unicode.UseBOM},
	} {
		b, err := unicode.UTF16(tt.order, tt.mark).NewEncoder().Bytes([]byte(in))
		if err != nil {
			t.Fatal(err)
		}
		h, rows := read(t, b, adapters.Layout{Format: "csv", Header: true, Encoding: tt.declared}, 10)
		if !slices.Equal(h.Columns, []string{"tag", "note"}) || len(rows) != 2 || rows[0].Cells[1] != "Größe" || rows[1].Cells[1] != "🐄 x" {
			t.Errorf("%s: got %v %v", tt.declared, h, rows)
		}
	}
}

func TestDecoder_RefusesAFileThatIsNotAsDeclared(t *testing.T) {
	tests := []struct {
		name   string
		layout adapters.Layout
		in     string
		want   string
	}{
		{"UTF-8 mark", adapters.Layout{Format: "csv", Encoding: "windows-1252"}, "\xef\xbb\xbfa\n", "encoding: wanted windows-1252 as declared, got a byte order mark of utf-8"},
		{"UTF-16 mark", adapters.Layout{Format: "csv"}, "\xff\xfea\x00", "encoding: wanted utf-8 as declared, got a byte order mark of utf-16le"},
		{"other byte order", adapters.Layout{Format: "csv", Encoding: "utf-16le"}, "\xfe\xff\x00a", "encoding: wanted utf-16le as declared, got a byte order mark of utf-16be"},
		{"UTF-32 mark", adapters.Layout{Format: "csv", Encoding: "utf-16"}, "\xff\xfe\x00\x00a\x00\x00\x00", "encoding: wanted utf-16 as declared, got a byte order mark of utf-32le"},
		{"no mark", adapters.Layout{Format: "csv", Encoding: "utf-16"}, "a\x00", "encoding: wanted utf-16 with a byte order mark, got none"},
		{"empty", adapters.Layout{Format: "csv", Header: true}, "", "line 1: wanted the header, got the end of the file"},
		{"no header behind the titles", adapters.Layout{Format: "csv", Header: true, Titles: 1}, "List\n", "line 2: wanted the header, got the end of the file"},
		{"header in another encoding", adapters.Layout{Format: "csv", Header: true}, "Fu\xdf,b\n", "line 1: wanted text in utf-8, got byte 0xDF at byte 3 of the file (byte 3 of the line)"},
		{"open quote in the header", adapters.Layout{Format: "csv", Header: true}, "\"a,b\n1,2\n", "line 1: wanted a header with proper quotes, got a quote that is never closed"},
		{"format", adapters.Layout{Format: "json"}, "", `format: wanted csv, got "json"`},
		{"unknown encoding", adapters.Layout{Format: "csv", Encoding: "ebcdic"}, "", `encoding: wanted ` + encodings + `, got "ebcdic"`},
		{"delimiter", adapters.Layout{Format: "csv", Delimiter: '"'}, "", `delimiter: wanted one character that is no quote and no line end, got '"'`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, rows, err := tryRead(strings.NewReader(tt.in), tt.layout, 10)
			if err == nil || err.Error() != tt.want || !errors.Is(err, events.ErrInvalid) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
			if rows != nil {
				t.Errorf("got %d rows with an error", len(rows))
			}
		})
	}
}

func TestDecoder_TellsDuplicateColumnsAsTheyAre(t *testing.T) {
	h, _ := read(t, []byte(" a ,b,a\n1,2,3\n"), adapters.Layout{Format: "csv", Header: true}, 10)
	if !slices.Equal(h.Columns, []string{"a", "b", "a"}) || h.Line != 1 {
		t.Errorf("got %+v", h)
	}
}

func TestDecoder_ReadsTitlesAndHeaderInTheDeclaredEncoding(t *testing.T) {
	b := []byte("Liste Stall 2\r\nerstellt 04.03.2026\r\nOhrmarke;Fu\xdf;L\xe4nge (mm)\r\nDE 09;HR;78,5\r\nDE 10;HL;77,0\r\n")
	h, rows := read(t, b, adapters.Layout{Format: "csv", Header: true, Titles: 2, Delimiter: ';', Encoding: "windows-1252"}, 3)
	want := adapters.Head{
		Titles: []string{"Liste Stall 2", "erstellt 04.03.2026"}, Columns: []string{"Ohrmarke", "Fuß", "Länge (mm)"}, Line: 3,
	}
	if diff := cmp.Diff(want, h); diff != "" {
		t.Errorf("head (-want +got):\n%s", diff)
	}
	if rows[0].Line != 4 || !rows[0].First || rows[1].First || rows[1].Text != "DE 10;HL;77,0" {
		t.Errorf("rows: got %+v", rows)
	}
}

// zeros gives n bytes of x, then the tail.
type zeros struct {
	n    int64
	tail io.Reader
}

func (z *zeros) Read(p []byte) (int, error) {
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

func TestDecoder_HoldsALineOfAGigabyteInBoundedMemory(t *testing.T) {
	const size = 1 << 30
	r := io.MultiReader(strings.NewReader("a,b\n1,2\n"), &zeros{n: size, tail: strings.NewReader("\r\n3,4\n")})
	d, err := NewDecoder(r, adapters.Layout{Format: "csv", Header: true})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Head(); err != nil {
		t.Fatal(err)
	}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	rows, err := d.Read(nil, 10)
	runtime.ReadMemStats(&after)
	if err != io.EOF || len(rows) != 3 {
		t.Fatalf("got %d rows, %v", len(rows), err)
	}
	long := rows[1]
	if long.Size != size || len(long.Text) != keptOfLong || long.Fault == nil || long.Line != 3 {
		t.Errorf("long row: size %d, text %d bytes, fault %v, line %d", long.Size, len(long.Text), long.Fault, long.Line)
	}
	if show(rows[2]) != `4 ["3" "4"]` {
		t.Errorf("row behind it: %s", show(rows[2]))
	}
	if peak := after.HeapSys - before.HeapSys; after.HeapSys > before.HeapSys && peak > 64<<20 {
		t.Errorf("the heap grew by %d MiB", peak>>20)
	}
}

func TestDecoder_ALongQuotedCellIsBounded(t *testing.T) {
	var b strings.Builder
	b.WriteString("a,b\n\"")
	for range spanLines {
		b.WriteString("x\n")
	}
	b.WriteString("\",1\n7,8\n")
	_, rows := read(t, []byte(b.String()), adapters.Layout{Format: "csv", Header: true}, 100)
	if rows[0].Fault == nil || rows[0].LastLine != 0 {
		t.Errorf("a cell over %d line ends: got %s", spanLines, show(rows[0]))
	}
	if got := show(rows[len(rows)-1]); got != fmt.Sprintf(`%d ["7" "8"]`, spanLines+3) {
		t.Errorf("last row: got %s", got)
	}
}

// The decoder gives the same rows however the reader cuts the bytes and however
// many rows are asked for, with rows that lie over the border of blocks.
func TestDecoder_AnyChunkingGivesTheSameRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		piece := rapid.SampledFrom([]string{"a", "ü", ",", "\"", "\"\"", "\n", "\r\n", "\r", " ", "\xff", "\x00", "12", "\"x\ny\""})
		b := []byte("h1,h2\n" + strings.Join(rapid.SliceOfN(piece, 0, 200).Draw(t, "pieces"), ""))
		encoding := rapid.SampledFrom([]string{"utf-8", "windows-1252", "utf-16le"}).Draw(t, "encoding")
		if encoding == "utf-16le" {
			var err error
			if b, err = unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewEncoder().Bytes(b); err != nil {
				t.Fatal(err)
			}
		}
		l := adapters.Layout{Format: "csv", Header: true, Encoding: encoding, MaxRow: rapid.SampledFrom([]int{0, 20}).Draw(t, "max")}
		_, want, err1 := tryRead(bytes.NewReader(b), l, 1000)
		_, got, err2 := tryRead(iotest.OneByteReader(bytes.NewReader(b)), l, rapid.IntRange(1, 7).Draw(t, "chunk"))
		if fmt.Sprint(err1) != fmt.Sprint(err2) {
			t.Fatalf("errors differ: %v, %v", err1, err2)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("rows differ:\n%s", diff)
		}
	})
}

func TestDecoder_RowsOverTheBorderOfBlocks(t *testing.T) {
	var b strings.Builder
	b.WriteString("n,text\r\n")
	const n = 30000
	for i := range n {
		fmt.Fprintf(&b, "%d,\"%s\r\n\"\"%d\"\"\"\r\n", i, strings.Repeat("ä", i%40), i)
	}
	_, rows := read(t, []byte(b.String()), adapters.Layout{Format: "csv", Header: true}, 500)
	if len(rows) != n {
		t.Fatalf("got %d rows, want %d", len(rows), n)
	}
	for i, r := range rows {
		want := fmt.Sprintf("%s\r\n\"%d\"", strings.Repeat("ä", i%40), i)
		if r.Fault != nil || r.Cells[0] != fmt.Sprint(i) || r.Cells[1] != want || r.Line != 2+2*i || r.LastLine != 3+2*i {
			t.Fatalf("row %d: got %s", i, show(r))
		}
	}
}

func TestDecoder_PassesOnTheReadersError(t *testing.T) {
	broken := errors.New("share gone")
	_, rows, err := tryRead(io.MultiReader(strings.NewReader("a,b\n1,2\n"), iotest.ErrReader(broken)), adapters.Layout{Format: "csv", Header: true}, 10)
	if !errors.Is(err, broken) {
		t.Errorf("got %v, %v", rows, err)
	}
}

func FuzzCSV(f *testing.F) {
	seeds := []string{
		"a,b\n1,2\n", "a;b\r\n\"x;\"\"y\"\"\r\n\";2\r\n", "\xef\xbb\xbfa\n\xff\n", "a,b\r1\r\n\"\r", "\"", "a\n\x00", "",
	}
	if len(seeds) == 0 {
		f.Fatal("no seeds")
	}
	for i, s := range seeds {
		f.Add([]byte(s), uint8(i))
	}
	names := []string{"utf-8", "utf-16", "utf-16le", "utf-16be", "windows-1252", "iso-8859-1", "iso-8859-15"}
	f.Fuzz(func(t *testing.T, b []byte, how uint8) {
		l := adapters.Layout{
			Format: "csv", Header: how&1 == 0, Titles: int(how >> 1 & 1), Encoding: names[int(how>>2)%len(names)],
			Delimiter: []rune{',', ';', '\t', '¦'}[how>>6], MaxRow: 64,
		}
		_, rows, err := tryRead(bytes.NewReader(b), l, 3)
		if err != nil && rows != nil {
			t.Fatalf("rows beside an error: %v", err)
		}
		last := 0
		for _, r := range rows {
			if r.Line <= last || r.Fault == nil && (r.Cells == nil || !utf8Valid(r)) {
				t.Fatalf("row %+v behind line %d", r, last)
			}
			last = max(r.Line, r.LastLine)
		}
	})
}

func utf8Valid(r adapters.Row) bool {
	return strings.ToValidUTF8(r.Text, "") == r.Text && !strings.Contains(r.Text, "\x00")
}

func big(n int) []byte {
	var b bytes.Buffer
	b.WriteString("tag,eid,date,time,visit,pen,parity,dim,foot,claw,zone,lesion,severity,block,wrap,loco,toe_mm,note\n")
	for i := range n {
		fmt.Fprintf(&b, "%d,2760009412%05d,2026-03-04,08:12:%02d,V%06d,P%d,3,120,RH,outer,4,SU,2,1,0,3,78.5,soft and deep\n", i, i%2000, i%60, i, i%9)
	}
	return b.Bytes()
}

func BenchmarkDecoder(b *testing.B) {
	const n = 100_000
	in := big(n)
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		d, err := NewDecoder(bytes.NewReader(in), adapters.Layout{Format: "csv", Header: true})
		if err != nil {
			b.Fatal(err)
		}
		if _, err := d.Head(); err != nil {
			b.Fatal(err)
		}
		rows := make([]adapters.Row, 0, 512)
		total := 0
		for {
			rows, err = d.Read(rows[:0], 512)
			total += len(rows)
			if err == io.EOF {
				break
			}
		}
		if total != n {
			b.Fatalf("got %d rows", total)
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}
