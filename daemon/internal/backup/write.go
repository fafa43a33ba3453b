package backup

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewclaw/daemon/internal/archive"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// A Log is what is backed up: streamlog.Log.
type Log interface {
	ID() string
	Last() (events.Position, string)
	ReadRaw(ctx context.Context, from, through events.Position) iter.Seq2[streamlog.Raw, error]
}

// Values are the content of the buckets beside a log: bucket → key → value. In
// cursors.json a value stands in base64, so that it comes back byte for byte.
type Values map[string]map[string][]byte

// A File is one of the config: its slash-separated name below the folder of the
// config, and its bytes.
type File struct {
	Name string
	Data []byte
}

// Options say what is written where.
type Options struct {
	Path     string // a folder, or a file whose name ends with .tar
	Log      Log
	Archive  *archive.Archive
	Values   func(context.Context) (Values, error) // called before the end of the log is taken
	Config   string                                // which of Files is the config; may be ""
	Files    []File
	Now      func() time.Time
	Progress func(done, total int) // entries; may be nil
	Beat     func(name string)     // told when a beat begins; may be nil
}

// The beats of a backup, as [Options.Beat] and [RestoreOptions.Beat] name them.
const (
	BeatEntries   = "backup-entries"
	BeatOriginals = "backup-originals"
	BeatState     = "backup-state"
	BeatManifest  = "backup-manifest"
	BeatArchive   = "restore-archive"
	BeatLog       = "restore-log"
	BeatCursors   = "restore-cursors"
	BeatRename    = "restore-rename"
)

// segmentBytes is how large a file of entries may become, but for its last entry.
const segmentBytes = 8 << 20

// Write makes a backup at o.Path and returns its manifest. A folder that has a
// backup of the same log gets what is new; any other must be empty or not there,
// as must a file. Whoever writes may append to the log meanwhile.
//
// A log or an archive that is damaged is backed up as far as it is whole: then
// the manifest says so (Damage, Missing) and there is no error. Errors are of
// kind invalid for a place that cannot be used, unavailable for the disk.
func Write(ctx context.Context, o Options) (*Manifest, error) {
	if o.Beat == nil {
		o.Beat = func(string) {}
	}
	w := &writer{o: o, sums: sums{}, m: &Manifest{V: Version, What: what, Log: o.Log.ID(), Config: o.Config}}
	if err := w.begin(); err != nil {
		return nil, err
	}
	defer w.t.close()
	for _, step := range []func(context.Context) error{w.start, w.entries, w.originals, w.state, w.finish} {
		if err := step(ctx); err != nil {
			return nil, err
		}
	}
	return w.m, nil
}

type writer struct {
	o      Options
	t      target
	m      *Manifest
	old    *Manifest // of the backup that is added to, or nil
	sums   sums
	values Values
	end    events.Position
	want   []string // originals the new entries name, in their order
	wanted map[string]bool
	later  map[string]bool // named, and not here: they are with a barn
}

// begin takes hold of the place.
func (w *writer) begin() error {
	if isTar(w.o.Path) {
		if _, err := os.Lstat(w.o.Path); err == nil {
			return busy(w.o.Path, "a file that is not there yet", "one")
		}
		t, err := newTar(w.o.Path, w.o.Now())
		w.t = t
		return err
	}
	w.t = &folderTarget{w.o.Path}
	list, err := os.ReadDir(w.o.Path)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(list) == 0 {
		return nil
	}
	if err != nil {
		return unavailable(w.o.Path, "read the folder", err)
	}
	first, err := os.ReadFile(filepath.Join(w.o.Path, readmeName))
	if mine := readmeHead(w.m.Log); err != nil || !strings.HasPrefix(string(first), mine) {
		return busy(w.o.Path, "an empty folder, or one with a backup of log "+w.m.Log, "another folder")
	}
	return w.reopen()
}

func busy(path, wanted, got string) error {
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "backup", Where: path, What: "where to", Wanted: wanted, Got: got,
		Hints: []string{"name another place; nothing was changed"},
	}
}

// reopen takes in what an older backup in the folder has, if it is whole as far
// as a look at names and sizes tells.
func (w *writer) reopen() error {
	b, err := Open(w.o.Path)
	if errors.Is(err, events.ErrNotFound) {
		return nil // cut short before its first manifest: everything is written again
	}
	if err != nil {
		return err
	}
	defer b.Close()
	if b.Damage == "" {
		w.old = b.Manifest
		for name, sum := range b.sums {
			if _, size, err := b.stat(name); err == nil && size >= 0 && !strings.HasPrefix(name, b.State+"/") {
				w.sums[name] = sum
			}
		}
	}
	return nil
}

// start reads the cursors, then takes the end of the log.
func (w *writer) start(ctx context.Context) (err error) {
	if w.values, err = w.o.Values(ctx); err != nil {
		return err
	}
	w.end, w.m.Hash = w.o.Log.Last()
	w.m.Taken = events.FormatTime(w.o.Now())
	if w.old != nil && !w.keeps(ctx) {
		return &events.Fault{
			Kind: events.ErrInvalid, Who: "backup", Where: w.o.Path, What: fmt.Sprintf("position %d of log %s", w.old.Position, w.m.Log),
			Wanted: "the entry that the backup there ends with, " + w.old.Hash, Got: "another, or none",
			Hints: []string{"the log went another way after that backup (it was restored to an older point): begin a new backup elsewhere and keep that one"},
		}
	}
	text := readmeText(w.m.Log)
	return w.put(ctx, readmeName, []byte(text))
}

// keeps reports whether the log still has the entry the old backup ends with.
func (w *writer) keeps(ctx context.Context) bool {
	p := w.old.Position
	if p == 0 || p > w.end {
		return p == 0
	}
	for r, err := range w.o.Log.ReadRaw(ctx, p, p) {
		return err == nil && r.Hash == w.old.Hash
	}
	return false
}

func (w *writer) put(ctx context.Context, name string, b []byte) error {
	sum, err := w.t.put(ctx, name, int64(len(b)), bytes.NewReader(b))
	if err == nil {
		w.sums[name] = sum
	}
	return err
}

// entries writes the entries that an older backup does not have.
func (w *writer) entries(ctx context.Context) error {
	w.o.Beat(BeatEntries)
	w.wanted, w.later = map[string]bool{}, map[string]bool{}
	at, hash, made := events.Position(0), events.NoEntry, ""
	if w.old != nil {
		at, hash, made = w.old.Position, w.old.Hash, w.old.Time
		w.m.Segments = w.old.Segments
	}
	var buf bytes.Buffer
	first := at + 1
	flush := func() error {
		if buf.Len() == 0 {
			return nil
		}
		s := Segment{fmt.Sprintf("entries/%012d-%012d.ndjson", first, at), first, at}
		if err := w.put(ctx, s.Name, buf.Bytes()); err != nil {
			return err
		}
		w.m.Segments = append(w.m.Segments, s)
		buf.Reset()
		first = at + 1
		return nil
	}
	for r, err := range w.o.Log.ReadRaw(ctx, at+1, w.end) {
		if errors.Is(err, events.ErrCorrupt) {
			w.m.Damage = err.Error()
			break
		}
		if err != nil {
			return err
		}
		buf.Write(r.Body)
		buf.WriteByte('\n')
		at, hash, made = r.Entry.At, r.Hash, r.Entry.Time
		w.need(r.Entry)
		if buf.Len() >= segmentBytes {
			if err := flush(); err != nil {
				return err
			}
		}
		if w.o.Progress != nil {
			w.o.Progress(int(at), int(w.end))
		}
		if at == w.end {
			break
		}
	}
	w.m.Position, w.m.Hash, w.m.Time = at, hash, made
	return flush()
}

// need notes the originals an entry names; of a barn those that have come to the hub.
func (w *writer) need(e *events.Entry) {
	for _, h := range e.Originals() {
		if _, here := w.o.Archive.Has(h); e.Elsewhere() && !here {
			w.later[h] = true
			continue
		}
		if !w.wanted[h] {
			w.wanted[h] = true
			w.want = append(w.want, h)
		}
	}
}

// originals copies those that are not there yet. One that is not what its name
// says is left out and named in the manifest.
func (w *writer) originals(ctx context.Context) error {
	w.o.Beat(BeatOriginals)
	if w.old != nil {
		for _, h := range w.old.Missing {
			if !w.wanted[h] {
				w.want = append(w.want, h)
			}
		}
		for _, h := range w.old.Later {
			if _, here := w.o.Archive.Has(h); !here {
				w.later[h] = true
			} else if !w.wanted[h] {
				w.want = append(w.want, h)
			}
		}
	}
	w.m.Later = slices.Sorted(maps.Keys(w.later))
	for _, h := range w.want {
		name := blobPath(h)
		if w.sums[name] != "" {
			continue
		}
		err := w.original(ctx, name, h)
		switch {
		case errors.Is(err, events.ErrNotFound) || errors.Is(err, events.ErrCorrupt):
			w.m.Missing = append(w.m.Missing, h)
		case err != nil:
			return err
		}
	}
	for name := range w.sums {
		if blobName.MatchString(name) {
			size, _ := w.o.Archive.Has(filepath.Base(name))
			w.m.Originals++
			w.m.Bytes += size
		}
	}
	return nil
}

func (w *writer) original(ctx context.Context, name, hash string) error {
	if err := w.o.Archive.Verify(ctx, hash); err != nil {
		return err
	}
	blob, err := w.o.Archive.Open(hash)
	if err != nil {
		return err
	}
	defer blob.Close()
	sum, err := w.t.put(ctx, name, blob.Size(), blob)
	if err == nil && sum != hash {
		err = corrupt(w.o.Archive.Path(hash), "original", hash, sum)
	}
	if err == nil {
		w.sums[name] = sum
	}
	return err
}

// state writes cursors, config and checksums into a folder of this backup's own.
func (w *writer) state(ctx context.Context) error {
	w.o.Beat(BeatState)
	w.m.State = fmt.Sprintf("state-%012d-%sZ", w.m.Position, strings.Replace(w.o.Now().UTC().Format("20060102T150405.000000000"), ".", "", 1))
	values, err := json.MarshalIndent(w.values, "", " ")
	if err != nil {
		return fmt.Errorf("write cursors: %w", err)
	}
	if err := w.put(ctx, w.m.State+"/"+cursorsName, append(values, '\n')); err != nil {
		return err
	}
	for _, f := range w.o.Files {
		name := w.m.State + "/" + configFolder + "/" + f.Name
		if !w.m.belongs(name) {
			return fmt.Errorf("write config: name %q cannot be in a backup", f.Name)
		}
		if err := w.put(ctx, name, f.Data); err != nil {
			return err
		}
	}
	b := w.sums.bytes()
	w.m.Sums, err = w.t.put(ctx, w.m.State+"/"+sumsName, int64(len(b)), bytes.NewReader(b))
	return err
}

// finish writes the manifest, and then sweeps away what it does not name.
func (w *writer) finish(context.Context) error {
	b, err := w.m.seal()
	if err != nil {
		return err
	}
	w.o.Beat(BeatManifest)
	if err := w.t.finish(b); err != nil {
		return err
	}
	if t, ok := w.t.(*folderTarget); ok {
		t.sweep(w.m, w.sums)
	}
	return nil
}

// sweep removes what older backups, and those that were cut short, left in the
// folder. What cannot be removed does no harm.
func (t *folderTarget) sweep(m *Manifest, keep sums) {
	_ = filepath.WalkDir(t.dir, func(p string, d fs.DirEntry, err error) error {
		rel, rerr := filepath.Rel(t.dir, p)
		if err != nil || rerr != nil || rel == "." {
			return nil
		}
		name := filepath.ToSlash(rel)
		old := d.IsDir() && stateName.MatchString(name) && name != m.State
		stray := !d.IsDir() && strings.HasPrefix(name, "entries/") && keep[name] == ""
		half := !d.IsDir() && strings.HasSuffix(name, passing)
		if old || stray || half {
			_ = os.RemoveAll(p)
		}
		if old {
			return fs.SkipDir
		}
		return nil
	})
}

func readmeHead(log string) string { return fmt.Sprintf("dewclaw backup %d of log %s\n", Version, log) }

func readmeText(log string) string {
	return readmeHead(log) + `
This is a backup made by dewclaw. It is whole if manifest.json is there and says so:
    dewclaw verify --backup HERE
    dewclaw restore HERE --into NEW-FOLDER
Without the program: sha256sum -c state-*/SHA256SUMS; entries are JSON, one a line,
originals stand byte for byte under their SHA-256. It is not encrypted.
`
}

var _ io.Reader = under{}
