package events

import (
	"crypto/sha256"
	"encoding/hex"
)

// A Digest compares the contents of two payloads: the first 16 bytes of SHA-256
// over their counted members (see the package comment).
type Digest [16]byte

// String returns the digest in lower-case hex.
func (d Digest) String() string { return hex.EncodeToString(d[:]) }

// An Encoder writes payloads and works out their digests, reusing its buffers.
// The zero value is ready; not for use by several goroutines at once.
type Encoder struct {
	e       encoder
	scratch []byte
}

// Append appends p as the JSON of an event's data to dst and returns the
// extended slice and the content digest. It does no checking.
func (x *Encoder) Append(dst []byte, p Payload) ([]byte, Digest) {
	x.e.buf, x.e.nums = dst, x.e.nums[:0]
	start := len(dst)
	x.e.open()
	p.appendCounted(&x.e)
	counted := len(x.e.buf)
	d := x.digest(x.e.buf[start:counted], start)
	appendUncounted(&x.e, p)
	x.e.close()
	dst, x.e.buf = x.e.buf, nil
	return dst, d
}

// Digest returns the content digest of p.
func (x *Encoder) Digest(p Payload) Digest {
	_, d := x.Append(nil, p)
	return d
}

// digest hashes the counted members, closed by a brace, with the numbers that
// begin at offset in the buffer quoted.
func (x *Encoder) digest(counted []byte, offset int) Digest {
	b := x.scratch[:0]
	last := 0
	for i := 0; i < len(x.e.nums); i += 2 {
		from, to := x.e.nums[i]-offset, x.e.nums[i+1]-offset
		b = append(b, counted[last:from]...)
		b = append(b, '"')
		b = append(b, counted[from:to]...)
		b = append(b, '"')
		last = to
	}
	b = append(b, counted[last:]...)
	b = append(b, '}')
	x.scratch = b
	sum := sha256.Sum256(b)
	return Digest(sum[:16])
}

// StoredDigest returns the content digest of a payload as it is stored, without
// decoding it. It trusts that data is what an [Encoder] wrote; for anything else
// the digest means nothing.
func StoredDigest(data []byte) Digest {
	b := make([]byte, 0, len(data)+32)
	end := countedEnd(data)
	for i := 0; i < end; {
		c := data[i]
		switch {
		case c == '"':
			next := skipString(data[:end], i)
			if next < 0 {
				next = end
			}
			b = append(b, data[i:next]...)
			i = next
		case c == '-' || c >= '0' && c <= '9':
			b = append(b, '"')
			for i < end && numberByte(data[i]) {
				b = append(b, data[i])
				i++
			}
			b = append(b, '"')
		default:
			b = append(b, c)
			i++
		}
	}
	sum := sha256.Sum256(append(b, '}'))
	return Digest(sum[:16])
}

// countedEnd returns the offset behind the members that count for the digest:
// where the first other member or the closing brace begins.
func countedEnd(data []byte) int {
	end := max(0, len(data)-1)
	_ = members(data, func(name string, _ []byte, start int) error {
		switch name {
		case "derived", "notes", "observer", "operators", "origin", "who", "words":
			end = start
			return errShape
		}
		return nil
	})
	return end
}

func numberByte(c byte) bool { return c >= '0' && c <= '9' || c == '-' || c == '.' }
