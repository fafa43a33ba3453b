package demo

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"dewclaw/events"
)

// Seed is the seed of the demo that everybody gets.
const Seed = 1

// rottenShare is how many of a device's records are rotten, per thousand.
const rottenShare = 20

//go:embed files
var project embed.FS

// A Plan tells what the originals hold, and what a right reading of them must
// give.
type Plan struct {
	Farms   int
	Cows    int
	Files   int            // originals
	Sources []Expected     // in the order in which they are written
	Rotten  int            // records made rotten, each counted once
	Kinds   map[string]int // the same by kind of rot, in words
	Wrong   Mistake        // something a person puts right afterwards
}

// Expected is what one source must give, in records.
type Expected struct {
	Source string
	Counts events.Counts
}

// Total returns the counts of all sources together.
func (p *Plan) Total() events.Counts {
	var c events.Counts
	for _, e := range p.Sources {
		c = c.Add(e.Counts)
	}
	return c
}

// A Mistake is a lesion that was written down for the wrong foot.
type Mistake struct {
	Farm   string
	Animal string // ear tag as given
	Day    string // YYYY-MM-DD
	Code   string // of the lesion
	Foot   string // as written
	Right  string // the foot it was on
}

// Write makes the project folder dir and everything in it but the data folder:
// config, mappings, originals, empty folders for the feeds. Files that are there
// with the same bytes stay as they are, so that a second call changes nothing.
// The error is of kind invalid if a file of another content is in the way (it is
// not touched), of kind unavailable if the disk refuses.
func Write(dir string, seed uint64) (*Plan, error) {
	plan, originals := Make(seed)
	files, err := fs.Sub(project, "files")
	if err != nil {
		return nil, err
	}
	err = fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(files, name)
		if err != nil {
			return err
		}
		return put(dir, name, b, time.Time{})
	})
	if err != nil {
		return nil, err
	}
	for _, o := range originals {
		if err := put(dir, o.name, o.body, o.when); err != nil {
			return nil, err
		}
	}
	for _, name := range []string{"out/vet", "out/herd-records"} {
		if err := os.MkdirAll(filepath.Join(dir, filepath.FromSlash(name)), 0o755); err != nil {
			return nil, refused(err)
		}
	}
	return plan, nil
}

// Make makes the originals in memory.
func Make(seed uint64) (*Plan, []original) {
	herd := makeHerd(seed)
	exams, scores := work(seed, herd)
	trimmed, logged, seen := 0, 0, 0
	for _, x := range exams {
		switch {
		case x.cow.farm == Aulnaie:
			trimmed++
		case x.vet:
			seen++
		default:
			logged++
		}
	}
	share := func(records int) int { return max(1, (records*rottenShare+500)/1000) }
	plan := &Plan{Farms: 2, Cows: len(herd), Kinds: map[string]int{}, Wrong: mistake(exams)}
	var originals []original
	for _, v := range []*device{
		roster(seed, herd, share(len(herd))),
		semicolons(seed, exams, share(trimmed)),
		inchLog(seed, exams, share(logged)),
		vetDocuments(seed, exams, share(seen)),
		gaitScores(seed, scores, share(len(scores))),
		barnDiary(seed, herd, exams, share),
	} {
		plan.Sources = append(plan.Sources, Expected{v.source, v.counts})
		originals = append(originals, v.originals...)
		for kind, n := range v.rotten {
			plan.Rotten += n
			plan.Kinds[kind] += n
		}
	}
	plan.Files = len(originals)
	return plan, originals
}

// mistake picks a lesion of the early year at aulnaie.
func mistake(exams []*exam) Mistake {
	for _, x := range exams {
		if x.cow.farm != Aulnaie || len(x.found) != 1 || x.at.Before(day(60)) || x.blockOn != nil || x.wrapOn != "" {
			continue
		}
		if l := x.found[0]; l.foot == "LH" && l.code == "WL" {
			return Mistake{Aulnaie, x.cow.earTag, ymd(x.at), l.code, l.foot, "RH"}
		}
	}
	return Mistake{}
}

// put writes one file unless it is there already.
func put(dir, name string, body []byte, when time.Time) error {
	path := filepath.Join(dir, filepath.FromSlash(name))
	old, err := os.ReadFile(path)
	switch {
	case err == nil && bytes.Equal(old, body):
		return nil
	case err == nil:
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "demo", Where: path, What: "is there with other content; nothing was written over",
			Hints: []string{"choose an empty folder: dewclaw demo --dir FOLDER"},
		}
	case !errors.Is(err, fs.ErrNotExist):
		return refused(err)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return refused(err)
	}
	if err := os.WriteFile(path+".part", body, 0o644); err != nil {
		return refused(err)
	}
	if !when.IsZero() {
		if err := os.Chtimes(path+".part", when, when); err != nil {
			return refused(err)
		}
	}
	if err := os.Rename(path+".part", path); err != nil {
		return refused(err)
	}
	return nil
}

func refused(err error) error {
	return fmt.Errorf("write demo: %w: %w", err, events.ErrUnavailable)
}
