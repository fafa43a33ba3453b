//go:build !windows

package main

import (
	"os"

	"github.com/google/renameio/v2"
)

// pending begins a file that takes its name only when it is whole.
func pending(name string) (pendingFile, error) {
	f, err := renameio.NewPendingFile(name, renameio.WithPermissions(0o600))
	if err != nil {
		return nil, err
	}
	return f, nil
}

// replace writes a file that has its name only when it is whole.
func replace(name string, b []byte, mode os.FileMode) error { return renameio.WriteFile(name, b, mode) }
