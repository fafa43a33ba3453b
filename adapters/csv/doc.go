// Package csv splits delimited text into rows and writes it. It does not know
// what a column means. Start at [NewDecoder] and [NewEncoder].
//
// # Reading
//
// Cells are parted by any one character. Quoting is that of RFC 4180: a cell
// that begins with a quote ends at the next quote that is not doubled, and may
// hold delimiters and line ends. A quote inside a cell that does not begin with
// one is a character like any other (5" block). Lines end with LF, CRLF or a
// lone CR, mixed at will; the last one may have no end. Lines of nothing but
// spaces are skipped.
//
// What devices get wrong costs the line it stands on and no other:
//
//   - A quote that is never closed. A cell may reach over line ends only if its
//     quote closes properly within 64 KiB and 200 lines and the row then has
//     exactly as many cells as the header; else the line alone is faulty.
//   - Text behind a closing quote, too few or too many cells, a NUL byte, bytes
//     that are no text in the declared encoding, a row over the layout's MaxRow.
//
// Without a header and without names the first row sets the number of cells.
// A byte order mark is taken off, and must agree with the declared encoding.
//
// # Encodings
//
// utf-8 (default), utf-16 (with a byte order mark), utf-16le, utf-16be,
// windows-1252, iso-8859-1, iso-8859-15. Bytes that an encoding leaves undefined
// (0x81, 0x8D, 0x8F, 0x90 and 0x9D in windows-1252; 0x80 to 0x9F in the ISO
// ones, whose standard has no characters there) are faults, never replaced.
//
// # The guard
//
// A spreadsheet runs a cell that begins with = + - @ TAB or CR as a formula
// (CWE-1236). With Style.Guard such a cell gets one apostrophe before it, as
// OWASP ASVS 5.0, requirement 1.2.10, has it; so does a cell that begins with
// apostrophes and then one of these. Plain numbers (-1, -1.5, -1,5) stay. The
// way back: one apostrophe is taken off a cell that begins with apostrophes and
// then one of these characters; with Layout.Guard the decoder does that.
package csv
