package streamlog

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"dewclaw/events"
)

const lockName = "lock"

// A lock holds a folder for this process. The kernel drops it when the process
// ends, however it ends, so a lock file left behind locks nothing.
type lock struct {
	f    *os.File // nil when released
	sole bool
}

// takeLock makes the folder if need be and locks it: for one writer, or for any
// number of readers. Errors are of kind [events.ErrLocked], [events.ErrUnavailable],
// or [events.ErrInvalid] on a system where it cannot be done.
func takeLock(dir string, shared bool) (*lock, error) {
	if err := canLock(dir); err != nil {
		return nil, err
	}
	name := filepath.Join(dir, lockName)
	if !shared {
		if err := os.MkdirAll(dir, 0o750); err != nil {
			return nil, unavailable("make the folder", err)
		}
	}
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o640)
	if shared && err != nil {
		// A copy that cannot be written to has no writer either.
		if f, err = os.Open(name); errors.Is(err, fs.ErrNotExist) {
			return &lock{}, nil
		}
	}
	if err != nil {
		return nil, unavailable("lock the folder", err)
	}
	if held, err := tryLock(f, shared); held || err != nil {
		defer f.Close()
		if held {
			return nil, lockedBy(f, dir)
		}
		return nil, unavailable("lock the folder", err)
	}
	l := &lock{f, !shared}
	if !shared {
		if err := l.write(fmt.Sprintln(os.Getpid())); err != nil {
			l.release()
			return nil, unavailable("lock the folder", err)
		}
	}
	return l, nil
}

func (l *lock) write(s string) error {
	if err := l.f.Truncate(0); err != nil {
		return err
	}
	_, err := l.f.WriteAt([]byte(s), 0)
	return err
}

func (l *lock) release() {
	if l == nil || l.f == nil {
		return
	}
	if l.sole {
		_ = l.f.Truncate(0) // so that nobody is told of a process that has gone
	}
	_ = l.f.Close()
	l.f = nil
}

// lockedBy says who holds the folder. Readers write no process id, so an empty
// file means readers.
func lockedBy(f *os.File, dir string) error {
	b := make([]byte, 32)
	n, _ := f.ReadAt(b, 0)
	who := "a process that only reads"
	if pid, err := strconv.Atoi(strings.TrimSpace(string(b[:n]))); err == nil {
		who = fmt.Sprintf("process %d", pid)
	}
	return &events.Fault{
		Kind: events.ErrLocked, Who: "log", Where: dir, What: "held by " + who,
		Hints: []string{"one daemon a data folder: stop that process, or let the command ask it"},
	}
}
