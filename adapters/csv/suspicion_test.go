package csv

import (
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"dewclaw/adapters"
)

// The bytes are those of UTF-8 (RFC 3629) and of windows-1252.
func TestDecoder_TellsOfUTF8DeclaredAsOneByteACharacter(t *testing.T) {
	for _, tt := range []struct {
		name, encoding, in string
		told               bool
	}{
		{"utf-8 as windows-1252", "windows-1252", "a;b\ngr\xc3\xb6\xc3\x9fer;\xe2\x82\xac 12\n", true},
		{"windows-1252", "windows-1252", "a;b\ngr\xf6\xdfer;\x80 12\n", false},
		{"mostly utf-8, with one byte of another", "windows-1252", "a;b\ngr\xc3\xb6\xc3\x9fer;\xf6\n", false},
		{"half a character at the end", "windows-1252", "a;b\ngr\xc3\xb6\xc3\x9fer;\xc3", false},
		{"one character may be chance", "iso-8859-1", "a;b\ngr\xc3\xb6;1\n", false},
		{"ascii", "windows-1252", "a;b\n1;2\n", false},
		{"utf-8 as declared", "utf-8", "a;b\ngr\xc3\xb6\xc3\x9fer;1\n", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			l := adapters.Layout{Format: "csv", Encoding: tt.encoding, Delimiter: ';', Header: true}
			d, err := NewDecoder(iotest.OneByteReader(strings.NewReader(tt.in)), l)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := d.Head(); err != nil {
				t.Fatal(err)
			}
			if _, err := d.Read(nil, 100); err != io.EOF {
				t.Fatal(err)
			}
			told := strings.Join(d.(adapters.Noticer).Notices(), "")
			if strings.Contains(told, "encoding: utf-8") != tt.told {
				t.Errorf("told %q, want it told: %v", told, tt.told)
			}
		})
	}
}
