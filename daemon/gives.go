package main

import (
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

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
)

// This file is the hub's end of what flows back to a barn: files of a feed or of a
// daily list, and mappings, as the config of the hub says. The barn asks what is new,
// fetches it in parts, and says what became of it. Feeds and lists are made under
// their grants; what lies ready is given out only while these are in force, and each
// file only if it tells of nothing that today's config and grants would not let leave.

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
	if l := c.List(g.List); l != nil {
		day, err := t.today(l.Farm)
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
		day, err := t.today(farm)
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

// today is the day in the zone of a farm.
func (t *takeover) today(farm string) (string, error) {
	zone, err := time.LoadLocation(t.e.project.config.Farm(farm).Zone)
	if err != nil {
		return "", err
	}
	return t.e.now().In(zone).Format(time.DateOnly), nil
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
	files, err := t.ready(g)
	if err != nil {
		return nil, err
	}
	after, _ := t.givenFile(g, q.After)
	files = slices.DeleteFunc(files, func(f givenFile) bool { return f.place.Compare(after.place) <= 0 })
	if g.List != "" {
		slices.Reverse(files) // the newest says it all
	}
	for _, f := range files {
		m, err := t.mayHave(g, f.name)
		if errors.Is(err, events.ErrInvalid) {
			t.refuse(g, f.name, err)
			continue
		}
		if err != nil {
			return nil, err
		}
		out = fileOffer{f.name, m.Bytes, m.SHA256}
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

// A givenFile is a file of a feed or list, and its place among them.
type givenFile struct {
	name  string
	place delivery.FileName // of a list only Rest is set, to what sorts by day
}

// givenFile tells by the whole name whether a file is one of the feed or list: in the
// same folder may be those of another whose id only begins like it.
func (t *takeover) givenFile(g *config.Give, name string) (givenFile, bool) {
	if l := t.e.project.config.List(g.List); l != nil {
		if !isListFile(l, name) {
			return givenFile{}, false
		}
		return givenFile{name, delivery.FileName{Rest: name}}, true
	}
	place, ok := delivery.ParseFileName(g.Feed, name)
	return givenFile{name, place}, ok
}

// ready lists the files of a feed or list that are whole, which their manifests say,
// in the order they were made.
func (t *takeover) ready(g *config.Give) ([]givenFile, error) {
	list, err := os.ReadDir(t.folderOf(g))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out []givenFile
	for _, e := range list {
		name, is := strings.CutSuffix(e.Name(), folder.ManifestSuffix)
		if f, own := t.givenFile(g, name); is && own {
			out = append(out, f)
		}
	}
	slices.SortFunc(out, func(a, b givenFile) int { return a.place.Compare(b.place) })
	return out, nil
}

// mayHave holds a file to what the barn may have today: it may be older than the
// config, and than the grants. The error is of kind invalid if it may not.
func (t *takeover) mayHave(g *config.Give, name string) (*folder.Manifest, error) {
	c := t.e.project.config
	var id, who, recipient, again string
	var farms []string
	narrow := false
	if l := c.List(g.List); l != nil {
		id, who, recipient, farms = l.ID, l.Part(), l.Recipient, []string{l.Farm}
		again = "the next one that is made will be given"
	} else {
		f := c.Feed(g.Feed)
		id, who, recipient, farms, narrow = f.ID, "feed "+f.ID, f.Recipient, f.Farms, f.Fields == config.Pseudonyms
		again = "dewclaw feed rewind " + f.ID + " --to 1 makes all its files anew, as they may be today"
	}
	path := filepath.Join(t.folderOf(g), name)
	b, err := os.ReadFile(path + folder.ManifestSuffix)
	if err != nil {
		return nil, err
	}
	not := func(wanted, got string) (*folder.Manifest, error) {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: who, Where: path, What: "file for barn " + t.barn.ID, Wanted: wanted, Got: got, Hints: []string{again}}
	}
	m, err := folder.ReadManifest(b)
	switch {
	case err != nil:
		return nil, err
	case m.File != name || m.Feed != id || m.Recipient != recipient:
		return not("a manifest that names it, "+id+" and recipient "+recipient, fmt.Sprintf("%q, %q and recipient %q", m.File, m.Feed, m.Recipient))
	case len(m.Extents) == 0:
		return not("a manifest that says of which farms it tells", "one of an older version, which does not")
	case slices.Contains(m.Barns, t.barn.ID):
		return not("nothing that came from the barn itself", "some")
	}
	for i := range m.Extents {
		x := &m.Extents[i]
		if !slices.Contains(farms, x.Farm) {
			return not("what is of farms "+strings.Join(farms, ", ")+" only, as the config has it today", "some of farm "+x.Farm)
		}
		if narrow && x.Fields != string(config.Pseudonyms) {
			return not("pseudonyms, as the config has it today", x.Fields)
		}
		day, err := t.today(x.Farm)
		if err != nil {
			return nil, err
		}
		for _, k := range x.Kinds {
			if !slices.ContainsFunc(c.Grants, func(gr config.Grant) bool {
				return gr.Covers(x.Farm, recipient, k) && gr.InForce(day) && lets(&gr, x)
			}) {
				return not(fmt.Sprintf("a grant of farm %s that lets recipient %s have its %s (%s) on %s", x.Farm, recipient, k, x.Fields, day), "none in force")
			}
		}
	}
	return m, nil
}

// lets reports whether fields and days of an extent lie in those of a grant.
func lets(g *config.Grant, x *adapters.Extent) bool {
	fields := g.Fields == config.Identities || g.Fields == config.Pseudonyms && x.Fields == string(config.Pseudonyms)
	from := g.Period.From == "" || x.From != "" && x.From >= g.Period.From
	to := g.Period.To == "" || x.To != "" && x.To <= g.Period.To
	return fields && from && to
}

// refuse tells once that a file is not given.
func (t *takeover) refuse(g *config.Give, name string, why error) {
	key := g.ID + "/" + name + ": " + why.Error()
	if _, told := t.refused.LoadOrStore(key, true); !told {
		t.e.logger.Warn("a file is not given to a barn", "barn", t.barn.ID, "give", g.ID, "name", name, "why", why.Error(), "hints", events.Hints(why))
	}
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
	_, its := t.givenFile(g, q.Name) // nor one that leads elsewhere
	if its {
		_, err = t.mayHave(g, q.Name)
	}
	if !its || errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("give %s has no file %q: %w", g.ID, q.Name, events.ErrNotFound)
	}
	if err != nil {
		return nil, err
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
