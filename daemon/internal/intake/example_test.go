package intake_test

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events/index"
)

// A file is taken in once; the same bytes again change nothing.
func ExampleIntake_Take() {
	dir, err := os.MkdirTemp("", "intake")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer func() { _ = os.RemoveAll(dir) }()
	ctx := context.Background()
	log := &memoryLog{id: "log-1"} // a *streamlog.Log in earnest
	ix, err := index.Open(ctx, index.Options{Path: filepath.Join(dir, "index.db"), Log: log})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer func() { _ = ix.Close() }()
	originals, err := archive.Open(filepath.Join(dir, "archive"))
	if err != nil {
		fmt.Println(err)
		return
	}
	text := []byte(layoutOf(groups))
	m, err := mapping.ParseInward("chute.yaml", text)
	if err != nil {
		fmt.Println(err)
		return
	}
	in := intake.New(intake.Deps{
		Log: log, Index: ix, Archive: originals, Decoders: decoders, Now: time.Now, Logger: slog.New(slog.DiscardHandler),
	})
	src := &intake.Source{ID: "chute", Farm: "larkfield", Zone: "Europe/Berlin", Mapping: m, MappingBytes: text}
	for _, name := range []string{"monday.csv", "copy of monday.csv"} {
		r, err := in.Take(ctx, src, delivery(name, cowRows(31, 32)), intake.Options{})
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Println(r.Known, r.Counts)
	}
	// Output:
	// false read 2 = accepted 2 + duplicate 0 + amended 0 + held 0 + ignored 0
	// true read 2 = accepted 0 + duplicate 2 + amended 0 + held 0 + ignored 0
}
