package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
)

// checkCommand checks the config and every mapping it names, runs the examples
// beside the mappings, and tells all mistakes at once. It starts nothing.
type checkCommand struct{}

func (c *checkCommand) Run(a *app) error {
	p, err := a.load()
	if err != nil {
		return err
	}
	k := &checking{app: a, project: p}
	k.add(p.mappings(nil))
	k.feeds()
	k.settings()
	k.examples()
	k.folders()
	k.keys()
	k.grants()
	err = errors.Join(k.mistakes...)
	if err == nil {
		a.printf("%s: %s, %s, %s, %s: no mistake found\n", safe(a.config), plural(len(p.config.Farms), "farm", "farms"),
			plural(len(p.config.Sources), "source", "sources"), plural(len(p.config.Feeds), "feed", "feeds"),
			plural(len(p.config.Grants), "grant", "grants"))
	}
	return err
}

// A checking gathers mistakes.
type checking struct {
	app      *app
	project  *project
	mistakes []error
}

func (k *checking) add(err error) {
	if err != nil {
		k.mistakes = append(k.mistakes, err)
	}
}

// feeds compiles the feeds; nothing is opened for it. Mistakes of mappings were
// told before.
func (k *checking) feeds() {
	if len(k.mistakes) > 0 {
		return
	}
	_, err := delivery.New(delivery.Options{Config: k.project.config, Encoders: encoders, Writers: writers, Getenv: k.app.getenv})
	k.add(err)
}

// settings checks what lists and figures go by.
func (k *checking) settings() {
	_, err := ruleSettings(k.project.config.Settings)
	k.add(err)
}

// folders tells which folders are not there yet. That is no mistake: a share may
// be away, and a daemon waits for it.
func (k *checking) folders() {
	tell := func(who, dir string) {
		if st, err := os.Stat(dir); dir != "" && (err != nil || !st.IsDir()) {
			k.tell(dir, "not there yet; "+who+" waits for it")
		}
	}
	for _, s := range k.project.config.Sources {
		tell("source "+s.ID, s.Folder)
	}
	for _, f := range k.project.config.Feeds {
		tell("feed "+f.ID, f.Folder)
	}
	k.sharedFolders()
}

// sharedFolders tells where what is for one recipient lies beside what is for another.
// It is no mistake: a program may fetch for both from there.
func (k *checking) sharedFolders() {
	type writer struct{ who, recipient string }
	in := map[string][]writer{}
	var order []string
	add := func(dir string, w writer) {
		if dir == "" {
			return
		}
		if in[dir] == nil {
			order = append(order, dir)
		}
		in[dir] = append(in[dir], w)
	}
	c := k.project.config
	for i := range c.Feeds {
		add(c.Feeds[i].Folder, writer{"feed " + c.Feeds[i].ID, c.Feeds[i].Recipient})
	}
	for i := range c.Lists {
		add(c.Lists[i].Folder, writer{c.Lists[i].Part(), c.Lists[i].Recipient})
	}
	for _, dir := range order {
		first := in[dir][0]
		for _, w := range in[dir][1:] {
			if w.recipient != first.recipient {
				k.tell(dir, first.who+" for recipient "+first.recipient+" and "+w.who+" for recipient "+w.recipient+
					" both write here: whoever opens the folder has both; give each recipient a folder of its own")
				break
			}
		}
	}
}

// examples runs the examples beside each mapping and tells what they leave open.
func (k *checking) examples() {
	done := map[string]bool{}
	for _, s := range k.project.config.Sources {
		if k.project.in[s.ID] == nil || done[s.Mapping] {
			continue
		}
		done[s.Mapping] = true
		for _, what := range k.project.in[s.ID].Always() {
			k.tell(s.Mapping, what)
		}
		k.example(s.Mapping)
	}
}

func (k *checking) example(path string) {
	if name, ok := strings.CutPrefix(path, config.Builtin); ok {
		if b, err := findBuiltin(name, "check"); err == nil {
			k.run(path, b.files, b.name)
		}
		return
	}
	dir, file := filepath.Split(path)
	name := strings.TrimSuffix(file, filepath.Ext(file))
	if file != name+".yaml" {
		k.tell(path, "no examples are looked for: the name of the mapping does not end in .yaml")
		return
	}
	k.run(path, os.DirFS(filepath.Clean(dir)), name)
}

// run runs the examples of the mapping at path, which stand in the folder under
// the name.
func (k *checking) run(path string, folder fs.FS, name string) {
	x, err := mapping.RunExamples(folder, name, decoders)
	if err != nil {
		k.add(err)
		return
	}
	for _, r := range x.Results {
		if r.Diff != "" {
			f := &events.Fault{
				Kind: events.ErrInvalid, Where: strings.TrimSuffix(path, ".yaml") + ".txtar", What: fmt.Sprintf("example %q", r.Case),
				Wanted: "what stands beside it", Got: "what is told above",
			}
			k.add(f)
			k.app.printf("%s: example %q (- wanted, + got):\n", safe(f.Where), r.Case)
			for l := range strings.Lines(r.Diff) {
				k.app.printf("  %s\n", safe(strings.TrimRight(l, "\n")))
			}
		}
	}
	switch {
	case len(x.Results) == 0:
		k.tell(path, "no examples beside it")
	case x.Passed():
		k.tell(path, plural(len(x.Results), "example is", "examples are")+" right")
	}
	if len(x.Unused) > 0 {
		k.tell(path, "columns never used: "+join(x.Unused))
	}
	if len(x.Unmet) > 0 && len(x.Results) > 0 {
		k.tell(path, "codes no example shows: "+join(x.Unmet))
	}
}

// tell says something of a mapping or folder that is no mistake.
func (k *checking) tell(path, what string) {
	if dir, err := filepath.Abs(k.app.dir()); err == nil {
		if rel, err := filepath.Rel(dir, path); err == nil && filepath.IsLocal(rel) {
			path = rel
		}
	}
	for _, part := range fold(safe(path+": "+what), lineWidth) {
		k.app.printf("%s\n", part)
	}
}
