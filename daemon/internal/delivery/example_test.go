package delivery_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// A desk delivers what the log holds to the folder of a recipient.
func Example() {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	out := filepath.Join(dir, "out")
	if err := os.Mkdir(out, 0o755); err != nil {
		fmt.Println(err)
		return
	}
	ctx := context.Background()
	now := func() time.Time { return time.Date(2026, 4, 1, 8, 0, 0, 0, time.UTC) }
	log, err := streamlog.Open(ctx, streamlog.Options{Dir: filepath.Join(dir, "log"), Now: now})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer log.Close()

	var enc events.Encoder
	lesion := &events.Lesion{Code: "SU", Foot: "RH"}
	lesion.Animal = []events.Identifier{{Scheme: "ear-tag", Value: "DE 09 412 00731"}}
	lesion.Occurred = events.Occurred{Date: "2026-03-04", Precision: "date"}
	data, _ := enc.Append(nil, lesion)
	keys := events.NewKeyer("larkfield", "chute")
	open := events.AppendOpen(nil, events.Envelope{
		Kind: events.KindLesion, Entity: keys.OwnKey("1").Entity(keys.Slot(events.KindLesion, 0)), Subject: "ear-tag:DE0941200731",
	}, data)
	_, err = log.Append(ctx, &events.Entry{
		Cause: events.CauseChunk, Source: "chute", Defaults: events.Defaults{Farm: "larkfield"},
		Events: [][]byte{events.AppendRevision(nil, open, events.Revision{Number: 1, Change: events.Recorded})},
	})
	if err != nil {
		fmt.Println(err)
		return
	}

	cfg, err := config.Parse(filepath.Join(dir, "dewclaw.yaml"), []byte(`version: 1
farms: {larkfield: {zone: Europe/Berlin}}
recipients: {vet: {}}
feeds: {vet-daily: {recipient: vet, farms: [larkfield], kinds: [lesion], to: {folder: out}}}
grants: [{farm: larkfield, recipient: vet, purpose: care, kinds: [lesion], fields: identities, from: 2026-01-01}]
`), nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	bucket, err := log.Bucket(ctx, "feeds")
	if err != nil {
		fmt.Println(err)
		return
	}
	desk, err := delivery.New(delivery.Options{
		Config: cfg, Log: log, Bucket: bucket, Now: now,
		Sink: func(_ context.Context, f *config.Feed) (adapters.Sink, error) {
			return folder.OpenSink(folder.SinkOptions{Who: "feed " + f.ID, Dir: f.Folder})
		},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	if err := desk.Once(ctx); err != nil {
		fmt.Println(err)
		return
	}
	s, err := desk.Show(ctx, "vet-daily")
	fmt.Println(s.Rows, s.LastName, s.Behind, err)
	// Output: 1 vet-daily-g1-000000000001.0000-000000000001.0000 0 <nil>
}
