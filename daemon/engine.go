package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"dewclaw/adapters"
	httpx "dewclaw/adapters/http"
	"dewclaw/adapters/mqttport"
	"dewclaw/adapters/packed"
	"dewclaw/daemon/internal/api"
	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/daemon/internal/intake"
	"dewclaw/daemon/internal/metrics"
	"dewclaw/daemon/internal/quarantine"
	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/index"
	"dewclaw/events/streamlog"
	"dewclaw/events/worklist"
	"dewclaw/schema/rules"
)

// Folders and files below the data folder. All but log and archive can be
// deleted while nothing runs; they are built again from the log.
const (
	logFolder     = "log"
	archiveFolder = "archive"
	indexFile     = "index/index.db"
	herdFile      = "herd/herd.db"
)

// openOptions say what an engine is opened for.
type openOptions struct {
	work  bool       // reading and feeding follow: every mapping must be right, the log must be whole
	link  bool       // connect to the hub, if there is one and grants allow it
	whole bool       // read the log to its last byte first, unless it is large
	level slog.Level // the least that the logger says
}

// An engine is a data folder that is open, with the rooms that work on it.
type engine struct {
	project *project
	getenv  func(string) string
	now     func() time.Time
	stderr  io.Writer
	beats   func(string)
	logger  *slog.Logger
	health  *health

	log        *streamlog.Log
	archive    *archive.Archive
	index      *index.Index
	herd       *herd.Herd
	rules      *rules.Settings
	intake     *intake.Intake
	quarantine *quarantine.Quarantine
	feeds      *delivery.Desk
	leases     *leases // nil if the log is embedded

	bodies map[string]*httpx.Source // sources whose records come as request bodies, while a daemon runs
	port   *mqttport.Port           // of devices; nil without one, or unless a daemon runs

	hooks   webhooks
	metrics *metrics.Metrics // nil unless a daemon runs

	refused func(heldNow) // told of records as they are held, from the goroutine of their source; may be nil

	follows bool // the daemon keeps the read model up to the log

	listing  sync.Mutex // held while daily lists are made
	lists    *worklist.Settings
	urgent   sync.Map // what held records may hide, by id: see urgentOf
	barns    sync.Map // at a hub: how each barn stands, a metrics.Barn by id
	gathers  sync.Map // at a hub: what it lacks of the originals of each, a *wanted by id
	linked   bool     // the log was opened so that the hub can read it
	logFarms []string // at a barn: farms that the log may tell of, beside those of the config
	damage   error    // the log is damaged: what is whole can be read, nothing else works
	opened   []opened
}

// opened is one thing that must be closed.
type opened struct {
	name  string
	close func(context.Context) error
}

// open takes hold of the data folder: log, read models, feeds, in this order. A
// start that fails closes what had started. The error is of kind locked if
// another process holds the folder.
func (a *app) open(p *project, o openOptions) (*engine, error) {
	if err := p.mappings(nil); err != nil && o.work {
		return nil, err
	}
	if err := possible(a.now()); err != nil && o.work {
		return nil, err
	}
	if err := ownFolder(p.config.Data, a.self); err != nil {
		return nil, err
	}
	e := &engine{project: p, getenv: a.getenv, now: a.now, stderr: a.stderr, beats: a.beats, logger: a.logger(o.level)}
	e.health = newHealth(e.logger)
	if o.level > slog.LevelInfo { // a command tells errors itself, once, at its end
		e.health = newHealth(slog.New(slog.DiscardHandler))
	}
	err := e.start(a.ctx, o)
	if err != nil {
		return nil, errors.Join(err, e.close(context.WithoutCancel(a.ctx)))
	}
	return e, nil
}

func (e *engine) start(ctx context.Context, o openOptions) error {
	if err := os.MkdirAll(e.project.config.Data, 0o700); err != nil {
		return fmt.Errorf("make data folder: %w: %w", err, events.ErrUnavailable)
	}
	for _, step := range []func(context.Context, openOptions) error{
		e.openLog, e.openArchive, e.openLeases, e.openIndex, e.openIntake, e.openHerd, e.openFeeds,
	} {
		if err := step(ctx, o); err != nil {
			if !errors.Is(err, events.ErrCorrupt) || o.work || e.log == nil {
				return err
			}
			e.damage = err
			return e.overDamaged()
		}
	}
	return nil
}

// overDamaged opens what reading needs, over a log that is damaged: nothing is
// changed in the data folder.
func (e *engine) overDamaged() (err error) {
	if e.archive, err = archive.OpenReadOnly(e.archiveDir()); err != nil {
		return err
	}
	e.rules, err = ruleSettings(e.project.config.Settings)
	return err
}

// close closes what was opened, in reverse.
func (e *engine) close(ctx context.Context) error {
	var errs []error
	for i := len(e.opened) - 1; i >= 0; i-- {
		if err := e.opened[i].close(ctx); err != nil {
			errs = append(errs, fmt.Errorf("close %s: %w", e.opened[i].name, err))
		}
	}
	e.opened = nil
	return errors.Join(errs...)
}

func (e *engine) closes(name string, f func() error) {
	e.opened = append(e.opened, opened{name, func(context.Context) error { return f() }})
}

func (e *engine) data(name string) string {
	return filepath.Join(e.project.config.Data, filepath.FromSlash(name))
}

// smallLog is how large a log may be that is read whole at each start: a quarter
// of a second. A daemon reads a larger one bit by bit while it runs.
const smallLog = 256 << 20

func (e *engine) openLog(ctx context.Context, o openOptions) error {
	if err := e.lostLog(); err != nil {
		return err
	}
	c := e.project.config.Log
	opt := streamlog.Options{Dir: e.data(logFolder), URL: c.URL, Stream: c.Stream, Replicas: c.Replicas, Login: e.login(&c.Server), Now: e.now, Logger: e.logger}
	if o.whole {
		opt.ReadWhole = smallLog
	}
	if o.link {
		leaf, err := e.leaf(ctx, opt)
		if err != nil {
			return err
		}
		opt.Hub = leaf
	}
	l, err := streamlog.Open(ctx, opt)
	if err != nil {
		return err
	}
	e.log = l
	e.closes("log", l.Close)
	if err := e.noteFarms(); err != nil && o.work {
		return err
	}
	if err := l.Damage(); err != nil || !o.work {
		return err
	}
	return e.compareClocks(ctx)
}

func (e *engine) openArchive(context.Context, openOptions) (err error) {
	if e.project.config.Log.URL == "" {
		e.archive, err = archive.Open(e.archiveDir())
		return err
	}
	id, err := e.log.DaemonID()
	if err == nil {
		e.archive, err = archive.OpenShared(e.archiveDir(), id)
	}
	return err
}

// archiveDir is the folder of the originals.
func (e *engine) archiveDir() string { return cmp.Or(e.project.config.Archive, e.data(archiveFolder)) }

func (e *engine) openIndex(ctx context.Context, _ openOptions) error {
	p := newProgress(e.stderr, "build the index", e.now)
	ix, err := index.Open(ctx, index.Options{
		Path: e.data(indexFile), Log: e.log, Now: e.now, Beat: e.beat,
		Progress: func(done, last events.Position) { p.at(int64(done), int64(last)) },
	})
	p.end()
	if err != nil {
		return err
	}
	e.index = ix
	e.closes("index", ix.Close)
	return nil
}

func (e *engine) openIntake(context.Context, openOptions) error {
	var err error
	if e.rules, err = ruleSettings(e.project.config.Settings); err != nil {
		return err
	}
	if e.lists, err = listSettings(e.project.config.Settings, e.rules); err != nil {
		return err
	}
	e.intake = intake.New(intake.Deps{
		Log: timedLog{e.log, e.now, e.appended}, Index: e.index, Archive: e.archive, Decoders: decoders, Unpack: unpack, Rules: e.rules,
		Now: e.now, Logger: e.logger, Beat: e.beat, Committed: e.committed,
	})
	e.quarantine = quarantine.New(quarantine.Deps{
		Intake: e.intake, Log: e.log, Index: e.index, Archive: e.archive, Source: e.intakeSource, Now: e.now,
		Decided: e.decidedBefore,
	})
	return nil
}

func (e *engine) openHerd(ctx context.Context, _ openOptions) error {
	if err := os.MkdirAll(filepath.Dir(e.data(herdFile)), 0o700); err != nil {
		return fmt.Errorf("make folder of the read model: %w: %w", err, events.ErrUnavailable)
	}
	p := newProgress(e.stderr, "bring the read model up to the log", e.now)
	h, err := herd.Open(ctx, herd.Options{
		Path: e.data(herdFile), Log: e.log, Now: e.now, Logger: e.logger, Beat: e.beat,
		Progress: func(h herd.Progress) {
			if p.at(int64(h.At), int64(h.Last)); h.At == h.Last {
				p.end()
			}
		},
	})
	if err != nil {
		return err
	}
	e.herd = h
	e.closes("read model", h.Close)
	return nil
}

// intakeSource returns a source as the way in wants it, or nil if the config has
// none of this id or its mapping is broken.
func (e *engine) intakeSource(id string) *intake.Source {
	c, m := e.project.config.Source(id), e.project.in[id]
	if c == nil || m == nil {
		return nil
	}
	s := &intake.Source{ID: id, Farm: c.Farm, Mapping: m, MappingBytes: e.project.text[c.Mapping]}
	if f := e.project.config.Farm(c.Farm); f != nil {
		s.Zone = f.Zone
	}
	for _, f := range c.Farms {
		if s.Farms == nil {
			s.Farms = map[string]string{}
		}
		s.Farms[f] = e.project.config.Farm(f).Zone
	}
	return s
}

// unpack takes packed originals apart.
func unpack(r io.ReaderAt, size int64, name string) iter.Seq2[intake.Member, error] {
	return func(yield func(intake.Member, error) bool) {
		for m, err := range packed.Members(r, size, name, packed.Limits{}) {
			if !yield(intake.Member{Name: m.Name, Reader: m.Reader, Ignored: m.Ignored}, err) {
				return
			}
		}
	}
}

// beat tells a crash test that a beat begins; without one it does nothing.
func (e *engine) beat(name string) {
	if e.beats != nil {
		e.beats(name)
	}
}

// A heldNow is a record that was just held.
type heldNow struct {
	Source, Name string
	*events.Held
}

// String tells it in one line.
func (h heldNow) String() string {
	s := "source " + h.Source + ": " + h.Name + " " + lines(h.Member, h.Line, h.LastLine) + ": held as " + h.ID + ": " + h.Reasons[0].String()
	if n := len(h.Reasons) - 1; n > 0 {
		s += " (and " + plural(n, "reason more", "reasons more") + ")"
	}
	return s
}

// committed passes on what an entry that was just appended holds.
func (e *engine) committed(entry *events.Entry) {
	if entry.Returned != nil {
		return // told when it was new
	}
	if e.metrics != nil {
		e.metrics.Entry(entry)
	}
	if e.refused == nil {
		return
	}
	for i := range entry.Held {
		h := entry.Held[i]
		h.ID = entry.HeldKey(h.ID)
		e.refused(heldNow{entry.SourceKey(), entry.Name, &h})
	}
}

// progress returns what shows how far the reading of an original has come.
func (e *engine) progress(d *adapters.Delivery) func(records int) {
	p := newProgress(e.stderr, d.Name+": records", e.now)
	return func(records int) { p.at(int64(records), 0) }
}

// isNewest reports whether an event is the newest revision of its entity and no
// retraction.
func (e *engine) isNewest(_ context.Context, ev *events.Event) (bool, error) {
	if ev.Change == events.Retracted {
		return false, nil
	}
	if ev.Kind == events.KindDecision {
		return true, nil // it is never revised, and not in the index
	}
	if e.index == nil {
		return false, e.damage
	}
	rec, slot, err := ev.Entity.Split()
	if err != nil {
		return false, err
	}
	_, r, err := e.index.Find(rec)
	if err != nil {
		return false, err
	}
	s := r.Slot(slot)
	return s != nil && s.Place == ev.Place, nil
}

// ruleSettings reads the thresholds of the config; those it does not name have
// their defaults.
func ruleSettings(set map[string]string) (*rules.Settings, error) {
	s := rules.Defaults()
	var errs []error
	for _, name := range slices.Sorted(maps.Keys(set)) {
		if !worklist.Has(name) {
			errs = append(errs, s.Set(name, set[name]))
		}
	}
	return s, errors.Join(errs...)
}

// listSettings reads the windows and limits of worklists.
func listSettings(set map[string]string, r *rules.Settings) (*worklist.Settings, error) {
	s := worklist.Defaults()
	if r.SoleCriticalMM.IsSet() {
		s.SoleCriticalMM = r.SoleCriticalMM
	}
	var errs []error
	for _, name := range slices.Sorted(maps.Keys(set)) {
		if worklist.Has(name) {
			errs = append(errs, s.Set(name, set[name]))
		}
	}
	return s, errors.Join(errs...)
}

// operations is the table of everything that can be asked of an open data
// folder, by a command in this process or over the socket.
func (e *engine) operations() api.Operations {
	all := api.Operations{
		"events":       api.Typed(e.listEvents),
		"leases":       api.Typed(e.tellLeases),
		"held.list":    api.Typed(e.listHeld),
		"held.waits":   api.Typed(e.waits),
		"unseen":       api.Typed(e.unseen),
		"held.fix":     api.Typed(e.fixHeld),
		"held.release": api.Typed(e.releaseHeld),
		"held.drop":    api.Typed(e.dropHeld),
		"correct":      api.Typed(e.correct),
		"measure":      api.Typed(e.measure),
		"verify":       api.Typed(e.verify),
		"backup":       api.Typed(e.backup),
		"export":       api.Typed(e.exportEvents),
		"export.whole": api.Typed(e.exportWhole),
		"trace":        api.Typed(e.trace),
		"worklist":     api.Typed(e.worklist),
		"visit":        api.Typed(e.visitReport),
		"feed.list":    api.Typed(e.listFeeds),
		"feed.show":    api.Typed(e.onFeed(e.showFeed)),
		"feed.rewind":  api.Typed(e.onFeed(e.rewindFeed)),
		"feed.pause":   api.Typed(e.onFeed(e.pauseFeed)),
		"feed.resume":  api.Typed(e.onFeed(e.resumeFeed)),
		"feed.replay":  api.Typed(e.onFeed(e.replayFeed)),
		"feed.test":    api.Typed(e.testFeed),
	}
	if e.damage == nil {
		return all
	}
	for name, op := range all {
		all[name] = e.overDamage(name, op)
	}
	return all
}

// readsDamaged are the operations that work on what is whole of a damaged log.
var readsDamaged = []string{"events", "trace", "verify", "backup", "export"}

// overDamage makes an operation end with the damage of the log: after it has
// read what is whole, if it can, else at once.
func (e *engine) overDamage(name string, op api.Operation) api.Operation {
	return func(ctx context.Context, in json.RawMessage, emit func(any) error) error {
		if !slices.Contains(readsDamaged, name) {
			return e.damage
		}
		if err := op(ctx, in, emit); err != nil && !errors.Is(err, events.ErrCorrupt) {
			return errors.Join(err, e.damage)
		}
		return e.damage
	}
}
