package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"dewclaw/daemon/internal/backup"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/schema"
	"dewclaw/schema/codes"
)

// wholeInput is the input of the operation "export.whole".
type wholeInput struct{ Farm, Dir string }

// wholeItem is its answer: what is in the folder.
type wholeItem struct {
	Events    int `json:"events"`
	Held      int `json:"held"`
	Originals int `json:"originals"` // whole
	Lines     int `json:"lines"`     // of originals that other farms share
	Doubtful  int `json:"doubtful"`  // held records of shared sources whose farm cannot be read: left out

	Away  int      `json:"away,omitempty"`  // at a hub: originals that a barn has read, which are left out
	Barns []string `json:"barns,omitempty"` // those barns
}

// exportFarm asks for all there is of one farm.
func (a *app) exportFarm(farm, dir string) error {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return err
	}
	return items(a, "export.whole", wholeInput{farm, dir}, func(w wholeItem) error {
		a.printf("all there is of farm %s in %s\n", safe(farm), safe(dir))
		facts(a.stdout, "  ", "events", fmt.Sprint(w.Events), "held records", fmt.Sprint(w.Held), "originals", fmt.Sprintf("%d whole, %s of shared ones",
			w.Originals, plural(w.Lines, "line", "lines")))
		if w.Doubtful > 0 {
			a.printf("%s of sources shared with other farms are not in it: which farm they are of cannot be read. See: %s\n",
				plural(w.Doubtful, "held record", "held records"), a.hint("held list"))
		}
		if w.Away > 0 {
			a.printf("%s that %s %s read, and how they were read, are not in it; there: dewclaw export --farm %s --whole DIR\n",
				plural(w.Away, "original", "originals"), map[bool]string{true: "barn", false: "barns"}[len(w.Barns) == 1], safe(strings.Join(w.Barns, ", ")), safe(farm))
		}
		a.printf("to check it: (cd %s && sha256sum -c SHA256SUMS); to go on elsewhere: dewclaw import events.ndjson\n", shellQuote(dir))
		return nil
	})
}

// exportWhole is the operation "export.whole".
func (e *engine) exportWhole(ctx context.Context, in wholeInput, emit func(any) error) error {
	if err := e.named(ctx, in.Farm, ""); err != nil { // one that left the config may still leave with what is its own
		return err
	}
	building, err := backup.Begin("export", in.Dir)
	if err != nil {
		return err
	}
	w := &wholeFarm{e: e, farm: in.Farm, dir: building, sums: map[string]string{}, blobs: map[string]*wholeBlob{}, mappings: map[string]bool{}}
	for _, step := range []func(context.Context) error{w.survey, w.events, w.originals, w.held, w.names, w.finish} {
		if err := step(ctx); err != nil {
			return errors.Join(err, os.RemoveAll(building))
		}
	}
	if err := backup.Place(building, in.Dir); err != nil {
		return err
	}
	return emit(w.item)
}

// A wholeFarm is one farm on its way into a folder.
type wholeFarm struct {
	e        *engine
	farm     string
	dir      string
	item     wholeItem
	sums     map[string]string
	blobs    map[string]*wholeBlob // by archive hash
	order    []string              // of blobs, as the log has them
	mappings map[string]bool
}

// A wholeBlob is an original in which the farm has something.
type wholeBlob struct {
	entry  events.Position // the first that reads it for the farm
	shared bool            // other farms may have something in it
	own    map[wholeLine]whose
}

// A wholeLine is where a row is. Many may stand in one line of a JSON document.
type wholeLine struct {
	member, message string
	line            int
	path            string
}

// whose says what can be known of the farm of a row.
type whose int

const (
	unread  whose = iota // nothing, or two things of one place
	ours                 // it is the farm
	another              // it is another one
)

// note takes note of whose the row at a place is.
func (b *wholeBlob) note(l wholeLine, mine bool) {
	is := another
	if mine {
		is = ours
	}
	if old, there := b.own[l]; there && old != is {
		is = unread
	}
	b.own[l] = is
}

// survey finds the originals of the farm, and which of them others share.
func (w *wholeFarm) survey(ctx context.Context) error {
	away := map[string]bool{}
	for entry, err := range w.e.log.Read(ctx, 1) {
		if err != nil {
			return err
		}
		if entry.Archive == "" || entry.Cause != events.CauseChunk {
			continue
		}
		mine, others, err := w.farms(entry)
		if err != nil {
			return err
		}
		if b := entry.Barn; b != nil {
			if at := events.BarnKey(b.ID) + entry.Archive; mine && !away[at] {
				away[at] = true
				if w.item.Away++; !slices.Contains(w.item.Barns, b.ID) {
					w.item.Barns = append(w.item.Barns, b.ID)
				}
			}
			continue
		}
		b := w.blobs[entry.Archive]
		if b == nil {
			if !mine {
				continue // if it becomes ours by a later entry, that one is where it begins
			}
			b = &wholeBlob{own: map[wholeLine]whose{}}
			w.blobs[entry.Archive] = b
			w.order = append(w.order, entry.Archive)
		}
		b.shared = b.shared || others
		if mine {
			w.mappings[entry.Mapping] = true
			if b.entry == 0 {
				b.entry = entry.At
			}
		}
	}
	return w.foreign(ctx)
}

// foreign looks again for entries of other farms on the same bytes: they may
// stand before the first one of ours.
func (w *wholeFarm) foreign(ctx context.Context) error {
	for entry, err := range w.e.log.Read(ctx, 1) {
		if err != nil {
			return err
		}
		if b := w.blobs[entry.Archive]; b != nil && !b.shared {
			_, others, err := w.farms(entry)
			if err != nil {
				return err
			}
			b.shared = others
		}
	}
	return nil
}

// farms tells whether an entry may be about the farm, and about others. What it
// was read for is in the entry: the config may say something else today.
func (w *wholeFarm) farms(entry *events.Entry) (mine, others bool, err error) {
	see := func(farm string) {
		mine, others = mine || farm == w.farm, others || farm != w.farm
	}
	for farm := range entry.Zones {
		see(farm)
	}
	if entry.Defaults.Farm != "" {
		see(entry.Defaults.Farm)
	}
	for ev, err := range entry.All() {
		if err != nil {
			return false, false, err
		}
		see(ev.Farm)
	}
	return mine, others, nil
}

// write puts a file into the folder.
func (w *wholeFarm) write(name string, b []byte) error {
	full := filepath.Join(w.dir, filepath.FromSlash(name))
	if err := errors.Join(os.MkdirAll(filepath.Dir(full), 0o700), os.WriteFile(full, b, 0o600)); err != nil {
		return fmt.Errorf("write %s: %w: %w", name, err, events.ErrUnavailable)
	}
	w.sums[name] = sha256Hex(b)
	return nil
}

// events writes every event of the farm, as export does.
func (w *wholeFarm) events(ctx context.Context) error {
	f, err := newSumFile(filepath.Join(w.dir, "events.ndjson"))
	if err != nil {
		return err
	}
	defer f.close()
	for entry, err := range w.e.log.Read(ctx, 1) {
		if err != nil {
			return err
		}
		for ev, err := range entry.All() {
			if err != nil {
				return err
			}
			if ev.Farm != w.farm {
				continue
			}
			w.item.Events++
			if err := f.line(intake.ExportLine(entry, &ev)); err != nil {
				return err
			}
		}
	}
	if w.sums["events.ndjson"], err = f.finish(); err != nil {
		return err
	}
	return w.write("events.ndjson.sha256", []byte(w.sums["events.ndjson"]+"  events.ndjson\n"))
}

// heldLine is a held record as it leaves.
type heldLine struct {
	Source   string       `json:"source"`
	Name     string       `json:"name"`
	Archive  string       `json:"archive"`
	Position uint64       `json:"position"`
	State    string       `json:"state,omitempty"` // held, released or dropped
	Record   *events.Held `json:"record"`
}

// held writes the held records of the farm. Of a shared source it is those whose
// row names the farm; what farms share at a barn is told apart only there.
func (w *wholeFarm) held(ctx context.Context) error {
	f, err := newSumFile(filepath.Join(w.dir, "held.ndjson"))
	if err != nil {
		return err
	}
	defer f.close()
	for entry, err := range w.e.log.Read(ctx, 1) {
		if err != nil {
			return err
		}
		b := w.blobs[entry.Archive]
		if b == nil && entry.Barn == nil || len(entry.Held) == 0 {
			continue
		}
		mine, others, err := w.farms(entry)
		if err != nil {
			return err
		}
		for i := range entry.Held {
			h := &entry.Held[i]
			is := another
			switch {
			case mine && !others:
				is = ours
			case mine && entry.Barn == nil:
				is = b.own[wholeLine{h.Member, h.Message, h.Line, h.Path}]
			case mine:
				is = unread
			}
			if is == unread {
				w.item.Doubtful++
			}
			if is != ours {
				continue
			}
			l := heldLine{Source: entry.SourceKey(), Name: entry.Name, Archive: entry.Archive, Position: uint64(entry.At), Record: h}
			if x, ok, err := w.e.index.Held(entry.HeldKey(h.ID)); err == nil && ok {
				l.State = x.State.String()
			}
			w.item.Held++
			text, err := json.Marshal(&l)
			if err == nil {
				err = f.line(text)
			}
			if err != nil {
				return err
			}
		}
	}
	w.sums["held.ndjson"], err = f.finish()
	return err
}

// names writes what the codes mean: mappings, code lists, schemas.
func (w *wholeFarm) names(context.Context) error {
	for _, h := range slices.Sorted(maps.Keys(w.mappings)) {
		if h == "" {
			continue
		}
		text, err := readBlob(w.e.archive, h)
		if err == nil {
			err = w.write("mappings/"+h+".yaml", text)
		}
		if err != nil {
			return err
		}
	}
	for _, name := range codes.Names() {
		var b bytes.Buffer
		if err := codes.Find(name).Write(&b, "json"); err != nil {
			return err
		}
		if err := w.write("codes/"+name+".json", b.Bytes()); err != nil {
			return err
		}
	}
	for _, name := range schema.Names() {
		text, err := schema.Source(name)
		if err == nil {
			err = w.write("schemas/"+name+".schema.json", text)
		}
		if err != nil {
			return err
		}
	}
	return w.write("README", []byte(fmt.Sprintf(wholeReadme, w.farm)))
}

// finish writes the checksums of all files.
func (w *wholeFarm) finish(context.Context) error {
	var b strings.Builder
	for _, name := range slices.Sorted(maps.Keys(w.sums)) {
		fmt.Fprintf(&b, "%s  %s\n", w.sums[name], path.Clean(name))
	}
	return w.write("SHA256SUMS", []byte(b.String()))
}

const wholeReadme = `All there is of the farm %q, exported by dewclaw.

events.ndjson     every event and every revision, one CloudEvent (JSON) a line
held.ndjson       records that were refused and kept, with the reasons; at a hub also those of barns
originals/        originals that are of this farm alone, byte for byte under their SHA-256
originals.ndjson  the rows of this farm in originals that other farms share: original, line, text
mappings/         how the originals were read, under their SHA-256
codes/, schemas/  what codes and members mean
SHA256SUMS        checksums: sha256sum -c SHA256SUMS

"origin" of an event names its original and line. To go on with dewclaw elsewhere: name
the farm in its config under the same id, then: dewclaw import events.ndjson
`
