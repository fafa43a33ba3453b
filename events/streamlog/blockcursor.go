package streamlog

import (
	"context"
	"errors"
	"fmt"
	"io"

	"dewclaw/events"
)

// A blockCursor reads entries from block files, one file after the other.
type blockCursor struct {
	blocks        *blocks
	number        int   // of the block being read
	off           int64 // where in it to begin
	s             *scanner
	want, through events.Position
	bad           *flaw   // damage met since the last whole entry
	ahead         *record // whole, but behind missing ones
}

func (c *blockCursor) close() {
	if c.s != nil {
		c.s.close()
		c.s = nil
	}
}

func (c *blockCursor) next(ctx context.Context) (raw, error) {
	for c.want <= c.through {
		if err := ctx.Err(); err != nil {
			return raw{}, err
		}
		rec, err := c.record()
		if err == io.EOF {
			return raw{}, c.missing(c.through, nil)
		}
		if f := (*flaw)(nil); errors.As(err, &f) {
			if c.bad == nil {
				c.bad = f
			}
			continue
		}
		if err != nil {
			return raw{}, err
		}
		switch pos := rec.position(); {
		case pos > c.want:
			c.ahead = rec
			return raw{}, c.missing(min(pos-1, c.through), rec)
		case pos == c.want && rec.kept:
			c.want, c.bad = pos+1, nil
			return raw{pos, rec.body, fmt.Sprintf("%s byte %d", c.s.path, rec.off)}, nil
		}
	}
	return raw{}, io.EOF
}

// record returns the next whole record of any position.
func (c *blockCursor) record() (*record, error) {
	if rec := c.ahead; rec != nil {
		c.ahead = nil
		return rec, nil
	}
	for {
		if c.s == nil {
			k, ok := c.blocks.at(c.number)
			if !ok {
				return nil, io.EOF
			}
			s, err := c.blocks.scan(k.index, c.off)
			if err != nil {
				return nil, err
			}
			c.s, c.off = s, 0
		}
		rec, err := c.s.next()
		if err != io.EOF {
			return rec, err
		}
		if _, ok := c.blocks.at(c.number + 1); !ok {
			return nil, io.EOF
		}
		c.close()
		c.number++
	}
}

// missing tells that the entries from want to last are not there, and moves on.
func (c *blockCursor) missing(last events.Position, then *record) *flaw {
	f := c.bad
	if f == nil {
		f = &flaw{what: "stored entries", wanted: fmt.Sprintf("position %d", c.want)}
		switch {
		case then != nil:
			f.where = fmt.Sprintf("%s byte %d", c.s.path, then.off)
			f.got = fmt.Sprintf("position %d", then.seq)
		case c.s != nil:
			f.where, f.got = fmt.Sprintf("%s byte %d", c.s.path, c.s.off), "the end of the log"
		default:
			f.where, f.got = c.blocks.dir, "no block file"
		}
	}
	f.from, f.to = c.want, last
	c.want, c.bad = last+1, nil
	return f
}
