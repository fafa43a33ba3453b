//go:build !linux

package streamlog

import "os"

// datasync makes what was written to f durable.
func datasync(f *os.File) error { return f.Sync() }
