package csv

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"dewclaw/adapters"
	"dewclaw/events"
)

// Head reads the byte order mark, the title lines and the header. Errors are of
// kind invalid if the original is not what the layout says, or those of the
// reader.
func (d *Decoder) Head() (adapters.Head, error) {
	var h adapters.Head
	if err := d.start(); err != nil {
		return h, err
	}
	for i := range d.layout.Titles {
		t, err := d.headLine(fmt.Sprintf("title line %d", i+1))
		if err != nil {
			return h, err
		}
		h.Titles = append(h.Titles, t)
	}
	if !d.layout.Header {
		h.Columns = d.layout.Columns
		return h, nil
	}
	h.Line = d.line
	cells, err := d.header()
	if err != nil {
		return h, err
	}
	if len(cells) > maxColumns {
		return h, invalid(fmt.Sprintf("line %d", h.Line), fmt.Sprintf("a header of at most %d columns", maxColumns), strconv.Itoa(len(cells)))
	}
	for _, c := range cells {
		h.Columns = append(h.Columns, strings.TrimSpace(c))
	}
	d.width, d.named = len(cells), true
	return h, nil
}

// start reads the first bytes and settles the encoding.
func (d *Decoder) start() error {
	d.raw = make([]byte, 0, 4)
	for len(d.raw) < 4 && !d.readEOF {
		if err := d.readRaw(4); err != nil {
			return err
		}
	}
	c, mark, err := detect(d.layout.Encoding, d.raw)
	if err != nil {
		return err
	}
	d.charset, d.rawStart, d.base = c, mark, int64(mark)
	return d.fill()
}

// headLine returns the next line, which must be there and be text.
func (d *Decoder) headLine(what string) (string, error) {
	text, next, err := d.nextLine()
	if err == io.EOF {
		return "", invalid(fmt.Sprintf("line %d", d.line), what, "the end of the file")
	}
	if err != nil {
		return "", err
	}
	if next < 0 {
		return "", invalid(fmt.Sprintf("line %d", d.line), what, fmt.Sprintf("a line over %d bytes", d.layout.MaxRow))
	}
	if f := d.textFault(text, d.pos); f != nil {
		return "", &events.Fault{
			Kind: events.ErrInvalid, What: fmt.Sprintf("line %d", d.line), Wanted: f.Wanted, Got: f.Got,
			Hints: []string{"declare the encoding the file really has in the mapping: " + encodings},
		}
	}
	d.pos = next
	d.line++
	return text, nil
}

func (d *Decoder) header() ([]string, error) {
	at := d.line
	for {
		start := d.pos
		text, err := d.headLine("the header")
		if err != nil {
			return nil, err
		}
		if strings.TrimSpace(text) == "" && d.layout.Titles == 0 {
			return nil, invalid(fmt.Sprintf("line %d", at), "the header", "an empty line")
		}
		if strings.IndexByte(text, '"') < 0 {
			return d.unguard(d.split(nil, text)), nil
		}
		q := quoted{delim: d.delim}
		q.split(nil, text)
		if q.open {
			d.pos, d.line = start, at
			s, more := d.span(nil)
			if more {
				if err := d.fill(); err != nil {
					return nil, err
				}
				continue
			}
			if s == nil {
				return nil, invalid(fmt.Sprintf("line %d", at), "a header with proper quotes", "a quote that is never closed")
			}
			q = *s
			d.pos, d.line = d.pos+q.next, at+q.lines
		}
		if q.fault != "" {
			return nil, invalid(fmt.Sprintf("line %d", at), "a header with proper quotes", q.fault)
		}
		return d.unguard(q.cells), nil
	}
}
