package herd_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/streamlog"
)

func ExampleOpen() {
	dir, err := os.MkdirTemp("", "herd")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	log, err := streamlog.Open(ctx, streamlog.Options{Dir: filepath.Join(dir, "log"), Now: time.Now})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer log.Close()

	k := events.NewKeyer("larkfield", "chute")
	wrap := &events.Treatment{What: "wrap", Foot: "RH", Claw: "none"}
	wrap.Animal = []events.Identifier{{Scheme: "herd-number", Value: "31"}}
	wrap.Occurred = events.Occurred{Date: "2026-03-04", Precision: "date"}
	var x events.Encoder
	data, _ := x.Append(nil, wrap)
	open := events.AppendOpen(nil, events.Envelope{Kind: wrap.Kind(), Entity: k.OwnKey("1").Entity(k.Slot(wrap.Kind(), 0))}, data)
	_, err = log.Append(ctx, &events.Entry{
		Cause: events.CauseChunk, Source: "chute", Defaults: events.Defaults{Farm: "larkfield"},
		Events: [][]byte{events.AppendRevision(nil, open, events.Revision{Number: 1, Change: events.Recorded})},
	})
	if err != nil {
		fmt.Println(err)
		return
	}

	h, err := herd.Open(ctx, herd.Options{Path: filepath.Join(dir, "herd.db"), Log: log})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer h.Close()
	if err := h.CatchUp(ctx); err != nil {
		fmt.Println(err)
		return
	}
	v, err := h.View(ctx)
	if err != nil {
		fmt.Println(err)
		return
	}
	defer v.Close()
	devices, err := v.OpenDevices(ctx, "larkfield", "2026-03-06")
	for _, d := range devices {
		fmt.Println(d.Animal, d.What, d.Foot, "since", d.On, "known:", d.Known)
	}
	fmt.Println(err)
	// Output:
	// larkfield/as-read/herd-number:31 wrap RH since 2026-03-04 known: false
	// <nil>
}
