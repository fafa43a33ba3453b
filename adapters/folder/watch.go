package folder

import (
	"errors"
	"path/filepath"
	"strings"

	"dewclaw/events"

	"github.com/fsnotify/fsnotify"
)

// A watcher brings hints of changes below one folder. A nil watcher brings none.
type watcher struct {
	w    *fsnotify.Watcher
	dir  string
	dirs map[string]bool // watched, below dir; "." is dir itself

	// A rename within the folder is two events, one behind the other: the old
	// name goes, the new one comes. If the old name was a passing one and the
	// inode is the same, the file was finished before it got its name.
	passing map[string]uint64 // inodes of files with passing names
	gone    uint64            // inode of the passing name the event before took away; else 0
}

const maxPassing = 4096

func newWatcher(dir string) (*watcher, error) {
	w, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, err
	}
	return &watcher{w: w, dir: dir, dirs: map[string]bool{}, passing: map[string]uint64{}}, nil
}

// add watches a folder below the one of the watcher. It is repeated at every
// scan: a watch goes silently when its folder is replaced.
func (w *watcher) add(sub string) error {
	if w == nil {
		return nil
	}
	if err := w.w.Add(filepath.Join(w.dir, filepath.FromSlash(sub))); err != nil {
		return err
	}
	w.dirs[sub] = true
	return nil
}

// drop gives up the watch of a folder that an event takes away, and reports
// whether it was one.
func (w *watcher) drop(name string, e fsnotify.Event) bool {
	if !w.dirs[name] || !e.Has(fsnotify.Remove) && !e.Has(fsnotify.Rename) {
		return false
	}
	_ = w.w.Remove(e.Name)
	delete(w.dirs, name)
	return true
}

func (w *watcher) events() chan fsnotify.Event {
	if w == nil {
		return nil
	}
	return w.w.Events
}

func (w *watcher) errors() chan error {
	if w == nil {
		return nil
	}
	return w.w.Errors
}

// close waits until the watcher's goroutine has ended.
func (w *watcher) close() error {
	if w == nil {
		return nil
	}
	return w.w.Close()
}

// below returns the path below the folder that an event is about; "." is the
// folder itself.
func (w *watcher) below(name string) (string, bool) {
	rest, ok := strings.CutPrefix(filepath.ToSlash(name), filepath.ToSlash(w.dir))
	if !ok {
		return "", false
	}
	if rest = strings.TrimPrefix(rest, "/"); rest == "" {
		return ".", true
	}
	return rest, true
}

// sawPassing notes an event of a file with a passing name.
func (w *watcher) sawPassing(name string, op fsnotify.Op, inode uint64) {
	w.gone = 0
	switch {
	case op.Has(fsnotify.Rename):
		w.gone = w.passing[name]
		delete(w.passing, name)
	case op.Has(fsnotify.Remove):
		delete(w.passing, name)
	case inode != 0:
		if len(w.passing) >= maxPassing {
			clear(w.passing)
		}
		w.passing[name] = inode
	}
}

// sawFile notes an event of any other file and reports whether it is the second
// half of a rename from a passing name.
func (w *watcher) sawFile(op fsnotify.Op, inode uint64) bool {
	renamed := w.gone != 0 && op.Has(fsnotify.Create) && inode == w.gone
	w.gone = 0
	return renamed
}

// lost reports whether an error of the watcher means that notices were lost, so
// that only a scan can tell what is there.
func lost(err error) bool { return errors.Is(err, fsnotify.ErrEventOverflow) }

func (s *Source) noNotices(err error) {
	s.say(".", &events.Fault{
		Kind: events.ErrUnavailable, Where: s.o.Dir, What: "the system gives no notices of changes here; the folder is scanned every " + s.o.Scan.String(), Cause: err,
		Hints: []string{"on Linux more of them are allowed by: sysctl fs.inotify.max_user_watches fs.inotify.max_user_instances"},
	})
}
