package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"dewclaw/daemon/internal/backup"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// backupCommand writes what of the data folder cannot be made again into a
// place of its own. A running daemon does it itself and goes on meanwhile.
type backupCommand struct {
	To   string `arg:"" name:"to" type:"path" placeholder:"DIR|FILE.tar" help:"A folder (what is new is added to an older backup there) or a new file whose name ends with .tar."`
	JSON bool   `name:"json" help:"As one JSON object."`
}

// backupInput is the input of the operation "backup".
type backupInput struct{ Path string }

// backupItem is one item of the answer: progress, or the manifest at the end.
type backupItem struct {
	Done     int              `json:"done,omitempty"`
	Total    int              `json:"total,omitempty"`
	Manifest *backup.Manifest `json:"manifest,omitempty"`
}

func (c *backupCommand) Run(a *app) error {
	path, err := filepath.Abs(c.To)
	if err != nil {
		return err
	}
	p := newProgress(a.stderr, "backup: entries", a.now)
	var m *backup.Manifest
	err = items(a, "backup", backupInput{path}, func(i backupItem) error {
		if m = i.Manifest; m == nil {
			p.at(int64(i.Done), int64(i.Total))
		}
		return nil
	})
	p.end()
	if m == nil {
		return err
	}
	if c.JSON {
		return errors.Join(a.line(m), halfBackup(c.To, m))
	}
	a.printf("%s\n", backupLine(c.To, m))
	facts(a.stdout, "  ", "newest entry", m.Time, "originals", fmt.Sprintf("%d, %.1f MB", m.Originals, float64(m.Bytes)/1e6), "config", m.Config,
		"not in it", "keys and passwords, which never stand in the config; and read models, which are built again")
	a.printf("to prove it: %s\n", a.hint("verify --backup "+shellQuote(c.To)))
	return halfBackup(c.To, m)
}

// backupLine is the first line of what is told: of a damaged folder, what is not in it.
func backupLine(path string, m *backup.Manifest) string {
	s := fmt.Sprintf("backup of log %s up to position %d in %s", m.Log, m.Position, safe(path))
	var lacks []string
	if m.Damage != "" {
		lacks = append(lacks, fmt.Sprintf("entries behind position %d, which are damaged", m.Position))
	}
	if n := len(m.Missing); n > 0 {
		lacks = append(lacks, plural(n, "original", "originals")+" that could not be read")
	}
	if len(lacks) > 0 {
		s = "PARTIAL " + s + "; not in it: " + strings.Join(lacks, "; ")
	}
	return s
}

// halfBackup tells what of a damaged folder is not in the backup.
func halfBackup(path string, m *backup.Manifest) error {
	var errs []error
	if m.Damage != "" {
		errs = append(errs, &events.Fault{
			Kind: events.ErrCorrupt, Who: "backup", Where: path, What: fmt.Sprintf("entries behind position %d are not in it: %s", m.Position, m.Damage),
			Hints: []string{"what is before is whole and can be restored; keep the data folder and older backups as they are"},
		})
	}
	if n := len(m.Missing); n > 0 {
		errs = append(errs, &events.Fault{
			Kind: events.ErrCorrupt, Who: "backup", Where: path, What: plural(n, "original", "originals") + " that the log names could not be read, the first is " + m.Missing[0],
			Hints: []string{"the backup is whole but for them; to see what they were: dewclaw verify"},
		})
	}
	return errors.Join(errs...)
}

// backup is the operation "backup".
func (e *engine) backup(ctx context.Context, in backupInput, emit func(any) error) error {
	c := e.project.config
	if err := errors.Join(packedName(in.Path), apart(in.Path, c.Data)); err != nil {
		return err
	}
	files, err := configFiles(c.Path, e.project.mappingPaths())
	if err != nil {
		return err
	}
	m, err := backup.Write(ctx, backup.Options{
		Path: in.Path, Log: e.log, Archive: e.archive, Values: e.bucketValues, Config: filepath.Base(c.Path), Files: files, Now: e.now,
		Progress: func(done, total int) { _ = emit(backupItem{Done: done, Total: total}) }, Beat: e.beat,
	})
	if err != nil {
		return err
	}
	return emit(backupItem{Manifest: m})
}

// packedEnds are ends of names of which people think that a backup is packed so.
var packedEnds = []string{".tgz", ".gz", ".txz", ".xz", ".bz2", ".zst", ".zip", ".7z", ".tar"}

// packedName refuses a place that would become a folder though its name says that it
// is one file.
func packedName(path string) error {
	if filepath.Ext(path) == ".tar" {
		return nil
	}
	if fi, err := os.Stat(path); err == nil && fi.IsDir() {
		return nil
	}
	for _, end := range packedEnds {
		if name, ok := strings.CutSuffix(strings.ToLower(path), end); ok {
			name = strings.TrimSuffix(path[:len(name)], ".tar")
			return &events.Fault{
				Kind: events.ErrInvalid, Who: "backup", Where: path, What: "where to", Wanted: "a folder, or a file whose name ends with .tar", Got: "a name that ends with " + path[len(path)-len(end):],
				Hints: []string{"a backup is a folder or a plain .tar file, which other programs can pack: dewclaw backup " + shellQuote(name+".tar")},
			}
		}
	}
	return nil
}

// apart refuses a place in the data folder: it would be lost with it, and be no
// empty folder for a restore.
func apart(path, data string) error {
	own, err := os.Stat(data)
	if err != nil {
		return nil // writing tells more
	}
	rest := ""
	for dir := filepath.Clean(path); ; dir = filepath.Dir(dir) {
		if real, err := filepath.EvalSymlinks(dir); err == nil {
			path = filepath.Join(real, rest)
			break
		}
		if dir == filepath.Dir(dir) {
			break
		}
		rest = filepath.Join(filepath.Base(dir), rest)
	}
	for dir := path; ; dir = filepath.Dir(dir) {
		if fi, err := os.Stat(dir); err == nil && os.SameFile(fi, own) {
			return &events.Fault{
				Kind: events.ErrInvalid, Who: "backup", Where: path, What: "where to", Wanted: "a place outside the data folder", Got: "one in " + data,
				Hints: []string{"nothing was changed; name a place on another disk, which is not lost with this one: dewclaw backup /mnt/safe/dewclaw"},
			}
		}
		if dir == filepath.Dir(dir) {
			return nil
		}
	}
}

// bucketValues reads everything that is kept beside the log. Of a damaged log it
// is what is whole.
func (e *engine) bucketValues(ctx context.Context) (backup.Values, error) {
	out := backup.Values{}
	for _, name := range []string{bucketName} {
		b, err := e.log.Bucket(ctx, name)
		if err != nil {
			return nil, err
		}
		keys, err := b.Keys(ctx)
		if err != nil && !errors.Is(err, events.ErrCorrupt) {
			return nil, err
		}
		out[name] = map[string][]byte{}
		for _, k := range keys {
			v, err := b.Get(ctx, k)
			switch {
			case err == nil:
				out[name][k] = v
			case errors.Is(err, events.ErrNotFound) || errors.Is(err, events.ErrCorrupt): // deleted meanwhile, or damaged
			default:
				return nil, err
			}
		}
	}
	return out, nil
}

// mappingPaths lists the mapping files the config names.
func (p *project) mappingPaths() []string {
	seen := map[string]bool{}
	var out []string
	add := func(path string) {
		if path != "" && !seen[path] && !strings.HasPrefix(path, config.Builtin) {
			seen[path] = true
			out = append(out, path)
		}
	}
	for _, s := range p.config.Sources {
		add(s.Mapping)
	}
	for _, f := range p.config.Feeds {
		add(f.Mapping)
	}
	return out
}

// configFiles reads the config, its mappings and their examples. Those below the
// folder of the config keep their place, others stand in a folder "elsewhere".
func configFiles(path string, mappings []string) ([]backup.File, error) {
	base, err := filepath.Abs(filepath.Dir(path))
	if err != nil {
		return nil, err
	}
	paths := []string{filepath.Join(base, filepath.Base(path))}
	for _, m := range mappings {
		paths = append(paths, m, strings.TrimSuffix(m, filepath.Ext(m))+".txtar")
	}
	var out []backup.File
	seen := map[string]bool{}
	for _, p := range paths {
		text, err := os.ReadFile(p)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, &events.Fault{Kind: events.ErrUnavailable, Who: "backup", Where: p, What: "read", Cause: err}
		}
		name, err := filepath.Rel(base, p)
		if err != nil || !filepath.IsLocal(name) {
			name = filepath.Join("elsewhere", filepath.Base(p))
		}
		if name = filepath.ToSlash(name); !seen[name] {
			seen[name] = true
			out = append(out, backup.File{Name: name, Data: text})
		}
	}
	return out, nil
}
