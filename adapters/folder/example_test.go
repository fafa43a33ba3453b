package folder_test

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/events"
)

func ExampleOpen() {
	dir, err := os.MkdirTemp("", "in")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	if err := os.WriteFile(filepath.Join(dir, "visits.csv"), []byte("animal;foot\n17;LF\n"), 0o600); err != nil {
		panic(err)
	}

	s, err := folder.Open(folder.Options{
		Who: "source chute", Dir: dir, Patterns: []string{"*.csv"}, Rest: 10 * time.Millisecond, Once: true,
		Report: func(f *events.Fault) { fmt.Println(f) },
	})
	if err != nil {
		panic(err)
	}
	defer s.Close()
	ctx := context.Background()
	for {
		d, err := s.Next(ctx)
		if err == io.EOF {
			break
		}
		if err != nil {
			panic(err)
		}
		r, err := d.Open(ctx)
		if err != nil {
			panic(err)
		}
		body, err := io.ReadAll(r)
		if err != nil {
			panic(err)
		}
		r.Close()
		fmt.Printf("%s: %d bytes\n", d.Name, len(body))
		if err := d.Settle(ctx, adapters.Taken); err != nil { // once it is committed
			panic(err)
		}
	}
	// Output:
	// visits.csv: 18 bytes
}

func ExampleSink_Send() {
	dir, err := os.MkdirTemp("", "out")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	s, err := folder.OpenSink(folder.SinkOptions{Who: "feed vet", Dir: dir})
	if err != nil {
		panic(err)
	}
	defer s.Close()
	b := &adapters.Batch{Name: "vet-1-0.csv", Body: []byte("animal;foot\r\n17;LF\r\n"), Rows: 1, Feed: "vet"}
	for range 2 { // the second time nothing changes
		if err := s.Send(context.Background(), b); err != nil {
			panic(err)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		panic(err)
	}
	for _, e := range entries {
		fmt.Println(e.Name())
	}
	// Output:
	// vet-1-0.csv
	// vet-1-0.csv.manifest.json
}
