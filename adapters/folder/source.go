package folder

import (
	"container/heap"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/fsnotify/fsnotify"
)

// A Source hands over the files of one folder: the beat "next". One goroutine
// calls Next; deliveries may be opened and settled from others.
type Source struct {
	o    Options
	want matcher

	mu       sync.Mutex // guards all below
	root     *os.Root   // nil while the folder is away
	watch    *watcher
	scanAt   time.Time            // of the next scan
	waiting  map[string]candidate // seen, not yet handed over
	queue    []string             // those not yet at rest, in the order they are due
	ready    readyHeap            // those at rest
	out      map[string]state     // handed over and not settled
	done     memory               // states that were taken
	said     memory               // what was reported
	unsettle map[string]state     // taken, and the move or removal has yet to succeed
	retryNow bool                 // a scan came by: try those again
	more     bool                 // the scan left candidates for the next one
	onceOver bool                 // Once, and everything was handed over

	clearing sync.Mutex    // held while a file is moved or removed
	wake     chan struct{} // a file was settled: look again
	notices  func(dir string) (*watcher, error)
	most     int // candidates of one scan
}

var _ adapters.Source = (*Source)(nil)

// Open checks the options and returns a source that has touched nothing yet: a
// folder that is missing is for Next to say. The error is of kind invalid.
func Open(o Options) (*Source, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	o.fill()
	dir, err := filepath.Abs(o.Dir)
	if err != nil {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: o.Who, Where: o.Dir, What: "folder", Cause: err}
	}
	o.Dir = dir
	return &Source{
		o: o, want: newMatcher(o.Patterns), waiting: map[string]candidate{}, out: map[string]state{},
		done: newMemory(), said: newMemory(), unsettle: map[string]state{}, wake: make(chan struct{}, 1), notices: newWatcher, most: maxCandidates,
	}, nil
}

// Close lets go of the folder. Deliveries that were handed over can no longer be
// opened; settling them tells an error if their file is to be moved or deleted.
func (s *Source) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.letGo()
}

func (s *Source) letGo() error {
	err := s.watch.close()
	if s.root != nil {
		err = errors.Join(err, s.root.Close())
	}
	s.root, s.watch = nil, nil
	return err
}

// Next returns the next file at rest. It blocks until there is one or ctx ends.
// It fails with an error of kind unavailable while the folder cannot be read; files that
// cannot be read are reported instead, and the others go on. With Once it returns
// io.EOF when everything was handed over.
func (s *Source) Next(ctx context.Context) (*adapters.Delivery, error) {
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		s.retry(ctx)
		d, wait, err := s.step()
		if d != nil || err != nil {
			return d, err
		}
		timer.Reset(wait)
		s.mu.Lock()
		hints, faults := s.watch.events(), s.watch.errors()
		s.mu.Unlock()
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-s.wake:
		case e, ok := <-hints:
			s.hint(e, ok)
		case err, ok := <-faults:
			s.trouble(err, ok)
		}
	}
}

// step does what is due now and returns a delivery, or how long to wait.
func (s *Source) step() (*adapters.Delivery, time.Duration, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.onceOver {
		return nil, 0, io.EOF
	}
	now := s.o.Now()
	if s.root == nil || !now.Before(s.scanAt) || s.more && len(s.waiting) == 0 {
		if err := s.scan(now); err != nil {
			return nil, 0, err
		}
		now = s.scheduleScan(now)
	}
	s.rest(now)
	for len(s.ready) > 0 {
		c := heap.Pop(&s.ready).(candidate)
		if d := s.hand(c, now); d != nil {
			return d, 0, nil
		}
	}
	switch {
	case s.retryNow:
		return nil, 0, nil
	case len(s.queue) > 0:
		return nil, min(s.waiting[s.queue[0]].due.Sub(now), s.scanAt.Sub(now)), nil
	case s.more:
		return nil, 0, nil
	case s.o.Once:
		s.onceOver = true
		return nil, 0, io.EOF
	}
	return nil, s.scanAt.Sub(now), nil
}

// scheduleScan sets the time of the next scan and returns the time now. Where a
// scan takes long it comes less often, so that nine tenths of the time are left.
func (s *Source) scheduleScan(began time.Time) time.Time {
	now := s.o.Now()
	s.scanAt = now.Add(max(s.o.Scan, 9*now.Sub(began)))
	if s.o.Once { // what arrives later is for the next time
		s.scanAt = now.AddDate(1, 0, 0)
	}
	return now
}

// rest moves candidates that are due and unchanged to those that are ready.
func (s *Source) rest(now time.Time) {
	for len(s.queue) > 0 {
		name := s.queue[0]
		c := s.waiting[name]
		if now.Before(c.due) {
			return
		}
		s.queue = s.queue[1:]
		delete(s.waiting, name)
		fi, err := s.root.Lstat(name)
		switch {
		case err != nil || !fi.Mode().IsRegular():
			// Gone, or no file any more: the next scan tells.
		case stateOf(fi) == c.state:
			s.rests(c)
		case s.o.Once && now.Sub(c.first) > 10*s.o.Rest:
			s.say(name, &events.Fault{
				Kind: events.ErrUnavailable, Where: label(name), What: "still growing", Wanted: "a file that rests for " + s.o.Rest.String(),
				Hints: []string{"it is left where it is and taken the next time"},
			})
		default:
			c.state = stateOf(fi)
			s.await(c, now)
		}
	}
}

func (s *Source) rests(c candidate) {
	s.waiting[c.name] = c
	heap.Push(&s.ready, c)
}

// await puts a candidate among those to look at again.
func (s *Source) await(c candidate, now time.Time) {
	c.due = now.Add(s.o.Rest)
	s.queue = append(s.queue, c.name)
	s.waiting[c.name] = c
}

// hand makes a delivery of a file that rests, or nil if it cannot be had now.
func (s *Source) hand(c candidate, now time.Time) *adapters.Delivery {
	delete(s.waiting, c.name)
	f, err := s.root.OpenFile(c.name, os.O_RDONLY|readFlags, 0)
	var fi fs.FileInfo
	if err == nil {
		fi, err = f.Stat()
		_ = f.Close()
	}
	switch {
	case err != nil:
		s.unreadable(c.name, err)
		if s.o.Once {
			s.done.set(c.name, c.state)
		}
		return nil
	case !fi.Mode().IsRegular():
		return nil
	case stateOf(fi) != c.state:
		c.state = stateOf(fi)
		s.await(c, now)
		return nil
	}
	s.out[c.name] = c.state
	file := c.state.file(c.name)
	var once sync.Once
	return &adapters.Delivery{
		Name: file.Name, Size: file.Size, Modified: file.Modified, Received: now,
		Open: func(ctx context.Context) (io.ReadCloser, error) { return s.open(ctx, c) },
		Settle: func(ctx context.Context, v adapters.Verdict) (err error) {
			once.Do(func() { err = s.settle(ctx, c, v) })
			return err
		},
	}
}

// unreadable reports a file that is there and cannot be opened. The next scan
// comes back to it.
func (s *Source) unreadable(name string, err error) {
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	f := &events.Fault{
		Kind: events.ErrUnavailable, Where: label(name), What: "cannot be read", Cause: err,
		Hints: []string{"it is tried again at every scan; the other files go on"},
	}
	if errors.Is(err, fs.ErrPermission) {
		f.Hints = append(f.Hints, "give the daemon's user the right to read it")
	}
	s.say(name, f)
}

// say reports a fault about a name, once for each reason.
func (s *Source) say(name string, f *events.Fault) {
	key := name + "\x00" + f.What
	if s.said.has(key, state{}) {
		return
	}
	s.said.set(key, state{})
	f.Who = s.o.Who
	s.o.Report(f)
}

// hint follows up one notice of the system.
func (s *Source) hint(e fsnotify.Event, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.watch == nil || s.root == nil {
		return
	}
	if !ok {
		s.scanAt = time.Time{}
		return
	}
	name, ok := s.watch.below(e.Name)
	if !ok {
		return
	}
	if s.watch.drop(name, e) {
		s.scanAt = time.Time{}
		return
	}
	s.look(name, e.Op, s.o.Now())
}

// trouble follows up an error of the watcher.
func (s *Source) trouble(err error, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !ok || lost(err) {
		s.scanAt = time.Time{}
		if s.watch != nil {
			clear(s.watch.passing)
		}
		return
	}
	s.noNotices(err)
}
