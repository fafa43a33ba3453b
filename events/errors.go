package events

import (
	"errors"
	"strings"
)

// The kinds of errors. Test with [errors.Is]. What the daemon does on each,
// and the exit code it maps to, stands in the README.
var (
	// ErrInvalid means that a rule is broken: by a record (it is held), or by a
	// config, mapping or argument (it is refused).
	ErrInvalid = errors.New("invalid")
	// ErrUnavailable means that the other side or the disk does not answer now.
	ErrUnavailable = errors.New("unavailable")
	// ErrLocked means that another process holds the data folder.
	ErrLocked = errors.New("locked")
	// ErrCorrupt means that stored bytes are not the bytes that were written.
	ErrCorrupt = errors.New("corrupt")
	// ErrNotFound means that the thing asked for is not there.
	ErrNotFound = errors.New("not found")
)

// A Fault is an error told to a person: who met it, where, what it is about,
// what was wanted and what was got, with hints that can be pasted.
//
// Error returns the one line "who: where: what: wanted, got"; parts that are
// empty are left out. Hints are printed below it by the command line, each
// after "hint: ". A Fault unwraps to its Kind and to its Cause.
type Fault struct {
	Kind   error    // one of the kinds above; nil is a bug
	Who    string   // the actor: "feed vet", "source chute"; may be empty
	Where  string   // file:line:column, folder, position; may be empty
	What   string   // the field or thing, or the whole sentence when Wanted and Got are empty
	Wanted string   // what would have been right; may be empty
	Got    string   // what was there, quoted by the caller where it needs to be; may be empty
	Hints  []string // commands or steps; may be nil
	Cause  error    // the error below; may be nil
}

// Error returns the fault as one line.
func (f *Fault) Error() string {
	var parts []string
	for _, p := range []string{f.Who, f.Where, f.What} {
		if p != "" {
			parts = append(parts, p)
		}
	}
	var last []string
	if f.Wanted != "" {
		last = append(last, "wanted "+f.Wanted)
	}
	if f.Got != "" {
		last = append(last, "got "+f.Got)
	}
	if len(last) > 0 {
		parts = append(parts, strings.Join(last, ", "))
	}
	if f.Cause != nil {
		parts = append(parts, f.Cause.Error())
	}
	return strings.Join(parts, ": ")
}

// Unwrap returns the kind and the cause, those that are set.
func (f *Fault) Unwrap() []error {
	var errs []error
	if f.Kind != nil {
		errs = append(errs, f.Kind)
	}
	if f.Cause != nil {
		errs = append(errs, f.Cause)
	}
	return errs
}

// Hints collects the hints of every [Fault] in err, outermost first.
func Hints(err error) []string {
	var hints []string
	var walk func(error)
	walk = func(err error) {
		if err == nil {
			return
		}
		if f, ok := err.(*Fault); ok {
			hints = append(hints, f.Hints...)
		}
		switch u := err.(type) {
		case interface{ Unwrap() error }:
			walk(u.Unwrap())
		case interface{ Unwrap() []error }:
			for _, e := range u.Unwrap() {
				walk(e)
			}
		}
	}
	walk(err)
	return hints
}
