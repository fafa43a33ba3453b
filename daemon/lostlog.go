package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"dewclaw/daemon/internal/archive"
	"dewclaw/events"
)

// Of an embedded log: the file that is there as soon as it is, and the folder of its
// streams. See the package comment of streamlog.
const (
	logHead    = "head"
	logStreams = "jetstream/$G/streams"
)

// lostLog returns an error of kind corrupt for a data folder without a log that has
// had one: a new log would leave out what people decided, and send everything once
// more. What else is there is looked at first: a first start, by another process
// just now, makes the log before all of it.
func (e *engine) lostLog() error {
	c := e.project.config
	if c.Log.URL != "" {
		return nil
	}
	left, err := e.leftOfLog()
	if left == "" || err != nil {
		return err
	}
	dir := e.data(logFolder)
	if _, err := os.Stat(filepath.Join(dir, logHead)); !errors.Is(err, fs.ErrNotExist) {
		return nil // there, or opening it tells why not
	}
	if list, err := os.ReadDir(filepath.Join(dir, filepath.FromSlash(logStreams))); err == nil && len(list) > 0 {
		return nil // opening it tells what is missing
	}
	data := shellQuote(c.Data)
	f := &events.Fault{
		Kind: events.ErrCorrupt, Who: "log", Where: dir, What: "the log is gone", Wanted: "the log that " + left + " came of", Got: "none",
		Hints: []string{
			"nothing was changed; originals in " + shellQuote(e.data(archiveFolder)) + " are safe; what is only in the log is not: corrections, held records that were settled, how far feeds were",
			"if " + shellQuote(dir) + " is a disk of its own: see that it is mounted",
			fmt.Sprintf("to restore a backup: mv %s %s && dewclaw restore BACKUP", data, shellQuote(c.Data+".before")),
			fmt.Sprintf("to begin anew on purpose, with everything read and sent once more: mv %s %s", data, shellQuote(c.Data+".before")),
		},
	}
	if c.Hub.URL != "" {
		f.Hints[3] = fmt.Sprintf("this is a barn with a hub, which gives back what it has of the log to an empty data folder: mv %s %s", data, shellQuote(c.Data+".before"))
	}
	return f
}

// leftOfLog names what in the data folder only a log can have left, or "".
func (e *engine) leftOfLog() (string, error) {
	for _, name := range []string{indexFile, herdFile} {
		if _, err := os.Stat(e.data(name)); err == nil {
			return e.data(name), nil
		}
	}
	a, err := archive.OpenReadOnly(e.data(archiveFolder))
	if errors.Is(err, events.ErrNotFound) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	for _, err := range a.List() {
		return "the originals in " + e.data(archiveFolder), err
	}
	return "", nil
}
