package folder

import (
	"context"
	"errors"
	"io/fs"
	"maps"
	"os"
	"path"

	"dewclaw/adapters"
	"dewclaw/events"
)

// settle is the beat "acknowledge": what was committed is moved or deleted, what
// was not is handed over again.
func (s *Source) settle(ctx context.Context, c candidate, v adapters.Verdict) error {
	s.mu.Lock()
	if s.out[c.name] == c.state {
		delete(s.out, c.name)
	}
	if v == adapters.NotTaken && !s.o.Once {
		if _, ok := s.waiting[c.name]; !ok && s.root != nil {
			now := s.o.Now()
			c.first = now
			s.await(c, now)
		}
	} else {
		s.done.set(c.name, c.state)
	}
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default:
	}
	if v == adapters.NotTaken || s.o.After == Keep {
		return nil
	}
	err := s.clear(ctx, c.name, c.state)
	if err != nil {
		s.mu.Lock()
		s.unsettle[c.name] = c.state
		s.say(c.name, asFault(err)) // so that trying again is silent
		s.mu.Unlock()
	}
	return err
}

// retry moves or deletes, once after each scan, what could not be before. Those
// files are not read again.
func (s *Source) retry(ctx context.Context) {
	s.mu.Lock()
	if !s.retryNow {
		s.mu.Unlock()
		return
	}
	s.retryNow = false
	todo := maps.Clone(s.unsettle)
	s.mu.Unlock()
	for name, st := range todo {
		err := s.clear(ctx, name, st)
		s.mu.Lock()
		if err == nil {
			delete(s.unsettle, name)
		} else if ctx.Err() == nil {
			s.say(name, asFault(err))
		}
		s.mu.Unlock()
	}
}

func asFault(err error) *events.Fault {
	var f *events.Fault
	if errors.As(err, &f) {
		g := *f
		return &g
	}
	return &events.Fault{Kind: events.ErrUnavailable, What: "move or delete", Cause: err}
}

// clear moves or deletes a file that was taken. It is set aside under another
// folder first and looked at there: a file that took its name a moment ago was
// never read and is put back. A crash in between leaves it aside, and the next
// scan puts it back, to be known or read again. A file that is gone or changed is
// not an error.
func (s *Source) clear(ctx context.Context, name string, st state) error {
	s.clearing.Lock()
	defer s.clearing.Unlock()
	s.mu.Lock()
	root := s.root
	s.mu.Unlock()
	verb := map[After]string{Move: "move", Delete: "delete"}[s.o.After]
	if root == nil {
		return s.clearFault(name, verb, os.ErrClosed)
	}
	var to *os.Root
	if s.o.After == Move {
		var err error
		if to, err = os.OpenRoot(s.o.MoveTo); err != nil {
			return s.clearFault(name, verb, err)
		}
		defer to.Close()
	}
	if fi, err := root.Lstat(name); errors.Is(err, fs.ErrNotExist) || err == nil && stateOf(fi) != st {
		return nil
	}
	dir, base := path.Dir(name), path.Base(name)
	asideDir := path.Join(dir, asideName)
	if err := root.Mkdir(asideDir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return s.clearFault(name, verb, err)
	}
	defer func() { _ = root.Remove(asideDir) }()
	aside := place{root, asideDir, base}
	if err := renameFree(place{root, dir, base}, aside); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return s.clearFault(name, verb, err)
	}
	if err := s.finish(ctx, aside, place{root, dir, base}, to, st); err != nil {
		return s.clearFault(name, verb, err)
	}
	return nil
}

// finish moves or deletes what was set aside, or puts it back home if it is not
// what was taken, or if that fails.
func (s *Source) finish(ctx context.Context, aside, home place, to *os.Root, st state) error {
	fi, err := aside.root.Lstat(aside.path())
	if err == nil && stateOf(fi) == st {
		if s.o.After == Delete {
			err = aside.root.Remove(aside.path())
		} else {
			err = moveTo(ctx, aside, place{to, home.dir, home.base})
		}
		if err == nil {
			return nil
		}
	}
	if back := renameFirstFree(aside, home); back != nil && !errors.Is(back, fs.ErrNotExist) {
		err = errors.Join(err, back)
	}
	return err
}

func (s *Source) clearFault(name, verb string, err error) error {
	f := &events.Fault{
		Kind: events.ErrUnavailable, Who: s.o.Who, Where: label(name), What: verb, Cause: err,
		Hints: []string{"what was in it is committed; it is not read again, and the next scan tries once more"},
	}
	if s.o.After == Move {
		f.What = "move to " + s.o.MoveTo
	}
	return f
}

// putBack returns what a crash left aside in a folder.
func (s *Source) putBack(dir string) {
	if !s.clearing.TryLock() {
		return
	}
	defer s.clearing.Unlock()
	asideDir := path.Join(dir, asideName)
	d, err := s.root.Open(asideDir)
	if err != nil {
		return
	}
	defer d.Close()
	entries, _ := d.ReadDir(-1)
	for _, e := range entries {
		err := renameFirstFree(place{s.root, asideDir, e.Name()}, place{s.root, dir, e.Name()})
		if err != nil {
			s.unreadable(path.Join(asideDir, e.Name()), err)
			continue
		}
		s.more = true // it may lie behind the place this scan has come to
	}
	_ = s.root.Remove(asideDir)
}
