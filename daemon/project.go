package main

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"

	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// A project is a config with the mappings it names, read and checked; nothing
// is open.
type project struct {
	config *config.Config
	raw    []byte                      // its file
	in     map[string]*mapping.Inward  // by source id
	out    map[string]*mapping.Outward // by feed id; none for feeds of whole CloudEvents
	text   map[string][]byte           // mapping files by path
}

// load reads the config only: enough to ask a running daemon.
func (a *app) load() (*project, error) {
	c, err := config.Load(a.config, a.getenv)
	if err != nil {
		if errors.Is(err, events.ErrNotFound) {
			return nil, &events.Fault{
				Kind: events.ErrNotFound, Where: a.config, What: "config: there is no such file",
				Hints: []string{"name it: " + a.self + " --config FILE …", "or see a whole project at work: " + a.self + " demo"},
			}
		}
		return nil, err
	}
	raw, err := os.ReadFile(a.config)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w: %w", a.config, err, events.ErrUnavailable)
	}
	p := &project{config: c, raw: raw}
	if err := p.checkTopics(); err != nil {
		return nil, err
	}
	return p, nil
}

// mappings reads every mapping the config names, and compares what a source says
// of its farm with what its mapping does. Instead of what stands in a file it takes
// what instead has under the path. The error joins all mistakes.
func (p *project) mappings(instead map[string][]byte) error {
	read := func(path, who string) ([]byte, error) {
		if b, ok := instead[path]; ok {
			return b, nil
		}
		return readMapping(path, who)
	}
	p.in, p.out, p.text = map[string]*mapping.Inward{}, map[string]*mapping.Outward{}, map[string][]byte{}
	inward, outward := map[string]*mapping.Inward{}, map[string]*mapping.Outward{}
	var errs []error
	for _, s := range p.config.Sources {
		m, seen := inward[s.Mapping]
		if !seen {
			src, err := read(s.Mapping, "source "+s.ID)
			if err == nil {
				p.text[s.Mapping] = src
				m, err = mapping.ParseInward(s.Mapping, src)
			}
			inward[s.Mapping] = m
			errs = append(errs, err)
		}
		p.in[s.ID] = m
		if m != nil {
			errs = append(errs, agreeOnFarm(&s, m))
		}
	}
	for _, f := range p.config.Feeds {
		if f.Mapping == "" {
			continue
		}
		m, seen := outward[f.Mapping]
		if !seen {
			src, err := read(f.Mapping, "feed "+f.ID)
			if err == nil {
				p.text[f.Mapping] = src
				m, err = mapping.ParseOutward(f.Mapping, src)
			}
			outward[f.Mapping] = m
			errs = append(errs, err)
		}
		p.out[f.ID] = m
	}
	return errors.Join(errs...)
}

// agreeOnFarm holds a source to its mapping: one of them says whose rows they are.
func agreeOnFarm(s *config.Source, m *mapping.Inward) error {
	if m.FarmByRow() == (s.Farm == "") {
		return nil
	}
	f := &events.Fault{Kind: events.ErrInvalid, Who: "source " + s.ID, Where: s.Mapping}
	if m.FarmByRow() {
		f.What, f.Wanted, f.Got = "farm", "farms: [ … ] in the config, for the mapping says that rows name their farm", "farm: "+s.Farm
	} else {
		f.What, f.Wanted, f.Got = "farm", "farm: in the mapping, for the config lists several farms", "none"
	}
	return f
}

func readMapping(path, who string) ([]byte, error) {
	if name, ok := strings.CutPrefix(path, config.Builtin); ok {
		x, err := findBuiltin(name, who)
		if err != nil {
			return nil, err
		}
		return fs.ReadFile(x.files, x.name+".yaml")
	}
	b, err := os.ReadFile(path)
	switch {
	case err == nil:
		return b, nil
	case errors.Is(err, fs.ErrNotExist):
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: who, Where: path, What: "mapping: there is no such file",
			Hints: []string{"write it, or name another in the config"},
		}
	}
	return nil, fmt.Errorf("read mapping of %s: %w: %w", who, err, events.ErrInvalid)
}

// findBuiltin returns the mapping that is built in under the name.
func findBuiltin(name, who string) (builtin, error) {
	x, ok := builtins[name]
	if !ok {
		return x, &events.Fault{
			Kind: events.ErrInvalid, Who: who, What: "mapping", Wanted: "the name of one that is built in: " + strings.Join(slices.Sorted(maps.Keys(builtins)), ", "),
			Got: strconv.Quote(name),
		}
	}
	return x, nil
}
