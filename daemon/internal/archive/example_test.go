package archive_test

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"

	"dewclaw/daemon/internal/archive"
)

func ExampleArchive_Put() {
	dir, err := os.MkdirTemp("", "archive")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	a, err := archive.Open(dir)
	if err != nil {
		panic(err)
	}
	hash, size, err := a.Put(context.Background(), strings.NewReader("animal;foot\n17;LF\n"))
	if err != nil {
		panic(err)
	}
	b, err := a.Open(hash)
	if err != nil {
		panic(err)
	}
	defer b.Close()
	text, err := io.ReadAll(b)
	if err != nil {
		panic(err)
	}
	fmt.Printf("%d bytes under %s…\n%s", size, hash[:8], text)
	// Output:
	// 18 bytes under ed3d9e47…
	// animal;foot
	// 17;LF
}
