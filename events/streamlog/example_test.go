package streamlog_test

import (
	"context"
	"fmt"
	"os"
	"time"

	"dewclaw/events"
	"dewclaw/events/streamlog"
)

func ExampleOpen() {
	dir, err := os.MkdirTemp("", "log")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	log, err := streamlog.Open(ctx, streamlog.Options{Dir: dir, Now: time.Now})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer log.Close()

	pos, err := log.Append(ctx, &events.Entry{
		Cause: events.CauseChunk, Source: "chute", Name: "visits.csv",
		Counts: events.Counts{Read: 2, Accepted: 1, Ignored: 1},
		Events: [][]byte{[]byte(`{"kind":"visit","entity":"v1","data":{}}`)},
	})
	fmt.Println(pos, err)

	for entry, err := range log.Read(ctx, 1) {
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Println(entry.At, entry.Source, entry.Counts)
	}
	// Output:
	// 1 <nil>
	// 1 chute read 2 = accepted 1 + duplicate 0 + amended 0 + held 0 + ignored 1
}
