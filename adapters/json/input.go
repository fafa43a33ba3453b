package json

import (
	"fmt"
	"io"
	"strings"
	"unsafe"
)

const (
	firstBytes = 4 << 10   // what is read at first: a message is short
	blockBytes = 256 << 10 // what is read at once behind that
)

// An input reads an original in blocks. Texts are slices of a block, which
// lives as long as one of them is held.
type input struct {
	r     io.Reader
	block string
	pos   int  // what was read before it is used up
	eof   bool // nothing comes behind block
	line  int  // line of pos, from 1
	col   int  // bytes of that line before pos
}

// fill makes a new block of what is left of the old one and more. Growth is by
// doubling, so that a long element is not copied over and over.
func (n *input) fill() error {
	rest := n.block[n.pos:]
	want := max(blockBytes, 2*len(rest))
	if n.block == "" {
		want = firstBytes
	}
	buf := make([]byte, len(rest), want)
	copy(buf, rest)
	for idle := 0; len(buf) < want && !n.eof; {
		m, err := n.r.Read(buf[len(buf):want])
		buf = buf[:len(buf)+m]
		if idle++; m > 0 {
			idle = 0
		}
		switch {
		case err == io.EOF:
			n.eof = true
		case err != nil:
			return fmt.Errorf("read behind line %d: %w", n.line, err)
		case idle > 100:
			return fmt.Errorf("read behind line %d: %w", n.line, io.ErrNoProgress)
		}
	}
	n.block, n.pos = unsafe.String(unsafe.SliceData(buf), len(buf)), 0 // buf is not kept
	return nil
}

// use moves behind the next k bytes and counts their line ends.
func (n *input) use(k int) {
	s := n.block[n.pos : n.pos+k]
	if i := strings.LastIndexByte(s, '\n'); i >= 0 {
		n.line += strings.Count(s, "\n")
		n.col = -i - 1
	}
	n.col += k
	n.pos += k
}

// space moves to the next byte that is no white space and returns it, or 0 at
// the end.
func (n *input) space() (byte, error) {
	for {
		k := n.pos
		for k < len(n.block) && isSpace(n.block[k]) {
			k++
		}
		n.use(k - n.pos)
		if n.pos < len(n.block) {
			return n.block[n.pos], nil
		}
		if n.eof {
			return 0, nil
		}
		if err := n.fill(); err != nil {
			return 0, err
		}
	}
}

// take uses up to the place where end says the text ends, which gets what was
// not looked at yet and returns an offset in it or -1. It keeps at most limit
// bytes: of more, the beginning, and size is how many there were. The text ends
// with the original at the latest.
func (n *input) take(end func(string) int, limit, keep int) (text string, size int, err error) {
	seen := 0 // bytes at pos that end has seen
	for {
		k := end(n.block[n.pos+seen:])
		whole := k >= 0 || n.eof
		if k < 0 {
			k = len(n.block) - n.pos - seen
		}
		seen += k
		switch {
		case size > 0:
			size += seen
			n.use(seen)
			seen = 0
		case seen > limit:
			text = strings.Clone(cut(n.block[n.pos:n.pos+seen], keep))
			size = seen
			n.use(seen)
			seen = 0
		case whole:
			text = n.block[n.pos : n.pos+seen]
			n.use(seen)
		}
		if whole {
			return text, size, nil
		}
		if err := n.fill(); err != nil {
			return "", 0, err
		}
	}
}
