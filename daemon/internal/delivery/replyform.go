package delivery

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"dewclaw/events"
)

// MaxReplies is how many replies one request or file may have.
const MaxReplies = 10_000

// ReadReplies reads replies: JSON objects, arrays of them, one behind the other. An
// error of kind invalid says at which reply they are no replies; any other is that
// of the reader.
func ReadReplies(r io.Reader) ([]Reply, error) {
	b, err := io.ReadAll(r)
	if err != nil {
		return nil, err
	}
	var out []Reply
	for d := json.NewDecoder(bytes.NewReader(b)); ; {
		var raw json.RawMessage
		err := d.Decode(&raw)
		if errors.Is(err, io.EOF) && len(out) > 0 {
			return out, nil
		}
		var list []Reply
		if err == nil {
			list, err = oneOrMany(raw)
		}
		if err == nil && len(out)+len(list) > MaxReplies {
			err = fmt.Errorf("more than %d replies", MaxReplies)
		}
		if err != nil {
			return nil, &events.Fault{
				Kind: events.ErrInvalid, What: fmt.Sprintf("reply %d", len(out)+1),
				Wanted: `{"id": …, "outcome": "confirmed" or "refused", "reason": …, "reference": …}, or an array of these`, Got: err.Error(),
			}
		}
		out = append(out, list...)
	}
}

func oneOrMany(raw json.RawMessage) ([]Reply, error) {
	strict := func(v any) error {
		d := json.NewDecoder(bytes.NewReader(raw))
		d.DisallowUnknownFields()
		return d.Decode(v)
	}
	if len(raw) > 0 && raw[0] == '[' {
		var list []Reply
		err := strict(&list)
		if err == nil && len(list) == 0 {
			err = errors.New("an empty array")
		}
		return list, err
	}
	var one Reply
	err := strict(&one)
	return []Reply{one}, err
}
