package mapping

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"slices"
	"unicode/utf8"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/schema/codes"
)

// An Outward is a compiled mapping of direction out: events become rows of a
// recipient. It is not changed after [ParseOutward] and may be used by several
// goroutines.
type Outward struct {
	name, about string
	hash        [sha256.Size]byte
	style       adapters.Style
	mark        byte // decimal mark
	joined      bool // one row an examination
	kinds       []events.Kind
	schemes     []string // of the identifier, the first that is there
	missing     string   // park, skip or empty
	columns     []outColumn
}

// ErrSkip is returned by [Outward.Row] for an event that the mapping leaves out:
// its animal has none of the identifiers the recipient takes, and the mapping
// says to skip such events. It is no fault.
var ErrSkip = errors.New("skipped")

// A RowContext is one event with what its row may say beside it.
type RowContext struct {
	Event       *events.Event
	Payload     events.Payload
	Examination events.Payload   // the examination it belongs to; nil if there is none
	Visit       events.Payload   // the visit it belongs to; nil if none is known
	Joined      []events.Payload // rows: examination: the events of that examination, in their order
}

// Name returns the name of the mapping.
func (o *Outward) Name() string { return o.name }

// About returns what the mapping says it is for.
func (o *Outward) About() string { return o.about }

// Digest returns the SHA-256 of the mapping file in hex.
func (o *Outward) Digest() string { return hex.EncodeToString(o.hash[:]) }

// Style returns how the rows are written.
func (o *Outward) Style() adapters.Style { return o.style }

// Joined reports whether a row is one examination with its events joined; else
// it is one event.
func (o *Outward) Joined() bool { return o.joined }

// Kinds returns the kinds of events that are given rows; nil for all of the feed.
func (o *Outward) Kinds() []events.Kind { return o.kinds }

// Columns returns the columns in their order. The slice is shared.
func (o *Outward) Columns() []adapters.Column {
	out := make([]adapters.Column, len(o.columns))
	for i := range o.columns {
		out[i] = adapters.Column{Name: o.columns[i].name, Type: o.columns[i].typ}
	}
	return out
}

var outwardKeys = []string{
	"mapping", "direction", "about", "write", "dates", "times", "months", "tables", "rows", "kinds", "identifier", "columns",
}

// ParseOutward compiles a mapping of direction out: see [ParseInward].
func ParseOutward(name string, src []byte) (*Outward, error) {
	c := &compiler{faults: faults{file: name}, mark: '.', csv: true, tables: map[string]*table{}}
	root, err := c.open(src)
	if err != nil {
		return nil, err
	}
	o := &Outward{hash: sha256.Sum256(src), mark: '.', missing: "park"}
	c.outward(root, o)
	if err := c.err(); err != nil {
		return nil, err
	}
	return o, nil
}

func (c *compiler) outward(root *node, o *Outward) {
	c.keys(root, "", outwardKeys...)
	c.head(root, "out", &o.name, &o.about)
	c.defaults(root)
	for _, l := range []*layout{c.dates, c.times} {
		if l != nil && len(l.others) > 0 {
			c.add(root, "dates", "one layout to write in", "a list of them")
		}
	}
	c.namedTables(root, new(Inward))
	c.write(root, o)
	if n := root.get("rows"); n != nil {
		o.joined = c.word(n, "rows", "event", "examination") == "examination"
	}
	if n := root.get("kinds"); n != nil {
		var all []string
		for _, k := range events.Kinds() {
			all = append(all, string(k))
		}
		for _, s := range c.strings(n, "kinds", "a kind") {
			if !slices.Contains(all, s) {
				c.addNear(n, "kinds", "kinds of "+listed(all), s, all)
				continue
			}
			o.kinds = append(o.kinds, events.Kind(s))
		}
	}
	if n := root.get("identifier"); n != nil {
		c.identifier(n, o)
	}
	n := root.get("columns")
	if n == nil || n.kind != mapNode || len(n.keys) == 0 {
		at := root
		got := "nothing"
		if n != nil {
			at, got = n, n.describe()
		}
		c.add(at, "columns", "a map of column names to what stands in them", got)
		return
	}
	for i, k := range n.keys {
		what := "columns." + k.text
		if slices.ContainsFunc(n.keys[:i], func(x *node) bool { return x.text == k.text }) {
			c.add(k, what, "every column once", quote(k.text)+" twice")
			continue
		}
		c.outColumn(k, n.vals[i], what, o)
	}
}

// write reads how rows are written.
func (c *compiler) write(root *node, o *Outward) {
	s := &o.style
	s.Format, s.LineEnd, s.Header, s.ListMark = "csv", "\r\n", true, "|"
	n := root.get("write")
	if n == nil {
		c.add(root, "write", "how rows are written: {format: csv}", "nothing")
		return
	}
	known := []string{"format", "delimiter", "encoding", "line-end", "decimal", "header", "guard", "lists"}
	if !c.keys(n, "write", known...) {
		return
	}
	if x := n.get("format"); x != nil {
		s.Format = c.word(x, "write.format", "csv", "ndjson", "json")
	} else {
		c.add(n, "write.format", "csv, ndjson or json", "nothing")
	}
	if s.Format != "csv" {
		*s = adapters.Style{Format: s.Format, LineEnd: "\n"}
	} else {
		s.Delimiter = ','
	}
	for i, k := range n.keys {
		if s.Format != "csv" && k.text != "format" && k.text != "line-end" && k.text != "encoding" {
			if slices.Contains(known, k.text) {
				c.add(k, "write."+k.text, "keys of "+s.Format, quote(k.text)+", which it does not have")
			}
			continue
		}
		c.writeKey(k.text, n.vals[i], o)
	}
}

func (c *compiler) writeKey(key string, x *node, o *Outward) {
	s, what := &o.style, "write."+key
	switch key {
	case "delimiter":
		text, ok := c.scalar(x, what, "one character")
		r, n := utf8.DecodeRuneInString(text)
		if ok && (n != len(text) || r == '"' || r < ' ' && r != '\t') {
			c.add(x, what, `one character, "\t" for a tab`, quote(text))
		}
		s.Delimiter = r
	case "encoding":
		if s.Format != "csv" {
			s.Encoding = c.word(x, what, "utf-8")
			return
		}
		s.Encoding = c.word(x, what, "utf-8", "utf-8-bom", "utf-16", "utf-16le", "utf-16be", "windows-1252", "iso-8859-1", "iso-8859-15")
	case "line-end":
		s.LineEnd = map[string]string{"crlf": "\r\n", "lf": "\n"}[c.word(x, what, "crlf", "lf")]
	case "decimal":
		o.mark = c.decimal(x, what)
	case "header":
		s.Header = c.truth(x, what)
	case "guard":
		s.Guard = c.truth(x, what)
	case "lists":
		s.ListMark, _ = c.scalar(x, what, "what stands between the elements of a list")
	}
}

func (c *compiler) identifier(n *node, o *Outward) {
	if !c.keys(n, "identifier", "first", "missing") {
		return
	}
	schemes := codes.Find("schemes")
	if x := n.get("first"); x != nil {
		for _, s := range c.strings(x, "identifier.first", "a scheme") {
			if !schemes.Has(s) {
				c.addNear(x, "identifier.first", oneOf("a scheme", s, schemes.Codes()), s, schemes.Codes())
			}
			o.schemes = append(o.schemes, s)
		}
	} else {
		c.add(n, "identifier.first", "schemes, the first that is there counts", "nothing")
	}
	if x := n.get("missing"); x != nil {
		o.missing = c.word(x, "identifier.missing", "park", "skip", "empty")
	}
}

// Row returns the cells of one row, one for each column. The error is [ErrSkip],
// or an *events.Fault of kind invalid that names event, column and value: such an
// event is parked.
func (o *Outward) Row(ctx RowContext) ([]adapters.Cell, error) {
	cells := make([]adapters.Cell, len(o.columns))
	for i := range o.columns {
		if err := o.columns[i].fill(o, &ctx, &cells[i]); err != nil {
			return nil, err
		}
	}
	return cells, nil
}
