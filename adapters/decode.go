package adapters

import (
	"io"

	"dewclaw/events"
)

// A Layout says how the bytes of an original are split into rows. It is the
// "read" part of a mapping; what rows mean is not in it.
type Layout struct {
	Format    string   // csv, ndjson, json or ade
	Encoding  string   // utf-8, utf-16, utf-16le, utf-16be, windows-1252, iso-8859-1, iso-8859-15; a byte order mark must agree
	Delimiter rune     // csv: between cells
	Header    bool     // csv: a line of column names stands before the rows
	Columns   []string // csv without header: the names of the columns; may be nil (numbers only)
	Titles    int      // csv: lines before the header
	Each      string   // json: JSONPath of the elements that are rows; "" if the document is one row, or each element of a top-level array is
	Resource  string   // ade: resource type of elements that do not say theirs; "" if all must
	MaxRow    int      // bytes of one row, line or JSON element; over it the row is held. 0 means 1 MiB
	MaxDoc    int      // bytes of one JSON document that must be read whole. 0 means 64 MiB
	Guard     bool     // csv: an encoder guarded the cells (see Style.Guard): the guard is taken off
}

// A Head is what stands before the rows of an original.
type Head struct {
	Titles  []string // decoded, without line ends
	Columns []string // names as written, spaces at both ends removed; nil if there are none
	Line    int      // line of the header, 0 if there is none
}

// A Row is one raw item of an original. Texts are UTF-8 and share memory with
// the block they came in: they stay valid as long as anyone holds them.
type Row struct {
	Line     int    // first line, from 1; titles and header counted. For JSON the line its text begins on
	LastLine int    // last line, if it has several; else 0
	Member   string // file inside a zip; "" if none
	Text     string // the row as decoded, without its line end
	Bytes    []byte // the row as read, only if it is not text in the declared encoding
	Size     int    // bytes of a row over the layout's MaxRow, whose Text is cut; else 0

	Cells   []string // csv: quotes removed, spaces kept. With a Fault: what could be split, for people only
	Value   any      // json: the element; objects map[string]any, arrays []any, numbers json.Number
	Doc     any      // json: the document the element stands in; the element itself if it has none around it
	DocText string   // json: text of Doc, if the element is not the document itself; else ""
	DocLine int      // json: line on which DocText begins; 0 without it
	Path    string   // json: normalized path (RFC 9535) of the element in Doc; "" for the document itself
	First   bool     // first row of its document (json) or of its original or member (csv)
	Open    bool     // csv: no line end stands behind it, so that the original may be cut off

	// Fault says why the row cannot be used: broken quoting, broken JSON, bytes
	// outside the encoding, too large, a number that would do harm. Such a row
	// is held and the next one is read all the same. A document in which
	// Layout.Each selects nothing is one row without Value, with Doc and without
	// Path.
	Fault *events.Reason
}

// A Decoder splits one original into rows, in their order. An error of a row is
// in the row; an error of Read or Head spoils the original. Not for use by
// several goroutines at once.
type Decoder interface {
	// Head reads titles and header. It is called once, before Read.
	Head() (Head, error)
	// Read appends up to n rows to rows and returns the extended slice. At the
	// end it returns io.EOF, possibly together with the last rows.
	Read(rows []Row, n int) ([]Row, error)
}

// A Noticer is a decoder that sees what is odd of an original as a whole and yet
// no fault of a row: bytes that look like another encoding.
type Noticer interface {
	// Notices returns what a person should know, in words. It is called after
	// Read returned io.EOF.
	Notices() []string
}

// NewDecoder is what a decoding adapter offers: a decoder over r, which it does
// not close. The error is of kind invalid if the layout makes no sense.
type NewDecoder func(r io.Reader, l Layout) (Decoder, error)
