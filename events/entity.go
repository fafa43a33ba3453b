package events

import (
	"crypto/sha256"
	"encoding/base32"
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Sizes of the two parts of an entity, in bytes and in characters.
const (
	recordBytes, slotBytes = 13, 5
	recordChars, slotChars = 21, 8
	entityChars            = recordChars + slotChars
)

// codec is base32 with the extended hex alphabet (RFC 4648 section 7) in lower
// case and without padding: text sorts as the bytes do.
var codec = base32.NewEncoding("0123456789abcdefghijklmnopqrstuv").WithPadding(base32.NoPadding)

// A RecordID names one record of one source for ever: 13 bytes, of which the
// first two are a hint that keeps neighbours together in an index (the day of
// the record, or the neighbourhood of a counting record key), the rest a
// truncated SHA-256 over farm, source and record key.
type RecordID [recordBytes]byte

// A Slot names the place of one event within its record: a truncated SHA-256.
// Two events of a record that would have one slot differ in their ordinal.
type Slot [slotBytes]byte

// An Entity names what an event is about, stable over its revisions: the text
// of its record (21 characters) and of its slot (8). The zero value is "".
type Entity string

// String returns the record as 21 characters of lower-case base32 (RFC 4648,
// extended hex alphabet).
func (r RecordID) String() string { return codec.EncodeToString(r[:]) }

// Entity returns the entity of slot s in record r.
func (r RecordID) Entity(s Slot) Entity {
	return Entity(AppendEntity(make([]byte, 0, entityChars), r, s))
}

// AppendEntity appends the text of the entity of slot s in record r.
func AppendEntity(b []byte, r RecordID, s Slot) []byte {
	return codec.AppendEncode(codec.AppendEncode(b, r[:]), s[:])
}

// ParseRecordID reads what [RecordID.String] writes; the error is of kind [ErrInvalid].
func ParseRecordID(s string) (RecordID, error) {
	var r RecordID
	if len(s) == recordChars && decode(r[:], s) {
		return r, nil
	}
	return RecordID{}, fmt.Errorf("record %q: wanted %d characters 0-9 a-v: %w", clip(s, 40), recordChars, ErrInvalid)
}

// Split returns the record and the slot of e; the error is of kind [ErrInvalid].
func (e Entity) Split() (RecordID, Slot, error) {
	var r RecordID
	var s Slot
	if len(e) == entityChars && decode(r[:], string(e[:recordChars])) && decode(s[:], string(e[recordChars:])) {
		return r, s, nil
	}
	return RecordID{}, Slot{}, fmt.Errorf("entity %q: wanted %d characters 0-9 a-v: %w", clip(string(e), 60), entityChars, ErrInvalid)
}

// decode reads the text of exactly len(dst) bytes, as codec does but without an
// allocation; bits behind the last byte must be zero.
func decode(dst []byte, s string) bool {
	bits, n, at := uint(0), 0, 0
	for i := 0; i < len(s); i++ {
		v := digitValues[s[i]]
		if v > 31 {
			return false
		}
		bits, n = bits<<5|uint(v), n+5
		if n >= 8 && at < len(dst) {
			n -= 8
			dst[at] = byte(bits >> n)
			at++
		}
	}
	return at == len(dst) && bits&(1<<n-1) == 0
}

var digitValues = func() (t [256]byte) {
	for i := range t {
		switch {
		case i >= '0' && i <= '9':
			t[i] = byte(i - '0')
		case i >= 'a' && i <= 'v':
			t[i] = byte(i - 'a' + 10)
		default:
			t[i] = 255
		}
	}
	return t
}()

// EventID returns the CloudEvents id: the entity, a point, and the revision.
func EventID(e Entity, revision int) string {
	return string(e) + "." + strconv.Itoa(revision)
}

// movedMark ends the id of the delete of a revision whose event has been given to
// another animal since: [Event.Moved].
const movedMark = ".moved"

// IsMovedID reports whether s, which [ParseEventID] accepts, is the id of such a delete.
func IsMovedID(s string) bool { return strings.HasSuffix(s, movedMark) }

// ParseEventID reads what [Event.ID] writes. A bare entity is accepted with
// revision 0, which stands for its newest revision. Of the id of a delete that
// [IsMovedID] knows, the revision is the one that it deletes. Errors are of kind
// [ErrInvalid].
func ParseEventID(s string) (Entity, int, error) {
	e, rev := s, 0
	if len(s) > entityChars+len(movedMark) {
		s = strings.TrimSuffix(s, movedMark)
		e = s
	}
	if len(s) > entityChars && s[entityChars] == '.' {
		n, err := strconv.Atoi(s[entityChars+1:])
		if err != nil || n < 1 || s[entityChars+1:] != strconv.Itoa(n) {
			return "", 0, fmt.Errorf("event id %q: wanted a revision from 1, without sign or leading zeros, behind the point: %w", clip(s, 60), ErrInvalid)
		}
		e, rev = s[:entityChars], n
	}
	if _, _, err := Entity(e).Split(); err != nil {
		return "", 0, err
	}
	return Entity(e), rev, nil
}

// A Keyer works out record ids and slots of one source. It reuses its buffers:
// not for use by several goroutines at once.
type Keyer struct {
	farm, source string
	buf          []byte
}

// NewKeyer returns a Keyer for the records of one source of one farm. Farm and
// source ids go into every entity and must never change.
func NewKeyer(farm, source string) *Keyer {
	return &Keyer{farm: farm, source: source}
}

// The forms of a record key: what the parts mean.
const (
	formOwn         = "own"         // the source's own record key
	formExamination = "examination" // the examination key
	formAnimal      = "animal"      // key identifier, date and time as read
	formVisit       = "visit"       // the visit key
	formGroup       = "group"       // pens, date and time as read, of what names no animal
)

// OwnKey returns the record with the source's own key.
func (k *Keyer) OwnKey(key string) RecordID {
	return k.record(near(key), formOwn, key)
}

// ExaminationKey returns the record with an examination key: one animal, one
// time on the chute.
func (k *Keyer) ExaminationKey(key string) RecordID {
	return k.record(near(key), formExamination, key)
}

// AnimalKey returns the record of the key identifier id (its scheme and its
// value without spaces, dots and hyphens, in upper case) at a local date and
// time as read. The date is YYYY-MM-DD or empty; date and clock are the texts
// of the source, so that a corrected layout does not make a new record.
func (k *Keyer) AnimalKey(id Identifier, date, dateRead, timeRead string) RecordID {
	return k.record(dayHint(date), formAnimal, id.Scheme, Compact(id.Value), dateRead, timeRead)
}

// GroupKey returns the record of what was done to many animals at once, where the
// source has no record key: the pens as the event has them, joined by commas, at
// a local date and time as read. Dates are as those of AnimalKey.
func (k *Keyer) GroupKey(pens, date, dateRead, timeRead string) RecordID {
	return k.record(dayHint(date), formGroup, pens, dateRead, timeRead)
}

// VisitKey returns the record of what a source says of the visit with a key.
// The visit event is its slot of kind visit with ordinal 0 and no parts.
func (k *Keyer) VisitKey(key string) RecordID {
	return k.record(near(key), formVisit, key)
}

func (k *Keyer) record(hint uint16, form string, parts ...string) RecordID {
	b := appendPart(k.buf[:0], k.farm)
	b = appendPart(b, k.source)
	b = appendPart(b, form)
	for _, p := range parts {
		b = appendPart(b, p)
	}
	k.buf = b
	var r RecordID
	binary.BigEndian.PutUint16(r[:], hint)
	sum := sha256.Sum256(b)
	copy(r[2:], sum[:])
	return r
}

// Slot returns the slot of an event: its kind, the parts that tell it from the
// other events of the record (foot, claw, code, zone, ...), and the ordinal
// among events for which all of these are equal, from 0.
func (k *Keyer) Slot(kind Kind, ordinal int, parts ...string) Slot {
	b := appendPart(k.buf[:0], string(kind))
	for _, p := range parts {
		b = appendPart(b, p)
	}
	b = binary.AppendUvarint(b, uint64(ordinal))
	k.buf = b
	sum := sha256.Sum256(b)
	return Slot(sum[:slotBytes])
}

// appendPart appends a part with its length before it, so that no two lists of
// parts make the same bytes.
func appendPart(b []byte, s string) []byte {
	b = binary.AppendUvarint(b, uint64(len(s)))
	return append(b, s...)
}

// dayHint returns the days since 1970-01-01 plus one, or 0 for a date that is
// empty, none, or out of range: only where a key lies in an index depends on it.
func dayHint(date string) uint16 {
	if len(date) != 10 || date[4] != '-' || date[7] != '-' {
		return 0
	}
	n := [3]int{}
	for i, c := range []byte(date) {
		switch {
		case i == 4 || i == 7:
		case c < '0' || c > '9':
			return 0
		default:
			k := min(i/4, 1) + i/8
			n[k] = n[k]*10 + int(c-'0')
		}
	}
	year, month, day := n[0], n[1], n[2]
	if month < 1 || month > 12 || day < 1 || day > 28 && day > time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day() {
		return 0
	}
	// Years are taken to begin in March, so that the leap day comes last.
	if month <= 2 {
		year--
	}
	d := year*365 + year/4 - year/100 + year/400 + (153*((month+9)%12)+2)/5 + day - 719469 + 1
	if d < 1 || d > 65535 {
		return 0
	}
	return uint16(d)
}

// near returns a hint that is equal or neighbouring for keys that count up:
// the last run of digits, without its lowest nine bits.
func near(key string) uint16 {
	end := len(key)
	for end > 0 && (key[end-1] < '0' || key[end-1] > '9') {
		end--
	}
	start := end
	for start > 0 && end-start < 18 && key[start-1] >= '0' && key[start-1] <= '9' {
		start--
	}
	n, _ := strconv.ParseUint(key[start:end], 10, 64)
	return uint16(n >> 9)
}

// Compact returns s without spaces, dots and hyphens and in upper case (ASCII
// letters only). It is the form in which identifiers go into record keys, and
// is frozen: a change would rename every entity.
func Compact(s string) string {
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case c == ' ', c == '.', c == '-', c >= 'a' && c <= 'z', c >= 0x80:
			return compact(s)
		}
	}
	return s
}

func compact(s string) string {
	b := make([]byte, 0, len(s))
	for _, r := range s {
		switch {
		case r == ' ', r == '.', r == '-', r == '\u00a0', r == '\u202f':
		case r >= 'a' && r <= 'z':
			b = append(b, byte(r)-'a'+'A')
		default:
			b = append(b, string(r)...)
		}
	}
	return string(b)
}
