package herd

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"

	"dewclaw/events"
)

// A reader is the side of the file that queries use.
type reader struct {
	db     *sql.DB
	claims *sql.Stmt
}

// mostReaders bounds how many queries read at once; more wait.
const mostReaders = 8

func openReader(path string) (*reader, error) {
	db, err := sql.Open("sqlite", "file:"+(&url.URL{Path: path}).EscapedPath()+"?_pragma=query_only(1)&_pragma=busy_timeout(10000)&_pragma=cache_size(-16384)")
	if err != nil {
		return nil, wrapSQL("open "+path, err)
	}
	db.SetMaxOpenConns(mostReaders)
	r := &reader{db: db}
	if r.claims, err = db.Prepare(claimsQuery); err != nil {
		return nil, errors.Join(wrapSQL("open "+path, err), db.Close())
	}
	return r, nil
}

func (r *reader) close() error { return errors.Join(r.claims.Close(), r.db.Close()) }

// reading returns the reader, or an error of kind [events.ErrUnavailable].
func (h *Herd) reading() (*reader, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed:
		return nil, fmt.Errorf("herd: closed: %w", events.ErrUnavailable)
	case h.reader == nil:
		return nil, &events.Fault{
			Kind: events.ErrUnavailable, Who: "herd", What: "it is being built from the log",
			Hints: []string{"nothing is lost; ask again when it is done"},
		}
	}
	return h.reader, nil
}

// A View is the herd at one log position. What it returns does not change while
// it is open; the herd goes on behind it. It is for one goroutine and must be
// closed; it holds one of a few places, so it should not be kept.
//
// All its methods return errors of kind [events.ErrUnavailable] if the file
// cannot be read, and the error of ctx.
type View struct {
	h     *Herd
	tx    *sql.Tx
	at    events.Position
	gap   int
	names map[id]string
	ids   map[string]id
}

// View opens a view of the newest state. While the herd is being built it
// returns an error of kind [events.ErrUnavailable]. The view ends with ctx.
func (h *Herd) View(ctx context.Context) (*View, error) {
	r, err := h.reading()
	if err != nil {
		return nil, err
	}
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, h.spoiled(readError(ctx, "begin", err))
	}
	v := &View{h: h, tx: tx, gap: h.o.GapDays, names: map[id]string{}, ids: map[string]id{}}
	err = v.each(ctx, func(row []value) error {
		_, err := fmt.Sscan(textOf(row[0]), &v.at)
		return err
	}, "SELECT value FROM meta WHERE key=?", metaPosition)
	if err == nil {
		err = v.each(ctx, func(row []value) error {
			n := id(intOf(row[0]))
			v.names[n], v.ids[textOf(row[1])] = textOf(row[1]), n
			return nil
		}, "SELECT id, name FROM names")
	}
	if err != nil {
		return nil, errors.Join(err, v.Close())
	}
	return v, nil
}

// Position returns the log position the view was made at: it has all entries up
// to it and none behind it.
func (v *View) Position() events.Position { return v.at }

// GapDays returns the gap the stored cases were worked out with.
func (v *View) GapDays() int { return v.gap }

// Close ends the view. It is safe to call it twice.
func (v *View) Close() error {
	if err := v.tx.Rollback(); err != nil && !errors.Is(err, sql.ErrTxDone) {
		return wrapSQL("end", err)
	}
	return nil
}

func readError(ctx context.Context, what string, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return wrapSQL(what, err)
}

// each calls f for every row. Values may be kept.
func (v *View) each(ctx context.Context, f func(row []value) error, query string, args ...any) error {
	for i, a := range args {
		switch a := a.(type) {
		case id:
			args[i] = int64(a)
		case day:
			args[i] = int64(a)
		}
	}
	rows, err := v.tx.QueryContext(ctx, query, args...)
	if err != nil {
		return v.h.spoiled(readError(ctx, query, err))
	}
	defer rows.Close()
	columns, err := rows.Columns()
	if err != nil {
		return v.h.spoiled(readError(ctx, query, err))
	}
	row, to := make([]value, len(columns)), make([]any, len(columns))
	for i := range row {
		to[i] = (*any)(&row[i])
	}
	for rows.Next() {
		if err := rows.Scan(to...); err != nil {
			return v.h.spoiled(readError(ctx, query, err))
		}
		if err := f(row); err != nil {
			return err
		}
	}
	if err := rows.Err(); err != nil {
		return v.h.spoiled(readError(ctx, query, err))
	}
	return nil
}
