package main

import (
	"os"
	"path/filepath"
	"time"
)

// The project dewclaw runs in: one event a row, no feed.
const (
	config = `version: 1
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources:
  chute: {farm: hilltop, folder: in, files: ["*.csv"], mapping: one.yaml, rest: 100ms}
`
	mapping = `mapping: one
direction: in
dates: YYYY-MM-DD
times: HH:mm:ss
read: {format: csv}
record: {identifier: [transponder]}
animal: {transponder: eid, herd-number: tag}
occurred: {date: date, time: time}
visit: visit
row: {foot: foot, claw: {from: claw, empty: by-finding}}
events:
  - examination:
      reasons: =not-stated
      restraint: =not-stated
      trimmed: =unknown
      remarks: note
      asGiven.pen: pen
      asGiven.parity: parity
      asGiven.daysInMilk: dim
`
)

// project makes a folder with the config, the mapping and the file in it.
func project(in, dir string) error {
	if err := os.MkdirAll(filepath.Join(dir, "in"), 0o755); err != nil {
		return err
	}
	for name, text := range map[string]string{"dewclaw.yaml": config, "one.yaml": mapping} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			return err
		}
	}
	path := filepath.Join(dir, "in", "big.csv")
	if err := os.Link(in, path); err != nil {
		return err
	}
	old := time.Now().Add(-time.Hour)
	return os.Chtimes(path, old, old)
}
