package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// This file is the hub's end of what flows back to a barn: files of a feed or of a
// daily list, and mappings, as the config of the hub says. The barn asks what is new,
// fetches it in parts, and says what became of it. Feeds and lists are made under
// their grants; what lies ready is given out only while these are in force.

// What a barn asks its hub.
const (
	askFile = "file"      // what is next
	askPart = "file-part" // bytes of it
	askTook = "file-took" // no question: what the barn did with it
)

// filePart is how many bytes go together.
const filePart = 512 << 10

// A fileQuery asks for what a give has behind a file, or instead of a mapping.
type fileQuery struct {
	Give   string `json:"give"`
	After  string `json:"after,omitempty"`  // name of the file that was taken last
	SHA256 string `json:"sha256,omitempty"` // of the mapping that was taken last
}

// A fileOffer is the answer; the zero value says that nothing is new.
type fileOffer struct {
	Name   string `json:"name,omitempty"`
	Size   int64  `json:"size,omitempty"`
	SHA256 string `json:"sha256,omitempty"`
}

// A partQuery asks for the bytes of an offer from an offset on.
type partQuery struct {
	Give   string `json:"give"`
	Name   string `json:"name"`
	Offset int64  `json:"offset"`
}

// A tookNote says what the barn did with an offer.
type tookNote struct {
	Give   string `json:"give"`
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
	Fault  string `json:"fault,omitempty"` // why it was not taken; the one before stays
}

// answers are what a barn may ask of the hub, by name.
func (t *takeover) answers() map[string]func(context.Context, []byte) ([]byte, error) {
	return map[string]func(context.Context, []byte) ([]byte, error){
		askBack: t.giveBack, askFile: t.nextFile, askPart: t.partOfFile, askTook: t.noteTaken,
	}
}

// give finds what a barn asks for among what the config gives it.
func (t *takeover) give(id string) (*config.Give, error) {
	for i := range t.gives {
		if g := &t.gives[i]; g.ID == id {
			return g, t.mayGive(g)
		}
	}
	return nil, fmt.Errorf("the hub gives barn %s nothing by the name %s: %w", t.barn.ID, id, events.ErrNotFound)
}

// mayGive looks at the grants of today.
func (t *takeover) mayGive(g *config.Give) error {
	c := t.e.project.config
	lacks := func(farm, recipient string, kinds []events.Kind, day string) error {
		return &events.Fault{
			Kind: events.ErrUnavailable, What: "grant", Wanted: fmt.Sprintf("one of farm %s that lets recipient %s have %v on %s", farm, recipient, kinds, day), Got: "none in force",
		}
	}
	today := func(farm string) (string, error) {
		zone, err := time.LoadLocation(c.Farm(farm).Zone)
		return t.e.now().In(zone).Format(time.DateOnly), err
	}
	if l := c.List(g.List); l != nil {
		day, err := today(l.Farm)
		if lack := c.Lack(l, day); err == nil && len(lack) > 0 {
			err = lacks(l.Farm, l.Recipient, lack, day)
		}
		return err
	}
	f := c.Feed(g.Feed)
	if f == nil {
		return nil
	}
	for _, farm := range f.Farms {
		day, err := today(farm)
		if err != nil {
			return err
		}
		for _, k := range f.Kinds {
			if !slices.ContainsFunc(c.Grants, func(g config.Grant) bool { return g.Covers(farm, f.Recipient, k) && g.InForce(day) }) {
				return lacks(farm, f.Recipient, []events.Kind{k}, day)
			}
		}
	}
	return nil
}

// nextFile answers what is next.
func (t *takeover) nextFile(_ context.Context, b []byte) ([]byte, error) {
	var q fileQuery
	if err := json.Unmarshal(b, &q); err != nil {
		return nil, err
	}
	g, err := t.give(q.Give)
	if err != nil {
		return nil, err
	}
	var out fileOffer
	if g.Mapping != "" {
		text, err := readMapping(g.Mapping, "give "+g.ID)
		if err != nil {
			return nil, err
		}
		if sum := sha256Hex(text); sum != q.SHA256 {
			out = fileOffer{filepath.Base(g.Mapping), int64(len(text)), sum}
		}
		return json.Marshal(out)
	}
	names, err := t.ready(g)
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		if name <= q.After {
			continue
		}
		if g.List != "" {
			name = names[len(names)-1] // the newest says it all
		}
		m, err := manifestOf(filepath.Join(t.folderOf(g), name))
		if err != nil {
			return nil, err
		}
		out = fileOffer{name, m.Bytes, m.SHA256}
		break
	}
	return json.Marshal(out)
}

func (t *takeover) folderOf(g *config.Give) string {
	if l := t.e.project.config.List(g.List); l != nil {
		return l.Folder
	}
	return t.e.project.config.Feed(g.Feed).Folder
}

// ready lists the files of a feed or list that are whole, which their manifests say,
// by name: in the order they were made.
func (t *takeover) ready(g *config.Give) ([]string, error) {
	list, err := os.ReadDir(t.folderOf(g))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range list {
		name, is := strings.CutSuffix(e.Name(), folder.ManifestSuffix)
		if is && strings.HasPrefix(name, cmp.Or(g.List, g.Feed)+"-") {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out, nil
}

func manifestOf(path string) (*folder.Manifest, error) {
	b, err := os.ReadFile(path + folder.ManifestSuffix)
	if err != nil {
		return nil, err
	}
	return folder.ReadManifest(b)
}

// partOfFile answers with bytes.
func (t *takeover) partOfFile(_ context.Context, b []byte) ([]byte, error) {
	var q partQuery
	if err := json.Unmarshal(b, &q); err != nil {
		return nil, err
	}
	g, err := t.give(q.Give)
	if err != nil {
		return nil, err
	}
	if g.Mapping != "" {
		text, err := readMapping(g.Mapping, "give "+g.ID)
		if err != nil || q.Offset < 0 || q.Offset > int64(len(text)) {
			return nil, err
		}
		return text[q.Offset:min(int64(len(text)), q.Offset+filePart)], nil
	}
	names, err := t.ready(g)
	if err != nil {
		return nil, err
	}
	if !slices.Contains(names, q.Name) { // nor one that leads elsewhere
		return nil, fmt.Errorf("give %s has no file %q: %w", g.ID, q.Name, events.ErrNotFound)
	}
	f, err := os.Open(filepath.Join(t.folderOf(g), q.Name))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	out := make([]byte, filePart)
	n, err := f.ReadAt(out, q.Offset)
	if err == io.EOF {
		err = nil
	}
	return out[:n], err
}

// noteTaken tells what a barn did.
func (t *takeover) noteTaken(_ context.Context, b []byte) ([]byte, error) {
	var n tookNote
	if err := json.Unmarshal(b, &n); err != nil {
		return nil, err
	}
	if n.Fault != "" {
		t.e.logger.Warn("a barn does not take what it is given; the one before stays in force there", "barn", t.barn.ID, "give", n.Give, "name", n.Name, "sha256", n.SHA256, "why", n.Fault)
	} else {
		t.e.logger.Info("taken by a barn", "barn", t.barn.ID, "give", n.Give, "name", n.Name, "sha256", n.SHA256)
	}
	return []byte("{}"), nil
}
