package csv

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
	"unsafe"

	"dewclaw/adapters"
	"dewclaw/events"
)

// This file reads: bytes become blocks of UTF-8, blocks become lines.

// readRaw reads once, up to n bytes behind what is left.
func (d *Decoder) readRaw(n int) error {
	if d.rawStart > 0 {
		d.raw = append(d.raw[:0], d.raw[d.rawStart:]...)
		d.rawStart = 0
	}
	d.raw = slices.Grow(d.raw, n)
	m, err := d.r.Read(d.raw[len(d.raw) : len(d.raw)+n])
	if x := charsets[d.layout.Encoding]; x != nil && x.single != nil {
		d.suspect.add(d.raw[len(d.raw) : len(d.raw)+m])
	}
	d.raw = d.raw[:len(d.raw)+m]
	if err == io.EOF {
		d.readEOF = true
		return nil
	}
	if err != nil {
		return fmt.Errorf("read line %d: %w", d.line, err)
	}
	return nil
}

// fill makes a new block of what is left of the old one and more of the
// original. Growth is by doubling, so that a long line is not copied over and
// over.
func (d *Decoder) fill() error {
	rest := d.block[d.pos:]
	d.base += int64(d.sizeBefore(d.pos))
	want := max(blockBytes, 2*len(rest))
	buf := make([]byte, len(rest), want+utf8.UTFMax)
	copy(buf, rest)
	for idle := 0; len(buf)+3 < want && !d.eof; {
		n, err := d.decodeInto(&buf, want)
		if err != nil {
			return err
		}
		if idle++; n > 0 {
			idle = 0
		}
		if n == 0 && d.readEOF && d.rawStart == len(d.raw) {
			d.eof = true
		}
		if idle > 100 {
			return fmt.Errorf("read behind line %d: %w", d.line, io.ErrNoProgress)
		}
	}
	d.block, d.pos = unsafe.String(unsafe.SliceData(buf), len(buf)), 0 // buf is not kept
	d.clean = utf8.ValidString(d.block) && strings.IndexByte(d.block, 0) < 0
	d.nextLF, d.nextCR = -1, -1
	return nil
}

// sizeBefore returns how many bytes of the original block[:n] was made from.
func (d *Decoder) sizeBefore(n int) int {
	if d.charset == nil {
		return 0
	}
	return d.charset.size(d.block[:n])
}

// decodeInto decodes more of the original behind buf, up to want bytes in all,
// and returns how many it added.
func (d *Decoder) decodeInto(buf *[]byte, want int) (int, error) {
	before := len(*buf)
	if d.charset.plain() && d.rawStart == len(d.raw) && !d.readEOF {
		n, err := d.r.Read((*buf)[before:want]) // no copy for UTF-8
		*buf = (*buf)[:before+n]
		if err == io.EOF {
			d.readEOF, err = true, nil
		}
		if err != nil {
			return n, fmt.Errorf("read behind line %d: %w", d.line, err)
		}
		return n, nil
	}
	if len(d.raw)-d.rawStart < 4 && !d.readEOF {
		if err := d.readRaw(blockBytes / 4); err != nil {
			return 0, err
		}
	}
	room := (want - before) / 3 // one byte may become three
	src := d.raw[d.rawStart:min(len(d.raw), d.rawStart+max(room&^3, 4))]
	last := d.readEOF && len(src) == len(d.raw)-d.rawStart
	var used int
	*buf, used = d.charset.decode(*buf, src, last)
	d.rawStart += used
	return len(*buf) - before, nil
}

// nextLine returns the line at pos without its end and where the line behind it
// starts. next is -1 for a line over MaxRow, which [Decoder.skipLong] reads. The
// error is io.EOF at the end, or the reader's.
func (d *Decoder) nextLine() (text string, next int, err error) {
	for {
		end, next, ok := d.lineEnd(d.pos)
		switch {
		case ok && end-d.pos <= d.layout.MaxRow:
			return d.block[d.pos:end], next, nil
		case ok, len(d.block)-d.pos > d.layout.MaxRow:
			return "", -1, nil
		case d.eof && d.pos == len(d.block):
			return "", 0, io.EOF
		case d.eof:
			return d.block[d.pos:], len(d.block), nil
		}
		if err := d.fill(); err != nil {
			return "", 0, err
		}
	}
}

// lineEnd finds the end of the line that starts at from, at or behind pos. It
// is not ok if the block ends before it is certain.
func (d *Decoder) lineEnd(from int) (end, next int, ok bool) {
	if d.nextLF < from {
		d.nextLF = indexFrom(d.block, '\n', from)
	}
	if d.nextCR < from {
		d.nextCR = indexFrom(d.block, '\r', from)
	}
	switch end = min(d.nextLF, d.nextCR); {
	case end == len(d.block):
		return 0, 0, false
	case d.nextLF < d.nextCR:
		return end, end + 1, true
	case end+1 == len(d.block):
		return end, end + 1, d.eof // else an LF may follow
	case end+1 == d.nextLF:
		return end, end + 2, true
	}
	return end, end + 1, true
}

func indexFrom(s string, c byte, from int) int {
	if i := strings.IndexByte(s[from:], c); i >= 0 {
		return from + i
	}
	return len(s)
}

// textFault says why a line that starts at offset at of the block is no text.
func (d *Decoder) textFault(line string, at int) *events.Reason {
	i := 0
	for i < len(line) && line[i] != 0 {
		r, n := utf8.DecodeRuneInString(line[i:])
		if r == utf8.RuneError && n == 1 {
			break
		}
		i += n
	}
	if i == len(line) {
		return nil
	}
	offset := d.base + int64(d.sizeBefore(at)) + int64(d.charset.size(line[:i])) + 1 // from 1, as in the line
	wrong := d.charset.raw(nil, line[i:min(len(line), i+3)])
	got := fmt.Sprintf("byte 0x%02X", wrong[0])
	if d.charset.order != 0 && len(wrong) > 1 {
		got = fmt.Sprintf("bytes 0x%02X 0x%02X", wrong[0], wrong[1])
	}
	if line[i] == 0 {
		got = "a NUL character"
	}
	return &events.Reason{
		Field: "row", Wanted: "text in " + d.charset.name,
		Got: fmt.Sprintf("%s at byte %d of the file (byte %d of the line)", got, offset, d.charset.size(line[:i])+1),
	}
}

// skipLong reads a line over MaxRow: it keeps the beginning, counts the rest.
func (d *Decoder) skipLong(r *adapters.Row) error {
	n := min(len(d.block)-d.pos, keptOfLong)
	for n > 0 && d.pos+n < len(d.block) && !utf8.RuneStart(d.block[d.pos+n]) {
		n--
	}
	r.Text = strings.Clone(strings.ToValidUTF8(d.block[d.pos:d.pos+n], "?"))
	for {
		end, next, ok := d.lineEnd(d.pos)
		if ok || d.eof {
			if !ok {
				end, next = len(d.block), len(d.block)
			}
			r.Size += d.charset.size(d.block[d.pos:end])
			d.pos = next
			break
		}
		end = len(d.block)
		if end > d.pos && d.block[end-1] == '\r' {
			end-- // it may be half of a line end
		}
		r.Size += d.charset.size(d.block[d.pos:end])
		d.pos = end
		if err := d.fill(); err != nil {
			return err
		}
	}
	r.Fault = &events.Reason{
		Field: "row", Wanted: fmt.Sprintf("at most %d bytes", d.layout.MaxRow), Got: fmt.Sprintf("%d bytes", r.Size),
	}
	return nil
}
