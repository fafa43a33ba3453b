package api

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"

	"dewclaw/events"
)

// SocketName is the name of the socket in the data folder.
const SocketName = "dewclaw.sock"

// longest is the longest path a socket is bound at. Linux takes 107 bytes, the
// BSDs 103 (sun_path in sys/un.h).
const longest = 100

// private opens the names of the folders that hold a socket whose own place has
// too long a path.
const private = "dewclaw-"

// bind makes the socket of the data folder dir, of mode 0600 from its first
// moment: it is bound in a folder that only its owner can enter and then moved.
// The short folders are tried in their order for a place when the path is too
// long. It returns what must be removed when the socket is closed.
func bind(dir string, short []string) (l *net.UnixListener, remove func() error, err error) {
	if err := clear(dir); err != nil {
		return nil, nil, err
	}
	at := filepath.Join(dir, SocketName)
	nest, err := os.MkdirTemp(dir, ".s")
	if err != nil {
		return nil, nil, fmt.Errorf("make socket: %w: %w", err, events.ErrUnavailable)
	}
	if len(filepath.Join(nest, "s")) <= longest {
		l, err := listen(filepath.Join(nest, "s"))
		if err == nil {
			err = os.Rename(filepath.Join(nest, "s"), at)
		}
		os.RemoveAll(nest)
		if err != nil {
			return nil, nil, errors.Join(closeListener(l), fmt.Errorf("make socket: %w: %w", err, events.ErrUnavailable))
		}
		return l, func() error { return gone(os.Remove(at)) }, nil
	}
	os.RemoveAll(nest)
	for _, parent := range short {
		nest, err := os.MkdirTemp(parent, private)
		if err != nil || len(filepath.Join(nest, "s")) > longest {
			if err == nil {
				os.RemoveAll(nest)
			}
			continue
		}
		l, err := listen(filepath.Join(nest, "s"))
		if err == nil {
			err = os.Symlink(filepath.Join(nest, "s"), at)
		}
		if err != nil {
			os.RemoveAll(nest)
			return nil, nil, errors.Join(closeListener(l), fmt.Errorf("make socket: %w: %w", err, events.ErrUnavailable))
		}
		return l, func() error { return errors.Join(gone(os.Remove(at)), os.RemoveAll(nest)) }, nil
	}
	return nil, nil, &events.Fault{
		Kind: events.ErrInvalid, Where: at, What: "path of the socket",
		Wanted: fmt.Sprintf("at most %d bytes, or a folder for temporary files with a short path", longest),
		Got:    fmt.Sprintf("%d bytes", len(at)),
		Hints:  []string{"set TMPDIR to a folder with a short path"},
	}
}

func listen(path string) (*net.UnixListener, error) {
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		return nil, err
	}
	l.SetUnlinkOnClose(false)
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

func closeListener(l *net.UnixListener) error {
	if l == nil {
		return nil
	}
	return l.Close()
}

func gone(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// clear removes what a daemon that died left: its socket, and the private
// folder a link leads to if the name says that it is ours.
func clear(dir string) error {
	at := filepath.Join(dir, SocketName)
	if to, err := os.Readlink(at); err == nil && strings.HasPrefix(filepath.Base(filepath.Dir(to)), private) {
		os.Remove(to)
		os.Remove(filepath.Dir(to))
	}
	left, _ := filepath.Glob(filepath.Join(escapeGlob(dir), ".s*", "s"))
	for _, s := range left {
		os.Remove(s)
		os.Remove(filepath.Dir(s))
	}
	if err := gone(os.Remove(at)); err != nil {
		return fmt.Errorf("remove old socket: %w: %w", err, events.ErrUnavailable)
	}
	return nil
}

// escapeGlob makes a path that stands for itself in a pattern.
func escapeGlob(path string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(path)
}

// dial connects to the socket of the data folder dir.
func dial(ctx context.Context, dir string) (net.Conn, error) {
	at := filepath.Join(dir, SocketName)
	if to, err := os.Readlink(at); err == nil {
		at = to
	} else if real, err := filepath.EvalSymlinks(dir); err == nil && len(real) < len(dir) {
		at = filepath.Join(real, SocketName)
	}
	var d net.Dialer
	return d.DialContext(ctx, "unix", at)
}
