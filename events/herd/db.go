package herd

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strings"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"dewclaw/events"
)

// This file is the door to SQLite.

// errDamaged means that the file is not what we wrote: it is thrown away and
// built anew from the log.
var errDamaged = errors.New("the read model is damaged")

// A value is one column of a row: int64, string, []byte or nil.
type value = driver.Value

// A db is one connection, used below database/sql, which would cost more than
// the statements themselves. Not for use by several goroutines at once.
type db struct {
	conn  driver.Conn
	stmts map[string]*stmt
	open  bool // in a transaction
}

// openDB opens the file at path, or makes it, and runs the pragmas in order.
func openDB(path string, pragmas ...string) (*db, error) {
	conn, err := (&sqlite.Driver{}).Open("file:" + (&url.URL{Path: path}).EscapedPath())
	if err != nil {
		return nil, wrapSQL("open "+path, err)
	}
	d := &db{conn: conn, stmts: map[string]*stmt{}}
	for _, p := range pragmas {
		if err := d.script(context.Background(), "PRAGMA "+p); err != nil {
			return nil, errors.Join(err, d.close())
		}
	}
	return d, nil
}

// wrapSQL gives an error of SQLite its kind.
func wrapSQL(what string, err error) error {
	if err == nil {
		return nil
	}
	var e *sqlite.Error
	if errors.As(err, &e) {
		switch e.Code() & 0xff {
		case lib.SQLITE_CORRUPT, lib.SQLITE_NOTADB:
			return fmt.Errorf("herd: %s: %w: %w: %w", what, err, errDamaged, events.ErrUnavailable)
		}
	}
	return fmt.Errorf("herd: %s: %w: %w", what, err, events.ErrUnavailable)
}

// script executes statements that are separated by semicolons, once, until ctx
// ends.
func (d *db) script(ctx context.Context, sql string) error {
	for s := range strings.SplitSeq(sql, ";") {
		if strings.TrimSpace(s) == "" {
			continue
		}
		q := d.prepare(s)
		err := q.within(ctx, func([]value) error { return nil })
		if err := errors.Join(err, q.close()); err != nil {
			return err
		}
	}
	return nil
}

// begin starts a transaction unless one is open: "BEGIN" for one that reads,
// "BEGIN IMMEDIATE" for one that writes.
func (d *db) begin(how string) error {
	if d.open {
		return nil
	}
	if err := d.prepared(how).exec(); err != nil {
		return err
	}
	d.open = true
	return nil
}

func (d *db) commit() error {
	if !d.open {
		return nil
	}
	if err := d.prepared("COMMIT").exec(); err != nil {
		return err
	}
	d.open = false
	return nil
}

func (d *db) rollback() {
	if d.open {
		_ = d.prepared("ROLLBACK").exec()
		d.open = false
	}
}

func (d *db) close() error {
	for _, s := range d.stmts {
		_ = s.close()
	}
	d.stmts = nil
	if d.conn == nil {
		return nil
	}
	err := wrapSQL("close", d.conn.Close())
	d.conn = nil
	return err
}

// A stmt is a prepared statement with room for its arguments and one row. It
// must not be used inside its own each.
type stmt struct {
	sql  string
	s    driver.Stmt
	args []driver.NamedValue
	row  []value
	err  error
}

func (d *db) prepare(sql string) *stmt {
	s := &stmt{sql: sql}
	prepared, err := d.conn.Prepare(sql)
	if s.err = err; err == nil {
		s.s = prepared // on an error the driver returns a nil that is not nil
	}
	return s
}

// prepared returns the statement for sql, prepared once and kept. An error of
// preparing is returned by its first use.
func (d *db) prepared(sql string) *stmt {
	s, ok := d.stmts[sql]
	if !ok {
		s = d.prepare(sql)
		d.stmts[sql] = s
	}
	return s
}

func (s *stmt) close() error {
	if s.s == nil {
		return nil
	}
	return wrapSQL("close "+s.sql, s.s.Close())
}

func (s *stmt) bind(args []any) []driver.NamedValue {
	s.args = s.args[:0]
	for i, a := range args {
		switch v := a.(type) {
		case int:
			a = int64(v)
		case day:
			a = int64(v)
		case id:
			a = int64(v)
		case events.Position:
			a = int64(v)
		case events.Entity:
			a = string(v)
		case bool:
			a = int64(0)
			if v {
				a = int64(1)
			}
		}
		s.args = append(s.args, driver.NamedValue{Ordinal: i + 1, Value: a})
	}
	return s.args
}

// exec runs the statement. The context is never cancelled: a write is whole or
// not at all, and a context with an end would cost a goroutine each time.
func (s *stmt) exec(args ...any) error {
	if s.err != nil {
		return wrapSQL("prepare "+s.sql, s.err)
	}
	_, err := s.s.(driver.StmtExecContext).ExecContext(context.Background(), s.bind(args))
	return wrapSQL(s.sql, err)
}

// each calls f for every row. The row is valid during the call only; blobs and
// texts in it may be kept.
func (s *stmt) each(f func(row []value) error, args ...any) error {
	return s.within(context.Background(), f, args...)
}

// within is each until ctx ends.
func (s *stmt) within(ctx context.Context, f func(row []value) error, args ...any) error {
	if s.err != nil {
		return wrapSQL("prepare "+s.sql, s.err)
	}
	rows, err := s.s.(driver.StmtQueryContext).QueryContext(ctx, s.bind(args))
	if err != nil {
		return wrapSQL(s.sql, err)
	}
	defer rows.Close()
	if s.row == nil {
		s.row = make([]value, len(rows.Columns()))
	}
	for {
		switch err := rows.Next(s.row); err {
		case nil:
			if err := f(s.row); err != nil {
				return err
			}
		case io.EOF:
			return nil
		default:
			return wrapSQL(s.sql, err)
		}
	}
}

// errStop ends a loop over rows early.
var errStop = errors.New("stop")

// first returns the first row, or nil if there is none.
func (s *stmt) first(args ...any) ([]value, error) {
	var out []value
	err := s.each(func(row []value) error {
		out = row
		return errStop
	}, args...)
	if errors.Is(err, errStop) {
		err = nil
	}
	return out, err
}

func textOf(v value) string {
	s, _ := v.(string)
	return s
}

func blobOf(v value) []byte {
	b, _ := v.([]byte)
	return b
}

func intOf(v value) int64 {
	n, _ := v.(int64)
	return n
}

// An id is the number of a row. Numbers mean nothing outside one file: two herds
// built from the same facts may differ in them.
type id int64
