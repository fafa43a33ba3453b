//go:build !unix

package streamlog

import (
	"errors"
	"os"
	"runtime"

	"dewclaw/events"
)

// canLock refuses to hold the folder of a log: without flock(2), and where the names
// in a folder cannot be made durable, what the package promises cannot be kept.
func canLock(dir string) error {
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "log", Where: dir, What: "system",
		Wanted: "one that locks files by flock(2) and syncs folders, such as Linux", Got: runtime.GOOS,
		Hints: []string{"run it on Linux, in a container or a virtual machine; nothing was changed"},
	}
}

func tryLock(*os.File, bool) (held bool, err error) { return false, errors.ErrUnsupported }
