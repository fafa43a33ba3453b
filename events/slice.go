package events

import (
	"encoding/json"
	"errors"
	"fmt"
)

// This file slices JSON that we wrote ourselves, without decoding it: entries
// are read a million events a second, and most readers want few of their
// members. It trusts that strings and brackets are well formed (the hash chain
// vouches for the bytes) but never reads outside the slice.

var errShape = errors.New("not the JSON of an entry")

// members calls f for each member of the object b in order, with the bytes of
// its value and the offset at which the member begins (at its comma, if it has one).
func members(b []byte, f func(name string, value []byte, start int) error) error {
	if len(b) < 2 || b[0] != '{' {
		return errShape
	}
	for i := 1; i < len(b) && b[i] != '}'; {
		start := i
		if b[i] == ',' {
			i++
		}
		keyEnd := skipValue(b, i)
		if keyEnd < 0 || keyEnd-i < 2 || b[i] != '"' || keyEnd >= len(b) || b[keyEnd] != ':' {
			return fmt.Errorf("%w: at byte %d", errShape, i)
		}
		end := skipValue(b, keyEnd+1)
		if end < 0 {
			return fmt.Errorf("%w: at byte %d", errShape, keyEnd+1)
		}
		if err := f(string(b[i+1:keyEnd-1]), b[keyEnd+1:end:end], start); err != nil {
			return err
		}
		i = end
	}
	return nil
}

// elements returns the elements of the array b.
func elements(b []byte) ([][]byte, error) {
	if len(b) < 2 || b[0] != '[' {
		return nil, errShape
	}
	var out [][]byte
	for i := 1; i < len(b) && b[i] != ']'; {
		if b[i] == ',' {
			i++
		}
		end := skipValue(b, i)
		if end < 0 {
			return nil, fmt.Errorf("%w: at byte %d", errShape, i)
		}
		out = append(out, b[i:end:end])
		i = end
	}
	return out, nil
}

// skipValue returns the offset behind the value that begins at i, or -1.
func skipValue(b []byte, i int) int {
	if i >= len(b) {
		return -1
	}
	switch b[i] {
	case '"':
		return skipString(b, i)
	case '{', '[':
		depth := 0
		for i < len(b) {
			switch b[i] {
			case '"':
				if i = skipString(b, i); i < 0 {
					return -1
				}
				continue
			case '{', '[':
				depth++
			case '}', ']':
				if depth--; depth == 0 {
					return i + 1
				}
			}
			i++
		}
		return -1
	}
	start := i
	for i < len(b) && b[i] != ',' && b[i] != '}' && b[i] != ']' {
		i++
	}
	if i == start {
		return -1
	}
	return i
}

func skipString(b []byte, i int) int {
	for i++; i < len(b); i++ {
		switch b[i] {
		case '\\':
			i++
		case '"':
			return i + 1
		}
	}
	return -1
}

// textInto decodes a JSON string into p.
func textInto(value []byte, p *string) error {
	if len(value) >= 2 && value[0] == '"' {
		plain := true
		for _, c := range value[1 : len(value)-1] {
			if c == '\\' {
				plain = false
				break
			}
		}
		if plain {
			*p = string(value[1 : len(value)-1])
			return nil
		}
	}
	return json.Unmarshal(value, p)
}

// Member slices the member of the object b that begins at offset i: 1 for the
// first, then next. next is 0 behind the last member (there is no member then)
// and negative if b is not the JSON of an entry. Like [ParseEntry] it is for
// bytes that we wrote ourselves; name and value are slices of b, the name still
// in its escapes. It does not allocate.
func Member(b []byte, i int) (name, value []byte, next int) {
	if len(b) < 2 || b[0] != '{' || i < 1 || i >= len(b) {
		return nil, nil, -1
	}
	if b[i] == '}' {
		return nil, nil, 0
	}
	if b[i] == ',' {
		i++
	}
	end := skipValue(b, i)
	if end < 0 || end-i < 2 || b[i] != '"' || end >= len(b) || b[end] != ':' {
		return nil, nil, -1
	}
	name = b[i+1 : end-1 : end-1]
	if next = skipValue(b, end+1); next < 0 {
		return nil, nil, -1
	}
	return name, b[end+1 : next : next], next
}

// Element is [Member] for the array b.
func Element(b []byte, i int) (value []byte, next int) {
	if len(b) < 2 || b[0] != '[' || i < 1 || i >= len(b) {
		return nil, -1
	}
	if b[i] == ']' {
		return nil, 0
	}
	if b[i] == ',' {
		i++
	}
	if next = skipValue(b, i); next < 0 {
		return nil, -1
	}
	return b[i:next:next], next
}

// Text decodes a JSON string that [Member] or [Element] sliced; a null is "".
// Errors are of kind [ErrCorrupt].
func Text(value []byte) (string, error) {
	var s string
	if err := textInto(value, &s); err != nil {
		return "", fmt.Errorf("%w: %w", err, ErrCorrupt)
	}
	return s, nil
}
