package main

import (
	"bytes"
	"encoding/json"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func TestSafe_EscapesWhatMovesAScreen(t *testing.T) {
	tests := []struct{ name, in, want string }{
		{"plain text with umlauts", "Fuß geprüft ¼", "Fuß geprüft ¼"},
		{"colour", "a\x1b[31mred", `a\x1b[31mred`},
		{"title of a window", "\x1b]0;x\a", `\x1b]0;x\x07`},
		{"C1 control", "a\u009bb", `a\u009bb`},
		{"new line", "one\ntwo\r", `one\ntwo\r`},
		{"tab", "a\tb", `a\tb`},
		{"delete", "\x7f", `\x7f`},
		{"right-to-left override (UAX 9)", "a\u202eb", `a\u202eb`},
		{"isolate (UAX 9)", "\u2066x\u2069", `\u2066x\u2069`},
		{"line separator", "a\u2028b", `a\u2028b`},
		{"byte order mark", "\ufeffa", `\ufeffa`},
		{"not UTF-8", "M\xfcller", `M\xfcller`},
		{"tag character", "\U000e0041", `\U000e0041`},
		{"a real replacement character", "a\ufffdb", "a\ufffdb"},
	}
	for _, tt := range tests {
		if got := safe(tt.in); got != tt.want {
			t.Errorf("%s: got %q, wanted %q", tt.name, got, tt.want)
		}
	}
}

func FuzzSafe(f *testing.F) {
	for _, s := range []string{"", "plain", "a\x1b[2J", "\u202e\u2066", "\xff\xfe", "\U000e0041ü", "a\ufffd"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := safe(s)
		if !utf8.ValidString(got) {
			t.Fatalf("%q: not UTF-8", got)
		}
		for _, r := range got {
			if !strconv.IsPrint(r) {
				t.Fatalf("%q: has %U", got, r)
			}
		}
		j, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		var back, want string
		safer := safeJSON(j)
		if err := json.Unmarshal(safer, &back); err != nil {
			t.Fatalf("%s: %v", safer, err)
		}
		if err := json.Unmarshal(j, &want); err != nil {
			t.Fatal(err)
		}
		if back != want {
			t.Fatalf("value changed: %q, wanted %q", back, want)
		}
		if safe(string(safer)) != string(safer) {
			t.Fatalf("%q is not safe", safer)
		}
	})
}

func TestSheet_IsAlignedAndFoldsItsLastColumn(t *testing.T) {
	s := newSheet("name", ">rows", "why")
	s.row("short", 5, "fine")
	s.row("a name that is longer\x1b", 12345, strings.Repeat("word ", 30)+strings.Repeat("x", 120))
	var b bytes.Buffer
	if err := s.print(&b); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimRight(b.String(), "\n"), "\n")
	if len(lines) < 5 {
		t.Fatalf("got %d lines:\n%s", len(lines), b.String())
	}
	for _, l := range lines {
		if n := utf8.RuneCountInString(l); n > lineWidth || strings.HasSuffix(l, " ") {
			t.Errorf("line of %d places or with spaces at its end: %q", n, l)
		}
	}
	if at := strings.Index(lines[0], "why"); lines[1][at:] != "fine" {
		t.Errorf("not aligned:\n%s", b.String())
	}
	if got := strings.Join(strings.Fields(b.String()), ""); !strings.Contains(got, strings.Repeat("x", 120)) {
		t.Errorf("text was lost:\n%s", b.String())
	}
}

func TestFold_LosesNoText(t *testing.T) {
	for _, s := range []string{"", "a", "aa bb cc", strings.Repeat("ü", 50), "e\u0301e\u0301e\u0301e\u0301 x", "a " + strings.Repeat("b", 9)} {
		for width := 1; width < 12; width++ {
			parts := fold(s, width)
			if got := strings.ReplaceAll(strings.Join(parts, ""), " ", ""); got != strings.ReplaceAll(s, " ", "") {
				t.Errorf("fold(%q, %d) = %q", s, width, parts)
			}
			for _, p := range parts {
				if runes(p) > width {
					t.Errorf("fold(%q, %d): %q is too wide", s, width, p)
				}
			}
		}
	}
}

func TestProgress_IsPlainLinesWithoutATerminal(t *testing.T) {
	now := time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)
	var b bytes.Buffer
	p := newProgress(&b, "reading", func() time.Time { return now })
	p.at(1, 100)
	now = now.Add(lineEvery)
	p.at(50, 100)
	p.at(51, 100)
	p.end()
	if got, want := b.String(), "reading: 50 of 100 (50 %)\n"; got != want {
		t.Errorf("got %q, wanted %q", got, want)
	}
}
