package index_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"

	"dewclaw/events"
	"dewclaw/events/index"
)

// An index follows its log and says what each record is known to have said.
func ExampleOpen() {
	dir, err := os.MkdirTemp("", "index")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer func() { _ = os.RemoveAll(dir) }()

	log := &fakeLog{id: "log-1"} // a *streamlog.Log in earnest
	k := events.NewKeyer("larkfield", "chute")
	record := k.OwnKey("visit 7, cow 31")
	lesion := fact{record: record, slot: k.Slot(events.KindLesion, 0, "RH"), text: "sole ulcer", rev: events.Revision{Number: 1, Change: events.Recorded}}
	e := &events.Entry{V: 1, Log: log.id, At: 1, Prev: events.NoEntry, Time: "2026-04-01T00:00:00Z", Cause: events.CauseChunk, Source: "chute", Events: [][]byte{lesion.stored()}}
	b, err := e.Append(nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	log.bytes = append(log.bytes, b)

	ix, err := index.Open(context.Background(), index.Options{Path: filepath.Join(dir, "index.db"), Log: log})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer func() { _ = ix.Close() }()
	found, err := ix.Lookup("chute", []events.RecordID{record, k.OwnKey("visit 7, cow 32")}, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(found[0].Known, found[0].Slots[0].Kind, found[0].Slots[0].Said == lesion.digest())
	fmt.Println(found[1].Known)
	// Output:
	// true lesion true
	// false
}
