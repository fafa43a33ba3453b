package codes

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"

	"dewclaw/events"
)

// The frame that common serial modules send has 30 bytes:
//
//	 1  02                      start
//	10  hexadecimal digits      national number, the least significant digit first
//	 4  hexadecimal digits      country or manufacturer, the same
//	 1  0 or 1                  a data block follows
//	 1  0 or 1                  the transponder is in an animal
//	10  digits                  reserved, user information
//	 1  byte                    exclusive or of the 26 bytes between
//	 1  byte                    its inverse
//	 1  03 or 07                end; 07 stands for a half-duplex transponder
//
// (Several public decoder sources, all with the same example; an issue in one of
// them for the end 07.)
const (
	serialBytes = 30
	startByte   = 0x02
	endByte     = 0x03
	endHalf     = 0x07
)

// ParseSerial reads the frame of a serial module. Length, start, end, both check
// bytes and the digits must be right.
func ParseSerial(frame []byte) (TransponderCode, *Problem) {
	if len(frame) != serialBytes {
		return TransponderCode{}, &Problem{Wanted: "a frame of 30 bytes", Got: strconv.Itoa(len(frame)) + " bytes"}
	}
	body, sum, inverse, end := frame[1:27], frame[27], frame[28], frame[29]
	if frame[0] != startByte || end != endByte && end != endHalf {
		return TransponderCode{}, &Problem{Wanted: "a frame from 02 to 03 or 07", Got: fmt.Sprintf("%02X to %02X", frame[0], end)}
	}
	if want := exclusiveOr(body); sum != want || inverse != ^want {
		return TransponderCode{}, &Problem{Wanted: fmt.Sprintf("the check bytes %02X %02X", want, ^want), Got: fmt.Sprintf("%02X %02X", sum, inverse)}
	}
	national, okN := reversedHex(body[:10])
	prefix, okP := reversedHex(body[10:14])
	data, okD := oneOrZero(body[14])
	animal, okA := oneOrZero(body[15])
	switch {
	case !okN || !okP || !okD || !okA:
		return TransponderCode{}, &Problem{Wanted: "hexadecimal digits and two flags in the frame", Got: quote(string(body))}
	case national > largestNational:
		return TransponderCode{}, tooLarge(national, quote(string(body)))
	case prefix >= prefixes:
		return TransponderCode{}, &Problem{Wanted: "a country or manufacturer of 10 bits", Got: strconv.FormatUint(prefix, 10)}
	}
	return TransponderCode{Animal: animal, Data: data, Prefix: int(prefix), National: national}, nil
}

// Serial returns the frame of the code, with nothing in its reserved part.
func (c TransponderCode) Serial() []byte {
	b := make([]byte, 0, serialBytes)
	b = append(b, startByte)
	b = appendReversedHex(b, c.National&largestNational, 10)
	b = appendReversedHex(b, uint64(c.Prefix&(prefixes-1)), 4)
	b = append(b, flagByte(c.Data), flagByte(c.Animal))
	b = append(b, "0000000000"...)
	sum := exclusiveOr(b[1:])
	return append(b, sum, ^sum, endByte)
}

// isSerial reports whether s is a frame: its bytes, or two hexadecimal digits
// for each with or without spaces between. Both begin with a start byte, which no
// written number does.
func isSerial(s string) bool {
	return strings.HasPrefix(s, "\x02") || len(s) >= 2*serialBytes && strings.HasPrefix(s, "02") && hexadecimal(events.Compact(s))
}

func parseSerialText(s string) (TransponderCode, *Problem) {
	if s[0] == startByte {
		return ParseSerial([]byte(s))
	}
	b, err := hex.DecodeString(events.Compact(s))
	if err != nil {
		return TransponderCode{}, &Problem{Wanted: "two hexadecimal digits for each byte of a frame", Got: quote(s)}
	}
	return ParseSerial(b)
}

func exclusiveOr(b []byte) byte {
	var sum byte
	for _, x := range b {
		sum ^= x
	}
	return sum
}

func reversedHex(b []byte) (n uint64, ok bool) {
	for i := len(b) - 1; i >= 0; i-- {
		c := b[i]
		switch {
		case digit(c):
			n = n<<4 | uint64(c-'0')
		case c >= 'A' && c <= 'F':
			n = n<<4 | uint64(c-'A'+10)
		case c >= 'a' && c <= 'f':
			n = n<<4 | uint64(c-'a'+10)
		default:
			return 0, false
		}
	}
	return n, true
}

func appendReversedHex(b []byte, n uint64, digits int) []byte {
	for range digits {
		b = append(b, "0123456789ABCDEF"[n&15])
		n >>= 4
	}
	return b
}

func oneOrZero(c byte) (set, ok bool) { return c == '1', c == '0' || c == '1' }

func flagByte(set bool) byte {
	if set {
		return '1'
	}
	return '0'
}
