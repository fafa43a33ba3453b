package mapping

import (
	"fmt"
	"slices"
	"time"
	"unicode/utf8"

	"dewclaw/adapters"
)

// This file compiles what holds for all rows: name, layouts, how originals are
// split, tables, the clock.

// head reads the name, the direction and what the mapping is about.
func (c *compiler) head(root *node, direction string, name, about *string) {
	if n := root.get("mapping"); n != nil {
		*name, _ = c.scalar(n, "mapping", "a name")
	} else {
		c.add(root, "mapping", "the name of the mapping", "nothing")
	}
	n := root.get("direction")
	switch {
	case n == nil:
		c.add(root, "direction", direction, "nothing")
	case n.text != direction:
		c.add(n, "direction", direction, n.describe())
	}
	if n := root.get("about"); n != nil {
		*about, _ = c.scalar(n, "about", "a text")
	}
}

// defaults reads what holds for all values.
func (c *compiler) defaults(root *node) {
	if n := root.get("months"); n != nil {
		c.months = c.strings(n, "months", "a name")
		if n.kind != listNode || len(c.months) != 12 || slices.Contains(c.months, "") {
			c.add(n, "months", "twelve names", fmt.Sprint(len(c.months)))
			c.months = nil
		}
	}
	if n := root.get("dates"); n != nil {
		if c.dates = c.layout(n, "dates"); c.dates != nil && !c.dates.date {
			c.add(n, "dates", "a layout of a date", quote(n.text))
		}
	}
	if n := root.get("times"); n != nil {
		c.times = c.layout(n, "times")
	}
	if n := root.get("decimal"); n != nil {
		c.mark = c.decimal(n, "decimal")
	}
}

// read reads how an original is split.
func (c *compiler) read(root *node, in *Inward) {
	l := &in.layout
	l.Format, l.Encoding, l.Delimiter, l.Header = "csv", "utf-8", ',', true
	c.csv = true
	n := root.get("read")
	if n == nil {
		c.add(root, "read", "how the original is split: {format: csv}", "nothing")
		return
	}
	known := []string{"format", "encoding", "delimiter", "header", "columns", "titles", "guard", "each", "resource", "total"}
	if !c.keys(n, "read", known...) {
		return
	}
	if x := n.get("format"); x != nil {
		l.Format = c.word(x, "read.format", "csv", "ndjson", "json", "ade")
	} else {
		c.add(n, "read.format", "csv, ndjson, json or ade", "nothing")
	}
	c.csv = l.Format == "csv"
	if !c.csv {
		l.Delimiter, l.Header = 0, false
	}
	for i, k := range n.keys {
		csvOnly := slices.Contains([]string{"delimiter", "header", "columns", "titles", "guard", "total"}, k.text)
		ade := l.Format == "ade"
		if !c.csv && csvOnly || k.text == "each" && (c.csv || ade) || k.text == "resource" && !ade {
			c.add(k, "read."+k.text, "keys of "+l.Format, quote(k.text)+", which it does not have")
			continue
		}
		c.readKey(k.text, n.vals[i], l)
	}
	if len(l.Columns) > 0 && l.Header {
		c.add(n, "read.columns", "names, or a header that has them", "both; say header: false")
	}
}

func (c *compiler) readKey(key string, x *node, l *adapters.Layout) {
	what := "read." + key
	switch key {
	case "encoding":
		if !c.csv {
			l.Encoding = c.word(x, what, "utf-8")
			return
		}
		l.Encoding = c.word(x, what, "utf-8", "utf-16", "utf-16le", "utf-16be", "windows-1252", "iso-8859-1", "iso-8859-15")
	case "delimiter":
		text, ok := c.scalar(x, what, "one character")
		r, n := utf8.DecodeRuneInString(text)
		if ok && (n != len(text) || r == '"' || r < ' ' && r != '\t') {
			c.add(x, what, `one character, "\t" for a tab`, quote(text))
		}
		l.Delimiter = r
	case "header":
		l.Header = c.truth(x, what)
	case "guard":
		l.Guard = c.truth(x, what)
	case "columns":
		l.Columns = c.strings(x, what, "a name")
	case "titles":
		l.Titles = c.whole(x, what, 0, 1000)
	case "each":
		text, ok := c.scalar(x, what, "a JSONPath to the elements that are rows")
		if _, err := parsePath(text); ok && err != nil {
			c.add(x, what, "JSONPath (RFC 9535)", quote(text)+": "+err.Error())
		}
		l.Each = text
	case "resource":
		l.Resource, _ = c.scalar(x, what, "the resource type of elements that do not say theirs")
	}
}

func (c *compiler) namedTables(root *node, in *Inward) {
	n := root.get("tables")
	if n == nil {
		return
	}
	if n.kind != mapNode {
		c.add(n, "tables", "a map of tables", n.describe())
		return
	}
	for i, k := range n.keys {
		if c.tables[k.text] != nil {
			c.add(k, "tables."+k.text, "every table once", quote(k.text)+" twice")
			continue
		}
		if t := c.readTable(k.text, n.vals[i], "tables."+k.text); t != nil {
			c.tables[k.text] = t
			c.tableNames = append(c.tableNames, k.text)
			in.tables = append(in.tables, t)
		}
	}
}

// clock reads what is said of local times.
func (c *compiler) clock(root *node, in *Inward) {
	if n := root.get("zone"); n != nil {
		text, ok := c.scalar(n, "zone", "an IANA zone such as Europe/Berlin")
		if _, err := newZone(text); ok && err != nil {
			c.add(n, "zone", "an IANA zone such as Europe/Berlin", quote(text))
		}
		in.zone = text
	}
	in.overlap = "hold"
	if n := root.get("gap"); n != nil {
		c.word(n, "gap", "hold")
	}
	if n := root.get("overlap"); n != nil {
		in.overlap = c.word(n, "overlap", "hold", "earlier", "later")
	}
	if n := root.get("silent"); n != nil {
		text, ok := c.scalar(n, "silent", "a duration such as 36h")
		d, err := time.ParseDuration(text)
		if ok && (err != nil || d <= 0) {
			c.add(n, "silent", "a duration such as 36h", quote(text))
		}
		in.silent = d
	}
}
