package streamlog

import (
	"os"

	"golang.org/x/sys/unix"
)

// datasync makes what was written to f durable. The size and place of the file
// did not change, so its times need not be, and the journal is left alone.
func datasync(f *os.File) error { return unix.Fdatasync(int(f.Fd())) }
