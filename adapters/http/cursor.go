package http

import (
	"strconv"
	"strings"

	"dewclaw/events"
)

// WriteCursor writes a place so that it can be handed out: the first characters of
// the id of the log, the position and the index, with points between them.
func WriteCursor(log string, p events.Place) string {
	return shortLog(log) + "." + strconv.FormatUint(uint64(p.Position), 10) + "." + strconv.Itoa(p.Index)
}

func shortLog(id string) string { return id[:min(8, len(id))] }

// ReadCursor reads what [WriteCursor] writes. The error is of kind invalid; a cursor
// of another log is one.
func ReadCursor(log, cursor string) (events.Place, error) {
	bad := func(wanted string, hints ...string) (events.Place, error) {
		return events.Place{}, &events.Fault{
			Kind: events.ErrInvalid, What: "cursor", Wanted: wanted, Got: strconv.Quote(cursor[:min(len(cursor), 60)]), Hints: hints,
		}
	}
	parts := strings.Split(cursor, ".")
	if len(parts) != 3 {
		return bad("a cursor as the answer before had it")
	}
	if parts[0] != shortLog(log) {
		return bad("a cursor of this log", "this log is not the one you fetched from before: begin anew, without a cursor; ids tell what you have")
	}
	pos, err := strconv.ParseUint(parts[1], 10, 63)
	index, err2 := strconv.ParseUint(parts[2], 10, 31)
	if err != nil || err2 != nil || pos == 0 {
		return bad("a cursor as the answer before had it")
	}
	return events.Place{Position: events.Position(pos), Index: int(index)}, nil
}
