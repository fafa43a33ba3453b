package codes

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math/bits"
	"strconv"
)

// The telegram of ISO 11785 (FDX-B) has 128 bits, first sent first:
//
//	10 bits 0 and one 1        header
//	8 times 8 bits and a 1     code, its least significant bit and byte first
//	2 times 8 bits and a 1     check sum of the 8 code bytes, low byte first
//	3 times 8 bits and a 1     data block
//
// The ones behind every eight bits keep the header from standing anywhere else.
// (Public FDX-B decoder sources; a reader maker's manual for the check sum.)
const (
	telegramBytes = 16
	headerBits    = 11
	codeBytes     = 8
	sumBytes      = 2
	blockBytes    = 3
)

// Checksum returns CRC-16/KERMIT, the check sum of ISO 11785: polynomial x16 +
// x12 + x5 + 1 over every byte from its least significant bit, beginning with 0.
// Of "123456789" it is 0x2189 (catalogue of CRC algorithms, from memory).
func Checksum(b []byte) uint16 {
	var sum uint16
	for _, x := range b {
		sum ^= uint16(x)
		for range 8 {
			if sum&1 != 0 {
				sum = sum>>1 ^ 0x8408 // the polynomial 0x1021 with its bits reversed
			} else {
				sum >>= 1
			}
		}
	}
	return sum
}

// ParseCode reads the 64-bit code as it is sent, the least significant byte
// first, with the check sum over it. A check sum that does not fit is a problem;
// what the code says is not judged.
func ParseCode(code [8]byte, sum uint16) (TransponderCode, *Problem) {
	if want := Checksum(code[:]); want != sum {
		return TransponderCode{}, &Problem{
			Wanted: fmt.Sprintf("the check sum %04X of the code %016X", want, binary.LittleEndian.Uint64(code[:])),
			Got:    fmt.Sprintf("%04X", sum),
		}
	}
	return TransponderCodeOf(binary.LittleEndian.Uint64(code[:])), nil
}

// Bytes returns the code as it is sent, the least significant byte first, and
// its check sum.
func (c TransponderCode) Bytes() (code [8]byte, sum uint16) {
	binary.LittleEndian.PutUint64(code[:], c.Uint64())
	return code, Checksum(code[:])
}

// ParseTelegram reads a telegram; the first bit sent is the highest bit of its
// first byte. Header, control bits and check sum must be right; the data block is
// not looked at, for the check sum does not cover it.
func ParseTelegram(t [16]byte) (TransponderCode, *Problem) {
	r := bitReader{t: &t}
	for i := range headerBits {
		if got := r.next(); got != (i == headerBits-1) {
			return TransponderCode{}, &Problem{Wanted: "a telegram that begins with ten bits 0 and one 1", Got: "another bit " + strconv.Itoa(i+1)}
		}
	}
	var body [codeBytes + sumBytes + blockBytes]byte
	for i := range body {
		body[i] = r.lowFirst()
		if !r.next() {
			return TransponderCode{}, &Problem{Wanted: "a control bit 1 behind every eight bits", Got: "0 behind byte " + strconv.Itoa(i+1)}
		}
	}
	return ParseCode([codeBytes]byte(body[:codeBytes]), binary.LittleEndian.Uint16(body[codeBytes:]))
}

// Telegram returns the telegram of the code, with an empty data block.
func (c TransponderCode) Telegram() [16]byte {
	code, sum := c.Bytes()
	body := append(code[:], byte(sum), byte(sum>>8), 0, 0, 0)
	w := bitWriter{at: headerBits - 1}
	w.put(true)
	for _, b := range body {
		for i := range 8 {
			w.put(b>>i&1 == 1)
		}
		w.put(true)
	}
	return w.t
}

func parseTelegramText(digits, given string) (TransponderCode, *Problem) {
	var t [telegramBytes]byte
	if _, err := hex.Decode(t[:], []byte(digits)); err != nil {
		return TransponderCode{}, &Problem{Wanted: "32 hexadecimal digits", Got: quote(given)}
	}
	c, p := ParseTelegram(t)
	if p != nil {
		p = &Problem{Wanted: "15 digits, or " + p.Wanted, Got: quote(given) + " with " + p.Got}
	}
	return c, p
}

type bitReader struct {
	t  *[telegramBytes]byte
	at int
}

func (r *bitReader) next() bool {
	b := r.t[r.at/8]>>(7-r.at%8)&1 == 1
	r.at++
	return b
}

// lowFirst reads a byte whose least significant bit comes first.
func (r *bitReader) lowFirst() byte {
	var b byte
	for range 8 {
		b <<= 1
		if r.next() {
			b |= 1
		}
	}
	return bits.Reverse8(b)
}

type bitWriter struct {
	t  [telegramBytes]byte
	at int
}

func (w *bitWriter) put(bit bool) {
	if bit {
		w.t[w.at/8] |= 1 << (7 - w.at%8)
	}
	w.at++
}

// hexadecimal reports whether s is hexadecimal digits in upper case.
func hexadecimal(s string) bool {
	for i := 0; i < len(s); i++ {
		if c := s[i]; !digit(c) && (c < 'A' || c > 'F') {
			return false
		}
	}
	return len(s) > 0
}
