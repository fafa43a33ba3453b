package index_test

import (
	"context"
	"os"

	"pgregory.net/rapid"
)

// tb is what the helpers need of a test, be it of testing or of rapid.
type tb interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
	Context() context.Context
}

func tempDir(t *rapid.T) string {
	dir, err := os.MkdirTemp("", "index")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}
