package index

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"strconv"

	"dewclaw/events"
)

// appendRecordKey appends the key of a record: source number and record id.
func appendRecordKey(b []byte, source uint32, id events.RecordID) []byte {
	return append(binary.BigEndian.AppendUint32(b, source), id[:]...)
}

// hash stands for a list in keys: file titles can be long and many.
func (l List) hash() [8]byte {
	sum := sha256.Sum256([]byte(l.Farm + "\x00" + l.Scope)) // no id of a farm has a NUL
	return [8]byte(sum[:8])
}

// appendDayKey appends the key of a day of a complete source; record ids follow
// it in the keys of the table days.
func appendDayKey(b []byte, source uint32, list [8]byte, day string) []byte {
	b = binary.BigEndian.AppendUint32(b, source)
	b = append(b, list[:]...)
	return binary.BigEndian.AppendUint32(b, dayNumber(day))
}

// dayNumber writes YYYY-MM-DD as the number YYYYMMDD; 0 for anything else.
func dayNumber(day string) uint32 {
	if len(day) != 10 || day[4] != '-' || day[7] != '-' {
		return 0
	}
	n, err := strconv.ParseUint(day[:4]+day[5:7]+day[8:], 10, 32)
	if err != nil {
		return 0
	}
	return uint32(n)
}

func dayText(n uint32) string {
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", n/10000, n/100%100, n%100)
}
