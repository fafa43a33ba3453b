package folder

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"time"

	"dewclaw/events"

	"github.com/fsnotify/fsnotify"
)

const (
	maxCandidates = 1 << 16 // of one scan; what is left waits for the next
	readDirChunk  = 1024
	saidFor       = 16 // scans after which what is no longer so is forgotten, and said again if it comes back
)

// scan looks at every file below the folder. What it finds goes among those that
// wait, oldest first.
func (s *Source) scan(now time.Time) error {
	if err := s.grab(); err != nil {
		return err
	}
	s.done.begin()
	s.said.begin()
	s.more = false
	found, err := s.scanDir(".", nil, now)
	if err != nil {
		err = &events.Fault{Kind: events.ErrUnavailable, Who: s.o.Who, Where: s.o.Dir, What: "read the folder", Cause: err}
		return errors.Join(err, s.letGo())
	}
	s.done.end(0)
	s.said.end(saidFor)
	for _, c := range s.trim(found) {
		s.await(c, now)
	}
	s.retryNow = len(s.unsettle) > 0
	return nil
}

// grab takes hold of the folder, again if another one has taken its place.
func (s *Source) grab() error {
	fi, err := os.Stat(s.o.Dir)
	if err == nil && s.root != nil {
		if held, err := s.root.Stat("."); err == nil && os.SameFile(held, fi) {
			return nil
		}
	}
	_ = s.letGo()
	clear(s.waiting)
	s.queue, s.ready = nil, nil
	if err == nil && !fi.IsDir() {
		err = errors.New("it is not a folder")
	}
	if err == nil {
		s.root, err = os.OpenRoot(s.o.Dir)
	}
	if err != nil {
		return &events.Fault{
			Kind: events.ErrUnavailable, Who: s.o.Who, Where: s.o.Dir, What: "open the folder", Cause: err,
			Hints: []string{"it is tried again; files that lie there are taken when it is back"},
		}
	}
	if s.o.Once {
		return nil
	}
	if s.watch, err = s.notices(s.o.Dir); err != nil {
		s.noNotices(err)
	}
	return nil
}

// scanDir adds the new files of one folder to found. Only an error of the folder
// itself is returned.
func (s *Source) scanDir(dir string, found []candidate, now time.Time) ([]candidate, error) {
	if err := s.watch.add(dir); err != nil {
		s.noNotices(err)
	}
	d, err := s.root.Open(dir)
	if err != nil {
		return found, err
	}
	defer d.Close()
	for {
		entries, err := d.ReadDir(readDirChunk)
		for _, e := range entries {
			found = s.scanEntry(path.Join(dir, e.Name()), e, found, now)
		}
		if len(found) > 2*s.most {
			found = s.trim(found)
		}
		if err == io.EOF {
			return found, nil
		}
		if err != nil {
			return found, err
		}
	}
}

func (s *Source) scanEntry(name string, e fs.DirEntry, found []candidate, now time.Time) []candidate {
	if e.IsDir() {
		if !s.enter(name) {
			return found
		}
		found, err := s.scanDir(name, found, now)
		if err != nil {
			s.unreadable(name, err)
		}
		return found
	}
	if passing(path.Base(name)) || !s.want.match(name) {
		return found
	}
	fi, err := e.Info()
	if err != nil { // gone since it was listed
		return found
	}
	if st, ok := s.isNew(name, fi); ok {
		found = append(found, candidate{name: name, state: st, first: now})
	}
	return found
}

// enter decides whether a folder inside is one of the source.
func (s *Source) enter(name string) bool {
	base := path.Base(name)
	switch {
	case base == asideName:
		s.putBack(path.Dir(name))
		return false
	case passing(base) || s.isMoveTo(name):
		return false
	case s.o.Recursive:
		return true
	case s.want.match(name):
		s.refuse(name, "a folder", `set "below" to have it read too`)
	}
	return false
}

func (s *Source) isMoveTo(name string) bool {
	if s.o.After != Move {
		return false
	}
	to, err := os.Stat(s.o.MoveTo)
	if err != nil {
		return filepath.Clean(s.o.MoveTo) == filepath.Join(s.o.Dir, name)
	}
	fi, err := s.root.Stat(name)
	return err == nil && os.SameFile(to, fi)
}

func (s *Source) refuse(name, got, hint string) {
	f := &events.Fault{Kind: events.ErrInvalid, Where: label(name), What: "not taken", Wanted: "a file", Got: got}
	if hint != "" {
		f.Hints = []string{hint}
	}
	s.say(name, f)
}

// isNew reports whether a file is in a state that is neither taken nor on its way.
func (s *Source) isNew(name string, fi fs.FileInfo) (state, bool) {
	switch mode := fi.Mode(); {
	case mode.IsRegular():
	case mode&fs.ModeSymlink != 0:
		s.refuse(name, "a symlink", "no link is followed: put the file itself into the folder")
		return state{}, false
	case mode&fs.ModeNamedPipe != 0:
		s.refuse(name, "a pipe", "")
		return state{}, false
	case mode&fs.ModeSocket != 0:
		s.refuse(name, "a socket", "")
		return state{}, false
	default:
		s.refuse(name, "a device", "")
		return state{}, false
	}
	st := stateOf(fi)
	if out, ok := s.out[name]; ok && out == st || s.done.has(name, st) {
		return state{}, false
	}
	if _, ok := s.waiting[name]; ok {
		return state{}, false
	}
	if s.o.After != Delete && s.o.Known(st.file(name)) {
		s.done.set(name, st)
		if s.o.After == Move {
			s.unsettle[name] = st
		}
		return state{}, false
	}
	return st, true
}

// trim keeps the candidates that come first; the others wait for another scan.
func (s *Source) trim(found []candidate) []candidate {
	slices.SortFunc(found, byTime)
	if len(found) > s.most {
		s.more = true
		found = found[:s.most]
	}
	return found
}

// look follows up a notice about one name, in time that does not depend on how
// many files there are.
func (s *Source) look(name string, op fsnotify.Op, now time.Time) {
	fi, err := s.root.Lstat(name)
	id := uint64(0)
	if err == nil {
		id = inode(fi)
	}
	if base := path.Base(name); passing(base) || !s.want.match(name) {
		s.watch.sawPassing(name, op, id)
		if err == nil && fi.IsDir() && s.o.Recursive && !passing(base) {
			s.scanAt = time.Time{}
		}
		return
	}
	renamed := s.watch.sawFile(op, id)
	if err != nil {
		return
	}
	if fi.IsDir() {
		s.scanAt = time.Time{}
		return
	}
	st, ok := s.isNew(name, fi)
	if !ok {
		return
	}
	c := candidate{name: name, state: st, first: now}
	if renamed {
		s.rests(c)
		return
	}
	s.await(c, now)
}
