package packed

import (
	"bytes"

	"dewclaw/events"
)

// A format is what the first bytes of something say that it is.
type format string

const (
	plain    format = ""
	gzipped  format = "gzip"
	zipped   format = "zip"
	workbook format = "a spreadsheet workbook"
)

// headSize is how many bytes sniff wants to see: a tar header says what it is
// at byte 257 (POSIX.1-2024, pax, "ustar Interchange Format").
const headSize = 512

// magics are the first bytes of formats, each with the control characters or the
// length that keep it apart from text. The source is the format's own document:
// RFC 1952 2.3.1 (with the reserved flags of byte 3 at zero); APPNOTE 6.3.10
// 4.3.7 and 4.3.16; the xz, RFC 8878, 7z and RAR 5 descriptions; MS-CFB 2.2; ISO
// 32000-2 7.5.2. bzip2 has none and is from memory.
var magics = []struct {
	at    int
	bytes string
	is    format
}{
	{0, "PK\x03\x04", zipped},
	{0, "PK\x05\x06", zipped},
	{0, "\xfd7zXZ\x00", "an xz file"},
	{0, "\x28\xb5\x2f\xfd", "a zstandard file"},
	{0, "7z\xbc\xaf\x27\x1c", "a 7z archive"},
	{0, "Rar!\x1a\x07", "a rar archive"},
	{0, "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", workbook},
	{0, "%PDF-1.", "a PDF document"},
	{0, "%PDF-2.", "a PDF document"},
	{4, "1AY&SY", "a bzip2 file"},
	{257, "ustar\x00", "a tar archive"},
	{257, "ustar  \x00", "a tar archive"},
}

func sniff(head []byte) format {
	if len(head) > 3 && head[0] == 0x1f && head[1] == 0x8b && head[2] == 8 && head[3] < 0x20 {
		return gzipped
	}
	for _, m := range magics {
		if len(head) >= m.at && bytes.HasPrefix(head[m.at:], []byte(m.bytes)) {
			if m.is == "a bzip2 file" && !bytes.HasPrefix(head, []byte("BZh")) {
				continue
			}
			return m.is
		}
	}
	return plain
}

// isWorkbook reports whether a zip with a member of that name is a document of
// an office program: ECMA-376 part 2, 10.1.2, and OASIS OpenDocument 1.3 part 2, 3.3.
func isWorkbook(member string) bool { return member == "[Content_Types].xml" || member == "mimetype" }

func foreignFault(where string, f format) error {
	hint := "unpack it, or pack it as .gz or .zip"
	switch f {
	case workbook:
		hint = "export it as CSV"
	case "a PDF document":
		hint = "ask the sender for CSV or JSON"
	}
	return &events.Fault{
		Kind: events.ErrInvalid, Where: where, What: "the original", Wanted: "text, gzip or zip", Got: string(f),
		Hints: []string{hint},
	}
}
