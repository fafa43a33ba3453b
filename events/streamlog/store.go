package streamlog

import (
	"context"

	"dewclaw/events"
)

// A raw entry is the bytes of an entry as they stand in the stream.
type raw struct {
	pos   events.Position
	body  []byte
	where string // for people
}

// A store is what entries are read from: the block files of the embedded
// server, or a stream by URL.
type store interface {
	// open begins to read at from and ends behind through; all of them were
	// acknowledged, unless the log is damaged.
	open(ctx context.Context, from, through events.Position) (cursor, error)
}

// A cursor gives raw entries in order. next returns io.EOF behind the last, a
// *flaw for entries that are missing or damaged (the call after it goes on
// behind them), and any other error for good.
type cursor interface {
	next(ctx context.Context) (raw, error)
	close()
}

var (
	_ store = (*blocks)(nil)
	_ store = (*remote)(nil)
)
