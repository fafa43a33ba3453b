package codes

import (
	"embed"
	"fmt"
	"sync"

	"github.com/goccy/go-yaml"

	"dewclaw/events"
)

//go:embed lists/*.yaml
var files embed.FS

// An Entry is one code of a list.
type Entry struct {
	Code    string `yaml:"code"`
	Name    string `yaml:"name"`
	Meaning string `yaml:"meaning"`
	Parent  string `yaml:"parent"` // "" if it is no kind of another entry
	Source  string `yaml:"source"`
	Seen    string `yaml:"seen"` // yes if the source was read, memory if not
}

func (e *Entry) entry() *Entry { return e }

// row is an entry with whatever its list adds.
type row[R any] interface {
	*R
	entry() *Entry
}

// A List is one code list.
type List struct {
	Name    string
	Version int
	About   string
	Changes []Change // one for each version, the newest first

	entries []*Entry
	codes   []string
	index   map[string]int
}

// A Change says what a version of a list brought.
type Change struct {
	Version int    `yaml:"version"`
	What    string `yaml:"what"`
}

// Entries returns the entries in the order of the file.
func (l *List) Entries() []*Entry { return l.entries }

// Codes returns the codes in the order of the file.
func (l *List) Codes() []string { return l.codes }

// Entry returns the entry of code, or nil.
func (l *List) Entry(code string) *Entry {
	if i, ok := l.index[code]; ok {
		return l.entries[i]
	}
	return nil
}

// Has reports whether code is in the list.
func (l *List) Has(code string) bool { _, ok := l.index[code]; return ok }

// HasBytes is Has for a code that stands in bytes; it does not allocate.
func (l *List) HasBytes(code []byte) bool { _, ok := l.index[string(code)]; return ok }

// Is reports whether code is ancestor or one of its kinds.
func (l *List) Is(code, ancestor string) bool {
	for code != "" {
		if code == ancestor {
			return true
		}
		e := l.Entry(code)
		if e == nil {
			return false
		}
		code = e.Parent
	}
	return false
}

// Nearest returns up to n codes that look most like code: see [Nearest].
func (l *List) Nearest(code string, n int) []string { return Nearest(code, l.codes, n) }

// Problem says that got is not in the list and names the nearest codes.
func (l *List) Problem(got string) *Problem {
	return &Problem{Wanted: oneOf(l.Name, got, l.codes), Got: quote(got)}
}

// A Table is a list whose entries say more than a code.
type Table[R any] struct {
	List
	rows []R
}

// Get returns the entry of code, or nil. It does not allocate.
func (t *Table[R]) Get(code string) *R {
	if i, ok := t.index[code]; ok {
		return &t.rows[i]
	}
	return nil
}

// All returns the entries in the order of the file.
func (t *Table[R]) All() []R { return t.rows }

// read reads the file of a list. The files are built in, so a mistake in one is
// a broken program.
func read[R any, P row[R]](name string) *Table[R] {
	b, err := files.ReadFile("lists/" + name + ".yaml")
	if err != nil {
		panic(fmt.Sprintf("code list %s: %v", name, err))
	}
	t, err := parse[R, P](b)
	if err == nil && t.Name != name {
		err = fmt.Errorf("names itself %q", t.Name)
	}
	if err != nil {
		panic(fmt.Sprintf("code list %s: %v", name, err))
	}
	return t
}

func parse[R any, P row[R]](b []byte) (*Table[R], error) {
	var f struct {
		List    string   `yaml:"list"`
		Version int      `yaml:"version"`
		About   string   `yaml:"about"`
		Changes []Change `yaml:"changes"`
		Source  string   `yaml:"source"`
		Seen    string   `yaml:"seen"`
		Entries []R      `yaml:"entries"`
	}
	if err := yaml.UnmarshalWithOptions(b, &f, yaml.Strict()); err != nil {
		return nil, err
	}
	t := &Table[R]{
		List: List{Name: f.List, Version: f.Version, About: f.About, Changes: f.Changes, index: make(map[string]int, len(f.Entries))},
		rows: f.Entries,
	}
	for i := range t.rows {
		e := P(&t.rows[i]).entry()
		if e.Source == "" {
			e.Source = f.Source
		}
		if e.Seen == "" {
			e.Seen = f.Seen
		}
		if _, twice := t.index[e.Code]; twice || e.Code == "" {
			return nil, fmt.Errorf("entry %d: code %q is empty or stands twice", i+1, e.Code)
		}
		t.index[e.Code] = i
		t.entries = append(t.entries, e)
		t.codes = append(t.codes, e.Code)
	}
	for _, e := range t.entries {
		if e.Parent != "" && !t.Has(e.Parent) {
			return nil, fmt.Errorf("entry %s: parent %q is not in the list", e.Code, e.Parent)
		}
	}
	return t, nil
}

// later reads a list when it is first asked for.
func later[R any, P row[R]](name string) func() *Table[R] {
	return sync.OnceValue(func() *Table[R] { return read[R, P](name) })
}

// converted is later for a list whose file says its numbers as texts: the YAML
// library would take six times as long over a number type of our own.
func converted[F, R any, P row[F]](name string, convert func(*F) R) func() *Table[R] {
	return sync.OnceValue(func() *Table[R] {
		f := read[F, P](name)
		t := &Table[R]{List: f.List}
		for i := range f.rows {
			t.rows = append(t.rows, convert(&f.rows[i]))
		}
		return t
	})
}

// number reads a number of a built-in list; "" is nothing.
func number(s string) events.Decimal {
	if s == "" {
		return events.Decimal{}
	}
	d, err := events.ParseDecimal(s)
	if err != nil {
		panic("code lists: " + err.Error())
	}
	return d
}
