package codes

import (
	"bytes"
	"encoding/hex"
	"math/bits"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Where the published telegrams come from.
const (
	fromFirmware = "flipperdevices/flipperzero-firmware, unit test of 125 kHz decoders (FDXB_TEST_DATA and its timings)"
	fromHarness  = "public test harnesses of RFID tools, country 999, national number 1337"
	fromAnswer   = "example-a.com/answer/42875600, a mirrored question on the check sum of FDX-B"
	fromSerial   = "notes on 134.2 kHz serial modules (allinbest.com/blog/1342k-animal-tag-fdxb-iso11784-reader-module and six more)"
	fromPetTag   = "scuba222/Pet-Tag-Scanner, comment on the country 483"
	byHand       = "worked out by hand from ISO 11784 and ISO 11785"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestTelegram_PublishedOnes(t *testing.T) {
	tests := []struct {
		telegram, digits string
		id               uint64
		sum              uint16
		source           string
	}{
		{"002898891fcab56f80407f73f8040201", "985113007399202", 0x8000f65a4fc41122, 0xfcdf, fromFirmware},
		{"00339a080402079f8040797788040201", "999000000001337", 0, 0x1ed3, fromHarness},
		{"00227828e4a2b56f804073fce8040201", "985112008380872", 0x8000f65a143841c8, 0x73f9, byHand + "; code and check sum: " + fromAnswer},
	}
	for _, tt := range tests {
		raw := [16]byte(unhex(t, tt.telegram))
		c, p := ParseTelegram(raw)
		if p != nil || c.Digits() != tt.digits || !c.Animal || c.Data || c.Retag != 0 || c.User != 0 || c.Reserved != 0 {
			t.Errorf("%s: %+v %s, %v, wanted %s of an animal (%s)", tt.telegram, c, c.Digits(), p, tt.digits, tt.source)
		}
		if _, sum := c.Bytes(); sum != tt.sum || tt.id != 0 && c.Uint64() != tt.id {
			t.Errorf("%s: code %016x, check sum %04x, wanted %016x and %04x (%s)", tt.telegram, c.Uint64(), sum, tt.id, tt.sum, tt.source)
		}
		if got := c.Telegram(); got != raw {
			t.Errorf("%s is written again as %x (%s)", tt.telegram, got, tt.source)
		}
	}
}

func TestParseCode_PublishedOnes(t *testing.T) {
	// The bits as they are sent; each byte has its least significant bit first.
	wire := unhex(t, "448823f25a6f0001")
	for i, b := range wire {
		wire[i] = bits.Reverse8(b)
	}
	if !bytes.Equal(wire, unhex(t, "2211c44f5af60080")) {
		t.Fatalf("the bits as sent give %x (%s)", wire, byHand)
	}
	tests := []struct {
		code   string // least significant byte first
		sum    uint16
		digits string
		source string
	}{
		{"2211c44f5af60080", 0xfcdf, "985113007399202", fromFirmware},
		{"c84138145af60080", 0x73f9, "985112008380872", fromAnswer},
		{"19829d1200450080", 0x2d1b, "276000312312345", "number: adewg/ICAR, std.iso.11785; bits " + byHand},
		{"152b2cba00d20080", 0xc11f, "840003123456789", "number: adewg/ICAR, usa.ain; bits " + byHand},
	}
	for _, tt := range tests {
		c, p := ParseCode([8]byte(unhex(t, tt.code)), tt.sum)
		if p != nil || c.Digits() != tt.digits {
			t.Errorf("%s %04x: %s, %v, wanted %s (%s)", tt.code, tt.sum, c.Digits(), p, tt.digits, tt.source)
		}
	}
	// The lowest bit of the first byte turned over has the check sum 7D60.
	_, p := ParseCode([8]byte(unhex(t, "2311c44f5af60080")), 0xfcdf)
	if p == nil || p.Error() != "wanted the check sum 7D60 of the code 8000F65A4FC41123, got FCDF" {
		t.Errorf("a turned bit: %v (%s)", p, byHand)
	}
}

func TestChecksum_IsKermit(t *testing.T) {
	// Source: catalogue of parametrised CRC algorithms, CRC-16/KERMIT, from memory.
	if got := Checksum([]byte("123456789")); got != 0x2189 {
		t.Errorf("check value %04x, wanted 2189", got)
	}
	if got := Checksum(make([]byte, 8)); got != 0 {
		t.Errorf("eight zero bytes: %04x, wanted 0", got)
	}
	// example-a.com/answer/42875600: the register before its bits are turned round.
	sent := unhex(t, "13821c285a6f0001")
	if got := register(sent); got != 0x9fce || bits.Reverse16(got) != 0x73f9 {
		t.Errorf("register %04x, wanted 9fce", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SliceOfN(rapid.Byte(), 0, 20).Draw(t, "bytes")
		sent := bytes.Clone(b)
		for i := range sent {
			sent[i] = bits.Reverse8(sent[i])
		}
		if got, want := Checksum(b), bits.Reverse16(register(sent)); got != want {
			t.Fatalf("%x: %04x, wanted %04x", b, got, want)
		}
	})
}

// register works the check sum out as a reader's manual tells it: bits shifted in
// as they are sent, polynomial 1021, from zero; the result is turned round.
func register(sent []byte) uint16 {
	var r uint16
	for _, b := range sent {
		for i := 7; i >= 0; i-- {
			top := r>>15 ^ uint16(b>>i&1)
			if r <<= 1; top == 1 {
				r ^= 0x1021
			}
		}
	}
	return r
}

// TestParseCode_RefusesEveryTurnedBit turns over each of the 64 bits of the code
// and the 16 of its check sum, alone and two by two.
func TestParseCode_RefusesEveryTurnedBit(t *testing.T) {
	for _, digits := range []string{"985113007399202", "276000312312345", "840003123456789", "001000000000000", "998274877906943"} {
		c, _, _ := ReadTransponder(digits)
		code, sum := c.Bytes()
		turned := 0
		for i := range 80 {
			for j := i; j < 80; j++ {
				b, s := code, sum
				for n, k := range []int{i, j} {
					if n == 1 && i == j {
						break
					}
					if k < 64 {
						b[k/8] ^= 1 << (k % 8)
					} else {
						s ^= 1 << (k - 64)
					}
				}
				turned++
				if got, p := ParseCode(b, s); p == nil {
					t.Errorf("%s with bits %d and %d turned over reads as %s", digits, i, j, got.Digits())
				}
			}
		}
		if turned != 80*81/2 {
			t.Fatalf("turned %d", turned)
		}
	}
}

// TestParseTelegram_RefusesEveryTurnedBitButThoseOfTheBlock does the same on the
// telegram: header, code, control bits and check sum. The data block has no check.
func TestParseTelegram_RefusesEveryTurnedBitButThoseOfTheBlock(t *testing.T) {
	whole := [16]byte(unhex(t, "002898891fcab56f80407f73f8040201"))
	accepted := 0
	for i := range 128 {
		b := whole
		b[i/8] ^= 1 << (7 - i%8)
		_, p := ParseTelegram(b)
		inBlock := i >= 101 && (i-101)%9 != 8
		if inBlock && p == nil {
			accepted++
		}
		if !inBlock && p == nil {
			t.Errorf("bit %d turned over is accepted", i)
		}
	}
	if accepted != 24 {
		t.Errorf("%d bits of the data block are free, wanted 24", accepted)
	}
	if _, p := ParseTelegram([16]byte{}); p == nil || !strings.Contains(p.Error(), "begins with ten bits 0 and one 1") {
		t.Errorf("no header: %v", p)
	}
}

func anyCode(t *rapid.T) TransponderCode {
	return TransponderCodeOf(rapid.Uint64().Draw(t, "code"))
}

func TestTransponderCode_ReadsBackInEveryForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCode(t)
		if got := TransponderCodeOf(c.Uint64()); got != c {
			t.Fatalf("%+v reads back as %+v", c, got)
		}
		raw := c.Telegram()
		if got, p := ParseTelegram(raw); p != nil || got != c {
			t.Fatalf("%+v reads back from its telegram as %+v, %v", c, got, p)
		}
		code, sum := c.Bytes()
		if got, p := ParseCode(code, sum); p != nil || got != c {
			t.Fatalf("%+v reads back from its bytes as %+v, %v", c, got, p)
		}
		plain := TransponderCode{Animal: c.Animal, Data: c.Data, Prefix: c.Prefix, National: c.National}
		if got, p := ParseSerial(c.Serial()); p != nil || got != plain {
			t.Fatalf("%+v reads back from its frame as %+v, %v", c, got, p)
		}
		frame := hex.EncodeToString(c.Serial())
		for _, given := range []string{hex.EncodeToString(raw[:]), strings.ToUpper(hex.EncodeToString(raw[:])), string(c.Serial()), frame, spaced(frame)} {
			got, p := ParseTransponder(given)
			if (p == nil) != (c.Problem() == nil) || p == nil && got != c.Digits() {
				t.Fatalf("ParseTransponder(%q) = %q, %v, wanted %s, %v", given, got, p, c.Digits(), c.Problem())
			}
		}
	})
}

func spaced(s string) string {
	var out []string
	for i := 0; i < len(s); i += 2 {
		out = append(out, s[i:i+2])
	}
	return strings.Join(out, " ")
}

func TestParseSerial(t *testing.T) {
	const example = "02 31 37 31 41 39 32 35 33 41 33 34 38 33 30 30 31 30 30 30 30 30 30 30 30 30 30 07 F8 03"
	with := func(i int, b byte) []byte {
		f := unhex(t, strings.ReplaceAll(example, " ", ""))
		f[i] = b
		return f
	}
	c, p := ParseSerial(with(0, 2))
	if p != nil || c.Digits() != "900250000023921" || c.Data || !c.Animal {
		t.Errorf("the example reads as %+v %s, %v (%s)", c, c.Digits(), p, fromSerial)
	}
	if c.Prefix != 0x384 {
		t.Errorf("the country 483 0 reversed is %d, wanted 900 (%s)", c.Prefix, fromPetTag)
	}
	if got := c.Serial(); !bytes.Equal(got, with(0, 2)) {
		t.Errorf("the example is written again as % X", got)
	}
	if got, p := ParseTransponder(example); p != nil || got != "900250000023921" {
		t.Errorf("ParseTransponder of the example: %q, %v", got, p)
	}
	tests := []struct {
		name   string
		frame  []byte
		want   string
		source string
	}{
		{"half duplex", with(29, 7), "", "an issue of a public module library: the end byte is 07"},
		{"wrong check byte", with(27, 6), "wanted the check bytes 07 F8, got 06 F8", byHand},
		{"wrong inverse", with(28, 7), "wanted the check bytes 07 F8, got 07 07", byHand},
		{"another start", with(0, 3), "wanted a frame from 02 to 03 or 07, got 03 to 03", fromSerial},
		{"another end", with(29, 4), "got 02 to 04", fromSerial},
		{"short", with(0, 2)[:29], "wanted a frame of 30 bytes, got 29 bytes", fromSerial},
		{"no digit", func() []byte { f := with(5, 'G'); f[27] ^= 0x39 ^ 'G'; f[28] = ^f[27]; return f }(), "hexadecimal digits and two flags", fromSerial},
		{"no flag", func() []byte { f := with(16, '2'); f[27] ^= '1' ^ '2'; f[28] = ^f[27]; return f }(), "hexadecimal digits and two flags", fromSerial},
		{"beyond 38 bits", func() []byte { f := with(10, 'F'); f[27] ^= '3' ^ 'F'; f[28] = ^f[27]; return f }(), "38 bits", "ISO 11784"},
		{"beyond 10 bits", func() []byte { f := with(14, '1'); f[27] ^= '0' ^ '1'; f[28] = ^f[27]; return f }(), "10 bits", "ISO 11784"},
	}
	for _, tt := range tests {
		_, p := ParseSerial(tt.frame)
		if tt.want == "" && p != nil || tt.want != "" && (p == nil || !strings.Contains(p.Error(), tt.want)) {
			t.Errorf("%s: %v, wanted %q (%s)", tt.name, p, tt.want, tt.source)
		}
	}
}

// Every frame with one byte changed is refused, but for the end byte that stands
// for half duplex, hexadecimal digits in lower case, and nothing else.
func TestParseSerial_RefusesEveryChangedByte(t *testing.T) {
	c, _, _ := ReadTransponder("900250000023921")
	whole := c.Serial()
	for i := range whole {
		for b := range 256 {
			f := bytes.Clone(whole)
			if f[i] = byte(b); bytes.Equal(f, whole) {
				continue
			}
			if _, p := ParseSerial(f); p == nil && (i != 29 || b != endHalf) {
				t.Errorf("byte %d changed from %02X to %02X is accepted", i, whole[i], b)
			}
		}
	}
}

func FuzzParseTelegram(f *testing.F) {
	for _, s := range []string{"002898891fcab56f80407f73f8040201", "00339a080402079f8040797788040201", "00000000000000000000000000000000"} {
		f.Add(unhex(f, s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) != telegramBytes {
			return
		}
		c, p := ParseTelegram([16]byte(b))
		if p != nil {
			if c != (TransponderCode{}) || p.Wanted == "" || p.Got == "" {
				t.Fatalf("%x: %+v and %+v", b, c, p)
			}
			return
		}
		if again, p := ParseTelegram(c.Telegram()); p != nil || again != c {
			t.Fatalf("%x: %+v reads back as %+v, %v", b, c, again, p)
		}
	})
}

func FuzzParseSerial(f *testing.F) {
	c, _, _ := ReadTransponder("900250000023921")
	f.Add(c.Serial())
	f.Add([]byte{2, 3})
	f.Fuzz(func(t *testing.T, b []byte) {
		c, p := ParseSerial(b)
		if p != nil {
			if c != (TransponderCode{}) || p.Wanted == "" || p.Got == "" {
				t.Fatalf("%x: %+v and %+v", b, c, p)
			}
			return
		}
		if again, p := ParseSerial(c.Serial()); p != nil || again != c {
			t.Fatalf("%x: %+v reads back as %+v, %v", b, c, again, p)
		}
	})
}
