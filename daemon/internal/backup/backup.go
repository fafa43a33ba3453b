package backup

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"strings"

	"dewclaw/events"
)

// A Backup is a backup that is open for reading. Its entries can be read as
// those of a log; its methods are for one goroutine.
type Backup struct {
	*Manifest
	path  string
	store store
	sums  sums
}

// Open opens a backup and reads its manifest and its list of checksums, whose
// own sums must be right. The error is of kind not found if there is no
// manifest: then there is no backup, whatever else is there.
func Open(path string) (*Backup, error) {
	b := &Backup{path: path}
	fi, err := os.Stat(path)
	switch {
	case err != nil:
		return nil, readFault(path, err)
	case fi.IsDir():
		root, err := os.OpenRoot(path)
		if err != nil {
			return nil, readFault(path, err)
		}
		b.store = folderStore{root}
	default:
		t, err := openTar(path)
		if err != nil {
			return nil, err
		}
		b.store = t
	}
	if err := b.head(); err != nil {
		return nil, errors.Join(err, b.store.close())
	}
	return b, nil
}

func (b *Backup) head() error {
	text, err := b.small(manifestName)
	if errors.Is(err, events.ErrNotFound) {
		return &events.Fault{
			Kind: events.ErrNotFound, Who: "backup", Where: b.path, What: "there is no manifest.json: it is no backup, or one that was cut short",
			Hints: []string{"take it again: dewclaw backup DIR"},
		}
	}
	if err != nil {
		return err
	}
	if b.Manifest, err = parseManifest(filepath.Join(b.path, manifestName), text); err != nil {
		return err
	}
	where := b.State + "/" + sumsName
	text, err = b.small(where)
	if err != nil {
		return b.lost(where, err)
	}
	if got := digest(text); got != b.Sums {
		return corrupt(filepath.Join(b.path, where), "checksums", b.Sums, got)
	}
	b.sums, err = parseSums(b.Manifest, where, text)
	return err
}

// Close lets go of the backup.
func (b *Backup) Close() error { return b.store.close() }

// small reads a file that must fit in memory.
func (b *Backup) small(name string) ([]byte, error) {
	f, size, err := b.store.open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if size > maxManifest {
		return nil, corrupt(name, "size", fmt.Sprintf("at most %d bytes", maxManifest), fmt.Sprint(size))
	}
	text, err := io.ReadAll(f)
	if err != nil {
		return nil, unavailable(name, "read", err)
	}
	return text, nil
}

func (b *Backup) stat(name string) (file, int64, error) {
	f, size, err := b.store.open(name)
	if err != nil {
		return nil, -1, err
	}
	return nil, size, f.Close()
}

// lost makes a file that is not there damage: the manifest or the checksums name it.
func (b *Backup) lost(name string, err error) error {
	if errors.Is(err, events.ErrNotFound) {
		return corrupt(filepath.Join(b.path, name), "file of the backup", "it", "nothing")
	}
	return err
}

// text reads a listed file and checks its sum.
func (b *Backup) text(name string) ([]byte, error) {
	text, err := b.small(name)
	if err != nil {
		return nil, b.lost(name, err)
	}
	if got := digest(text); got != b.sums[name] {
		return nil, corrupt(filepath.Join(b.path, name), "file of the backup", "the sum "+b.sums[name], got)
	}
	return text, nil
}

// Values returns the values of the buckets beside the log.
func (b *Backup) Values() (Values, error) {
	text, err := b.text(b.State + "/" + cursorsName)
	if err != nil {
		return nil, err
	}
	var v Values
	if err := json.Unmarshal(text, &v); err != nil {
		return nil, corrupt(cursorsName, "cursors", "the JSON of values", err.Error())
	}
	return v, nil
}

// Files returns the config and its mappings.
func (b *Backup) Files() ([]File, error) {
	var out []File
	prefix := b.State + "/" + configFolder + "/"
	for name := range b.sums {
		if rest, ok := strings.CutPrefix(name, prefix); ok {
			text, err := b.text(name)
			if err != nil {
				return nil, err
			}
			out = append(out, File{rest, text})
		}
	}
	return out, nil
}

// maxEntry bounds a line of entries; an entry is a message of at most 8 MiB.
const maxEntry = 16 << 20

// Bodies returns the bytes of the entries up to a position, each held to the
// chain and, at the end of the backup, to the manifest. It ends at the first
// error, of kind corrupt for bytes that are not what was written.
func (b *Backup) Bodies(ctx context.Context, through events.Position) iter.Seq2[[]byte, error] {
	return func(yield func([]byte, error) bool) {
		at, prev := events.Position(0), events.NoEntry
		for _, s := range b.Segments {
			if at >= through {
				return
			}
			for body, err := range b.segment(ctx, s) {
				var hash string
				if err == nil {
					hash, err = b.chained(s, body, at+1, prev)
				}
				if err != nil {
					yield(nil, err)
					return
				}
				at, prev = at+1, hash
				if !yield(body, nil) || at >= through {
					return
				}
			}
			if at != s.Last {
				yield(nil, corrupt(filepath.Join(b.path, s.Name), "last entry", fmt.Sprint(s.Last), fmt.Sprint(at)))
				return
			}
		}
		if through >= b.Position && at != b.Position {
			yield(nil, corrupt(b.path, "last entry", fmt.Sprint(b.Position), fmt.Sprint(at)))
		}
	}
}

// chained checks that an entry is the next one of the log, and returns its hash.
func (b *Backup) chained(s Segment, body []byte, at events.Position, prev string) (string, error) {
	where := filepath.Join(b.path, s.Name)
	e, err := events.ParseEntry(body)
	if errors.Is(err, events.ErrInvalid) {
		return "", err
	}
	switch hash := events.EntryHash(body); {
	case err != nil:
		return "", corrupt(where, fmt.Sprintf("entry %d", at), "the JSON of an entry", err.Error())
	case e.Log != b.Log || e.At != at || e.Prev != prev:
		return "", corrupt(where, fmt.Sprintf("entry %d", at), fmt.Sprintf("log %s, position %d, behind %.12s…", b.Log, at, prev),
			fmt.Sprintf("log %s, position %d, behind %.12s…", e.Log, e.At, e.Prev))
	case at == b.Position && hash != b.Hash:
		return "", corrupt(where, fmt.Sprintf("entry %d", at), "the hash "+b.Hash, hash)
	default:
		return hash, nil
	}
}

// segment returns the lines of one file of entries. Each belongs to the caller.
func (b *Backup) segment(ctx context.Context, s Segment) iter.Seq2[[]byte, error] {
	return func(yield func([]byte, error) bool) {
		if !segmentName.MatchString(s.Name) {
			yield(nil, corrupt(b.path, "file of entries", "its name", fmt.Sprintf("%q", s.Name)))
			return
		}
		f, _, err := b.store.open(s.Name)
		if err != nil {
			yield(nil, b.lost(s.Name, err))
			return
		}
		defer f.Close()
		lines := bufio.NewScanner(under{ctx, f})
		lines.Buffer(make([]byte, 64<<10), maxEntry)
		for lines.Scan() {
			if !yield(bytes.Clone(lines.Bytes()), nil) {
				return
			}
		}
		if err := lines.Err(); ctx.Err() != nil {
			yield(nil, ctx.Err())
		} else if err != nil {
			yield(nil, corrupt(filepath.Join(b.path, s.Name), "entries", "lines of JSON", err.Error()))
		}
	}
}

// Check reads all of the backup: every file against its checksum, the entries
// against their chain, and that what they name is there. It returns the first
// thing that is wrong, of kind corrupt. progress is told of files; it may be nil.
func (b *Backup) Check(ctx context.Context, progress func(done, total int)) error {
	done := 0
	for name, want := range b.sums {
		f, _, err := b.store.open(name)
		if err != nil {
			return b.lost(name, err)
		}
		h := sha256.New()
		_, err = io.CopyBuffer(h, under{ctx, f}, make([]byte, 256<<10))
		f.Close()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			return unavailable(filepath.Join(b.path, name), "read", err)
		}
		if got := hex.EncodeToString(h.Sum(nil)); got != want {
			return corrupt(filepath.Join(b.path, name), "file of the backup", "the sum "+want, got)
		}
		if blob := blobName.FindStringSubmatch(name); blob != nil && blob[2] != want {
			return corrupt(filepath.Join(b.path, name), "original", "its name as its sum", want)
		}
		if done++; progress != nil {
			progress(done, len(b.sums))
		}
	}
	missing := map[string]bool{}
	for _, h := range b.Missing {
		missing[h] = true
	}
	for body, err := range b.Bodies(ctx, b.Position) {
		if err != nil {
			return err
		}
		e, err := events.ParseEntry(body)
		if err != nil {
			return err
		}
		for _, h := range e.Originals() {
			if b.sums[blobPath(h)] == "" && !missing[h] && !e.Elsewhere() {
				return corrupt(b.path, fmt.Sprintf("original %s, which entry %d names", h, e.At), "it", "nothing")
			}
		}
	}
	return nil
}
