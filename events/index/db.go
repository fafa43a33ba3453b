package index

import (
	"context"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strings"

	"dewclaw/events"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// A db is one connection with prepared statements, used below database/sql,
// which would cost more than the statements themselves. Not for use by several
// goroutines at once.
type db struct {
	conn  driver.Conn
	stmts map[string]*stmt
	open  bool // in a transaction
	bad   bool // SQLite found the file damaged
}

// openDB opens or makes the file at path. pragmas are run in order.
func openDB(path string, pragmas ...string) (*db, error) {
	d := &db{stmts: map[string]*stmt{}}
	conn, err := (&sqlite.Driver{}).Open("file:" + (&url.URL{Path: path}).EscapedPath())
	if err != nil {
		return nil, d.wrap("open", err)
	}
	d.conn = conn
	for _, p := range pragmas {
		if err := d.run("PRAGMA " + p); err != nil {
			_ = d.close()
			return nil, err
		}
	}
	return d, nil
}

// wrap gives an error of SQLite its kind, and remembers damage.
func (d *db) wrap(what string, err error) error {
	if err == nil {
		return nil
	}
	var e *sqlite.Error
	if errors.As(err, &e) {
		switch e.Code() & 0xff {
		case lib.SQLITE_CORRUPT, lib.SQLITE_NOTADB:
			d.bad = true
		}
	}
	return fmt.Errorf("index: %s: %w: %w", what, err, events.ErrUnavailable)
}

// damaged notes that the file holds what we did not write.
func (d *db) damaged(what string) error {
	d.bad = true
	return fmt.Errorf("index: %s: the stored bytes do not add up; it is built anew at the next start: %w", what, events.ErrUnavailable)
}

// run executes one statement without arguments that is not worth keeping.
func (d *db) run(sql string) error {
	s, err := d.conn.Prepare(sql)
	if err == nil {
		_, err = s.(driver.StmtExecContext).ExecContext(context.Background(), nil)
		if e := s.Close(); err == nil {
			err = e
		}
	}
	return d.wrap(sql, err)
}

// script executes statements that are separated by semicolons.
func (d *db) script(sql string) error {
	for s := range strings.SplitSeq(sql, ";") {
		if strings.TrimSpace(s) == "" {
			continue
		}
		if err := d.run(s); err != nil {
			return err
		}
	}
	return nil
}

// begin starts a transaction unless one is open.
func (d *db) begin() error {
	if d.open {
		return nil
	}
	if err := d.prepared("BEGIN").exec(); err != nil {
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
		if s.err == nil {
			_ = s.s.Close()
		}
	}
	d.stmts = nil
	if d.conn == nil {
		return nil
	}
	return d.wrap("close", d.conn.Close())
}

// A stmt is a prepared statement with room for its arguments and one row.
type stmt struct {
	d    *db
	sql  string
	s    driver.Stmt
	x    driver.StmtExecContext
	q    driver.StmtQueryContext
	args []driver.NamedValue
	row  []driver.Value
	err  error
}

// prepared returns the statement for sql, prepared once. An error of preparing
// is returned by its first use.
func (d *db) prepared(sql string) *stmt {
	if s, ok := d.stmts[sql]; ok {
		return s
	}
	s := &stmt{d: d, sql: sql}
	s.s, s.err = d.conn.Prepare(sql)
	if s.err == nil {
		s.x, s.q = s.s.(driver.StmtExecContext), s.s.(driver.StmtQueryContext)
	}
	d.stmts[sql] = s
	return s
}

func (s *stmt) bind(args []any) []driver.NamedValue {
	s.args = s.args[:0]
	for i, a := range args {
		switch v := a.(type) {
		case int:
			a = int64(v)
		case uint32:
			a = int64(v)
		case uint64:
			a = int64(v)
		case events.Position:
			a = int64(v)
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
		return s.d.wrap("prepare "+s.sql, s.err)
	}
	_, err := s.x.ExecContext(context.Background(), s.bind(args))
	if err != nil {
		return s.d.wrap(s.sql, err)
	}
	return nil
}

// each calls f for every row. The row is valid during the call only; blobs and
// texts in it may be kept.
func (s *stmt) each(f func(row []value) error, args ...any) error {
	if s.err != nil {
		return s.d.wrap("prepare "+s.sql, s.err)
	}
	rows, err := s.q.QueryContext(context.Background(), s.bind(args))
	if err != nil {
		return s.d.wrap(s.sql, err)
	}
	if s.row == nil {
		s.row = make([]value, len(rows.Columns()))
	}
	for {
		err := rows.Next(s.row)
		if err == io.EOF {
			return s.d.wrap(s.sql, rows.Close())
		}
		if err == nil {
			if err = f(s.row); err != nil {
				_ = rows.Close()
				return err
			}
			continue
		}
		_ = rows.Close()
		return s.d.wrap(s.sql, err)
	}
}

// first returns the first row, or nil if there is none.
func (s *stmt) first(args ...any) ([]value, error) {
	var out []value
	err := s.each(func(row []value) error {
		out = row
		return errStop
	}, args...)
	if err == errStop {
		err = nil
	}
	return out, err
}

// errStop ends a loop early.
var errStop = errors.New("stop")

func text(v driver.Value) string {
	s, _ := v.(string)
	return s
}

func blob(v driver.Value) []byte {
	b, _ := v.([]byte)
	return b
}

func integer(v driver.Value) int64 {
	n, _ := v.(int64)
	return n
}

// A value is one column of a row.
type value = driver.Value
