//go:build !windows

package main

import (
	"fmt"
	"os"
	"os/user"
	"syscall"

	"dewclaw/events"
)

// ownFolder refuses a data folder of somebody else to root, who may write there:
// what root makes there the daemon's user can neither change nor read, and the
// daemon does not start any more. Where the file system gives whatever is made to
// one owner, nothing is refused.
func ownFolder(path, self string) error {
	owner, ok := ownerOf(path)
	if !ok || os.Geteuid() != 0 || owner == 0 {
		return nil
	}
	f, err := os.CreateTemp(path, ".owner-*")
	if err != nil {
		return nil // what cannot be written does no harm, and is told where it is needed
	}
	made, ok := ownerOf(f.Name())
	_, _ = f.Close(), os.Remove(f.Name()) // empty, and of nobody's use
	if !ok || made == owner {
		return nil
	}
	who := fmt.Sprintf("#%d", owner)
	if u, err := user.LookupId(fmt.Sprint(owner)); err == nil {
		who = u.Username
	}
	return &events.Fault{
		Kind: events.ErrInvalid, Where: path, What: "the data folder", Wanted: "its owner, " + who, Got: "root",
		Hints: []string{"sudo -u '" + who + "' " + self + " …", "what root makes there its owner cannot change: the daemon would not start any more"},
	}
}

func ownerOf(path string) (uid uint32, ok bool) {
	info, err := os.Stat(path)
	if err != nil {
		return 0, false
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, false
	}
	return st.Uid, true
}
