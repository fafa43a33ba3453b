package mapping

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
)

// An Inward is a compiled mapping of direction in. It is not changed after
// [ParseInward] and may be used by several goroutines.
type Inward struct {
	name, about string
	hash        [sha256.Size]byte
	language    int
	csv         bool
	layout      adapters.Layout
	zone        string // "" for the farm's
	overlap     string
	silent      time.Duration
	columns     []*column
	paths       []string  // of json
	each        *jsonPath // of layout; nil without
	tables      []*table

	farm     *field // nil if the source has one farm
	record   recordKey
	animal   []identifier
	occurred *occurred // nil if nothing is dated
	visit    *value
	row      []field
	foot     int // index of the foot in row, or -1
	claw     int
	remarks  int
	ignore   []ignoreRule
	gone     []cond // rows that say that their record is there no more
	total    *total
	complete *completeness
	tests    []*test
	sides    string   // a claw scheme or ""
	claws    []string // its words

	values    []*value // every value, in the order they were compiled
	docValues []*value // values read from the document
	titles    []int    // title lines that rows are read with
	allTitles bool     // an expression may read any

	expressions []*expression

	templates []*template
	documents []*template
	examines  bool // some template is an examination
	animals   bool // some template needs an animal
	undated   bool // all are statements of a roster: a row without a date is an undated one
	groups    bool // some template needs none
}

// A recordKey says how a record is known again.
type recordKey struct {
	own         *value   // the source's own key
	examination *value   // key of the examination
	schemes     []string // or the first of these identifiers, with date and time
	group       []*value // rows alike in these are one record; nil if every row is one
}

type identifier struct {
	scheme string
	value  *value
}

type occurred struct {
	date, time, at *value
	pass           *field
}

type ignoreRule struct {
	conds []cond
	line  *regexp.Regexp
	why   string
}

// A total is the trailing total line.
type total struct {
	conds []cond
	count *value
	of    string // animals, rows or records
}

type completeness struct {
	scope, asOf *value
	brake       int
}

// A Complete says that the source is complete for the days it lists.
type Complete struct {
	Brake int // most events that may vanish at once without a person
}

// Brake of a complete source that declares none.
const defaultBrake = 20

// Name returns the name of the mapping.
func (in *Inward) Name() string { return in.name }

// About returns what the mapping says it is for.
func (in *Inward) About() string { return in.about }

// Digest returns the SHA-256 of the mapping file in hex.
func (in *Inward) Digest() string { return hex.EncodeToString(in.hash[:]) }

// Layout returns how an original is split into rows.
func (in *Inward) Layout() adapters.Layout { return in.layout }

// Grouped reports whether rows are grouped into records: then one [Mapper] must
// see all rows of an original, in order.
func (in *Inward) Grouped() bool { return in.record.group != nil }

// FarmByRow reports whether the rows name the farm.
func (in *Inward) FarmByRow() bool { return in.farm != nil }

// Local reports whether times of day are read in the zone of the farm, since the
// mapping names none.
func (in *Inward) Local() bool {
	return in.zone == "" && in.occurred != nil && (in.occurred.time != nil || in.occurred.at != nil)
}

// Always tells of elements of "events" that are made for every row, because their
// leading field is a constant and nothing says when: often an "if" was forgotten.
// It is none if the whole mapping is of that one kind of fact.
func (in *Inward) Always() []string {
	var out []string
	for _, t := range in.templates {
		lead := t.lead != nil && t.lead.fixed != nil && !t.lead.fixed.isZero()
		if !lead || t.conds != nil || t.each != nil || t.columns != nil || len(in.templates) == 1 {
			continue
		}
		s := fmt.Sprintf("events[%d]: a %s is made for every row, for %s is a constant and no \"if\" says when", t.number+1, t.kind, t.lead.key)
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// Schemes returns the schemes of identifiers the mapping reads, in its order.
func (in *Inward) Schemes() []string {
	var s []string
	for _, id := range in.animal {
		s = append(s, id.scheme)
	}
	return s
}

// Silent returns after how long without anything new the source should say so,
// or 0.
func (in *Inward) Silent() time.Duration { return in.silent }

// Complete returns what a complete source declares, or nil.
func (in *Inward) Complete() *Complete {
	if in.complete == nil {
		return nil
	}
	return &Complete{Brake: in.complete.brake}
}

var inwardKeys = []string{
	"mapping", "direction", "about", "dates", "times", "decimal", "zone", "gap", "overlap", "months", "silent", "read", "farm",
	"record", "animal", "occurred", "visit", "sides", "row", "tables", "ignore", "gone", "documents", "events", "complete",
}

// ParseInward compiles a mapping of direction in; name is the name of its file,
// for messages. The error joins one *events.Fault of kind invalid for every
// mistake, each with file, line and column.
func ParseInward(name string, src []byte) (*Inward, error) {
	c := &compiler{faults: faults{file: name}, mark: '.', tables: map[string]*table{}}
	root, err := c.open(src)
	if err != nil {
		return nil, err
	}
	in := &Inward{hash: sha256.Sum256(src), language: Language, foot: -1, claw: -1, remarks: -1}
	c.inward(root, in)
	if err := c.err(); err != nil {
		return nil, err
	}
	return in, nil
}

// open reads the YAML of a mapping.
func (c *compiler) open(src []byte) (*node, error) {
	root, err := parseYAML(src)
	var e *syntaxError
	if errors.As(err, &e) {
		c.add(&node{line: e.line, col: e.col}, "", e.wanted, e.got)
		return nil, c.err()
	}
	if root.kind != mapNode {
		c.add(root, "", "a map of keys", root.describe())
		return nil, c.err()
	}
	return root, nil
}

// inward compiles the keys of the file in the order they need each other.
func (c *compiler) inward(root *node, in *Inward) {
	c.keys(root, "", inwardKeys...)
	c.head(root, "in", &in.name, &in.about)
	c.defaults(root)
	c.read(root, in)
	in.csv = c.csv
	if e := in.layout.Each; e != "" {
		in.each, _ = parsePath(e) // a mistake was told
	}
	c.namedTables(root, in)
	c.clock(root, in)
	row := &scope{}
	if n := root.get("farm"); n != nil {
		in.farm = plainField(c.value(n, "farm", &target{field: "farm", typ: events.TextField}, row))
	}
	if n := root.get("visit"); n != nil {
		in.visit = c.value(n, "visit", &target{field: "visit", typ: events.TextField}, row)
	}
	if n := root.get("sides"); n != nil {
		if in.sides = c.word(n, "sides", sideSchemes...); in.sides != "" {
			in.claws = sideWords(in.sides)
		}
	}
	if n := root.get("animal"); n != nil {
		in.animal = c.identifiers(n)
	}
	if n := root.get("occurred"); n != nil {
		in.occurred = c.occurred(n, "occurred", row)
	}
	c.record(root, in)
	c.rowAndEvents(root, in)
	c.ignored(root, in)
	if n := root.get("gone"); n != nil {
		in.gone = c.conds(n, "gone", nil, row)
	}
	c.completeness(root, in)
	c.settleTests()
	in.tests, in.columns, in.paths, in.values = c.tests, c.columns, c.paths, c.values
	c.aroundRows(in)
	c.agree(root, in)
}

var rowKinds = []events.Kind{
	events.KindExamination, events.KindLesion, events.KindTreatment, events.KindTakenOff, events.KindCheck, events.KindLocomotion,
	events.KindClawMeasure, events.KindClaw, events.KindOrder, events.KindGroup, events.KindAnimal,
}

func (c *compiler) rowAndEvents(root *node, in *Inward) {
	if n := root.get("row"); n != nil {
		in.row = c.rowFields(n)
	}
	for i, f := range in.row {
		switch f.key {
		case "foot":
			in.foot = i
		case "claw":
			in.claw = i
		case remarksField:
			in.remarks = i
		}
	}
	in.templates = c.elements(root, "events", rowKinds, false)
	if in.occurred != nil && in.occurred.pass == nil {
		in.occurred.pass = c.pass
	}
	in.documents = c.elements(root, "documents", []events.Kind{events.KindVisit}, true)
	if len(in.templates) == 0 && len(in.documents) == 0 && root.get("events") == nil {
		c.add(root, "events", "events made for each row", "nothing")
	}
	for _, t := range in.templates {
		t.take(in.row)
		t.tell(in.row)
		in.animals = in.animals || t.kind.Animals()
		in.groups = in.groups || !t.kind.Animals()
		in.examines = in.examines || t.kind == events.KindExamination
	}
}

func (c *compiler) elements(root *node, key string, kinds []events.Kind, doc bool) []*template {
	n := root.get(key)
	if n == nil {
		return nil
	}
	if n.kind != listNode {
		c.add(n, key, "a list of events", n.describe())
		return nil
	}
	var out []*template
	for i, x := range n.vals {
		what := fmt.Sprintf("%s[%d]", key, i+1)
		made := c.templates(x, what, i, kinds, doc)
		if o := x.get("occurred"); doc && o != nil {
			for _, t := range made {
				t.occurred = c.occurred(o, what+".occurred", &scope{doc: true})
			}
		}
		out = append(out, made...)
	}
	return out
}

// aroundRows notes what is read beside the rows.
func (c *compiler) aroundRows(in *Inward) {
	for _, v := range c.values {
		if k := in.complete; k != nil && v == k.asOf {
			continue
		}
		switch v.place.kind {
		case inDoc:
			in.docValues = append(in.docValues, v)
		case inTitle:
			in.titles = append(in.titles, v.place.at)
		}
	}
	in.allTitles, in.expressions = c.cel != nil, c.expressions
}

// agree checks what the parts of a mapping must have of each other.
func (c *compiler) agree(root *node, in *Inward) {
	dated := slices.ContainsFunc(in.templates, func(t *template) bool { return t.kind != events.KindAnimal })
	if dated && root.get("occurred") == nil {
		c.add(root, "occurred", "when it occurred: every kind but animal needs it", "nothing")
	}
	in.undated = !dated && len(in.documents) == 0
	for _, t := range in.documents {
		if t.occurred == nil && root.get("occurred") == nil {
			c.add(t.node, "documents", "occurred, here or for all rows", "nothing")
		}
	}
	if in.animals && root.get("animal") == nil {
		c.add(root, "animal", "how the animal is known: {transponder: …}", "nothing")
	}
	if len(in.documents) > 0 && root.get("visit") == nil {
		c.add(root, "visit", "the key of the visit, which documents are known by", "nothing")
	}
	if in.gone != nil && (in.record.own == nil || in.record.group != nil || in.complete != nil) {
		c.add(root.get("gone"), "gone", "it only beside a key of the source's own for each row (record: {key: …}), and not complete", "it without")
	}
	c.checkSides(in.sides)
}

// checkSides holds the words of claws that the mapping makes to its scheme.
func (c *compiler) checkSides(scheme string) {
	for _, v := range c.values {
		if !v.target.sides {
			continue
		}
		for _, w := range v.sides() {
			switch {
			case scheme == "":
				c.add(v.node, "sides", "from-behind or from-front, where claws are left and right; medial-lateral, where they are that", "nothing")
				return
			case !slices.Contains(sideWords(scheme), w):
				c.add(v.node, "claw", "one of "+listed(sideWords(scheme))+" (sides: "+scheme+")", quote(w))
			}
		}
	}
}
