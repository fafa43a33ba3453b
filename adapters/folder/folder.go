// Package folder carries files across the border: [Source] takes the files of a
// folder in, [Sink] writes files into one. It never takes half a file and never
// leaves one. It does not know what a file holds.
//
// # When a file is taken
//
// Notices of the operating system are hints and a scan at intervals is the
// guarantee, so that shares which send none work as well. A file is handed over
// when it rests: its size, time and inode were the same at two looks [Options].Rest
// apart. A file that was seen to be written under a passing name and then renamed
// is complete at once. Files that come to rest together are handed over by time
// of change, then by name.
//
// What else can happen to a file, and what becomes of it:
//
//	it grows                     it waits until it rests
//	it grows after it was taken  the longer file is a new original
//	it changes while it is read  the read fails (unavailable); again when it rests
//	it is replaced               what was being read stays whole; the new one is a new original
//	it is renamed or deleted     before it is opened: gone, nothing is said; while it is read: it is whole
//	it may not be read           said once, tried again at each scan; the others go on
//	it is empty                  handed over: an original of 0 bytes
//	same bytes, another name     handed over; whoever knows hashes sees that nothing is new
//	symlink, device, pipe        never opened; said once
//	folder inside                entered if Recursive is set, else said once
//	passing names                ignored: leading dot; leading or trailing ~; .tmp .temp .part .partial .swp
//	names with odd characters    taken; [File].Name is then a Go string literal
//	the folder goes away         Next fails (unavailable) until it is back
//
// Nothing outside of the folder is ever opened: see [os.Root].
package folder

import (
	"path"
	"path/filepath"
	"time"

	"dewclaw/events"
)

// After says what becomes of a file once its original is committed.
type After int

// What becomes of a file that was taken.
const (
	Keep   After = iota // it stays where it is
	Move                // it goes to Options.MoveTo, never over another file: a number is put into its name
	Delete              // it is removed
)

// Options say which files a [Source] takes and how.
type Options struct {
	Who       string        // "source chute": opens every message
	Dir       string        // the folder
	Patterns  []string      // globs as of path.Match, upper and lower case alike, on the name or, if the glob has a slash, on the path below Dir; none means all
	Recursive bool          // folders inside as well
	Rest      time.Duration // how long a file must rest; 0 means 2 s
	Scan      time.Duration // between scans; 0 means 30 s
	After     After
	MoveTo    string // folder, for Move; must be there, may be on another file system
	Once      bool   // hand over what lies there, then io.EOF; a file that grows for ten times Rest is left
	Now       func() time.Time

	// Known reports whether a state of a file was taken already, so that it is
	// not read again; nil means that nothing was. It is asked for what a scan finds
	// and this Source has not yet handed over, and must be quick. Known files are
	// moved if After is Move. It is not asked if After is Delete: a file must not
	// be removed unread because a name, a size and a time agree.
	Known func(File) bool

	// Report is told what people should know, once for each file and reason; nil
	// means nobody listens. It is called from Next and from Settle and must not
	// call back.
	Report func(*events.Fault)
}

// A File is one state of a file.
type File struct {
	Name     string // path below the folder with slashes; a Go string literal if it is not printable or opens with a quote
	Size     int64
	Modified time.Time
}

func (o *Options) check() error {
	bad := func(what, wanted, got string) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: o.Who, What: what, Wanted: wanted, Got: got}
	}
	if o.Dir == "" {
		return bad("folder", "a path", "none")
	}
	for _, p := range o.Patterns {
		if _, err := path.Match(p, "x"); err != nil {
			return bad("file pattern", "a glob such as *.csv", `"`+p+`"`)
		}
	}
	if o.Rest < 0 || o.Scan < 0 {
		return bad("rest and scan", "a duration above 0", (min(o.Rest, o.Scan)).String())
	}
	if o.After < Keep || o.After > Delete {
		return bad("after", "keep, move or delete", "something else")
	}
	if o.After != Move {
		return nil
	}
	if o.MoveTo == "" {
		return bad("move to", "a folder, as after is move", "none")
	}
	if filepath.Clean(o.MoveTo) == filepath.Clean(o.Dir) {
		return bad("move to", "another folder than "+o.Dir, "the same")
	}
	return nil
}

func (o *Options) fill() {
	if o.Rest == 0 {
		o.Rest = 2 * time.Second
	}
	if o.Scan == 0 {
		o.Scan = 30 * time.Second
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Known == nil {
		o.Known = func(File) bool { return false }
	}
	if o.Report == nil {
		o.Report = func(*events.Fault) {}
	}
}
