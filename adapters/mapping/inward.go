package mapping

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"time"
	"unicode/utf8"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/schema/codes"
)

// An Inward is a compiled mapping of direction in. It is not changed after
// [ParseInward] and may be used by several goroutines.
type Inward struct {
	name, about string
	hash        [sha256.Size]byte
	csv         bool
	layout      adapters.Layout
	zone        string // "" for the farm's
	overlap     string
	silent      time.Duration
	columns     []*column
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
	total    *total
	complete *completeness
	tests    []*test
	sides    string // from-behind, from-front or ""

	values    []*value // every value, in the order they were compiled
	docValues []*value // values read from the document
	titles    []int    // title lines that rows are read with
	allTitles bool     // an expression may read any

	templates []*template
	documents []*template
	examines  bool // some template is an examination
	animals   bool // some template needs an animal
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
	"record", "animal", "occurred", "visit", "sides", "row", "tables", "ignore", "documents", "events", "complete",
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
	in := &Inward{hash: sha256.Sum256(src), foot: -1, claw: -1, remarks: -1}
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
		in.sides = c.word(n, "sides", "from-behind", "from-front")
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
	c.completeness(root, in)
	c.settleTests()
	in.tests, in.columns, in.values = c.tests, c.columns, c.values
	c.aroundRows(in)
	c.agree(root, in)
}

// head reads the name, the direction and what the mapping is about.
func (c *compiler) head(root *node, direction string, name, about *string) {
	if n := root.get("mapping"); n != nil {
		*name, _ = c.scalar(n, "mapping", "a name")
	} else {
		c.add(root, "mapping", "the name of the mapping", "nothing")
	}
	n := root.get("direction")
	switch {
	case n == nil:
		c.add(root, "direction", direction, "nothing")
	case n.text != direction:
		c.add(n, "direction", direction, n.describe())
	}
	if n := root.get("about"); n != nil {
		*about, _ = c.scalar(n, "about", "a text")
	}
}

// defaults reads what holds for all values.
func (c *compiler) defaults(root *node) {
	if n := root.get("months"); n != nil {
		c.months = c.strings(n, "months", "a name")
		if n.kind != listNode || len(c.months) != 12 || slices.Contains(c.months, "") {
			c.add(n, "months", "twelve names", fmt.Sprint(len(c.months)))
			c.months = nil
		}
	}
	if n := root.get("dates"); n != nil {
		if c.dates = c.layout(n, "dates"); c.dates != nil && !c.dates.date {
			c.add(n, "dates", "a layout of a date", quote(n.text))
		}
	}
	if n := root.get("times"); n != nil {
		c.times = c.layout(n, "times")
	}
	if n := root.get("decimal"); n != nil {
		c.mark = c.decimal(n, "decimal")
	}
}

// read reads how an original is split.
func (c *compiler) read(root *node, in *Inward) {
	l := &in.layout
	l.Format, l.Encoding, l.Delimiter, l.Header = "csv", "utf-8", ',', true
	c.csv = true
	n := root.get("read")
	if n == nil {
		c.add(root, "read", "how the original is split: {format: csv}", "nothing")
		return
	}
	known := []string{"format", "encoding", "delimiter", "header", "columns", "titles", "guard", "each", "total"}
	if !c.keys(n, "read", known...) {
		return
	}
	if x := n.get("format"); x != nil {
		l.Format = c.word(x, "read.format", "csv", "ndjson", "json")
	} else {
		c.add(n, "read.format", "csv, ndjson or json", "nothing")
	}
	c.csv = l.Format == "csv"
	if !c.csv {
		l.Delimiter, l.Header = 0, false
	}
	for i, k := range n.keys {
		csvOnly := slices.Contains([]string{"delimiter", "header", "columns", "titles", "guard", "total"}, k.text)
		if !c.csv && csvOnly || c.csv && k.text == "each" {
			c.add(k, "read."+k.text, "keys of "+l.Format, quote(k.text)+", which it does not have")
			continue
		}
		c.readKey(k.text, n.vals[i], l)
	}
	if len(l.Columns) > 0 && l.Header {
		c.add(n, "read.columns", "names, or a header that has them", "both; say header: false")
	}
}

func (c *compiler) readKey(key string, x *node, l *adapters.Layout) {
	what := "read." + key
	switch key {
	case "encoding":
		if !c.csv {
			l.Encoding = c.word(x, what, "utf-8")
			return
		}
		l.Encoding = c.word(x, what, "utf-8", "utf-16", "utf-16le", "utf-16be", "windows-1252", "iso-8859-1", "iso-8859-15")
	case "delimiter":
		text, ok := c.scalar(x, what, "one character")
		r, n := utf8.DecodeRuneInString(text)
		if ok && (n != len(text) || r == '"' || r < ' ' && r != '\t') {
			c.add(x, what, `one character, "\t" for a tab`, quote(text))
		}
		l.Delimiter = r
	case "header":
		l.Header = c.truth(x, what)
	case "guard":
		l.Guard = c.truth(x, what)
	case "columns":
		l.Columns = c.strings(x, what, "a name")
	case "titles":
		l.Titles = c.whole(x, what, 0, 1000)
	case "each":
		text, ok := c.scalar(x, what, "a JSONPath to the elements that are rows")
		if _, err := parsePath(text); ok && err != nil {
			c.add(x, what, "JSONPath (RFC 9535)", quote(text)+": "+err.Error())
		}
		l.Each = text
	}
}

func (c *compiler) namedTables(root *node, in *Inward) {
	n := root.get("tables")
	if n == nil {
		return
	}
	if n.kind != mapNode {
		c.add(n, "tables", "a map of tables", n.describe())
		return
	}
	for i, k := range n.keys {
		if c.tables[k.text] != nil {
			c.add(k, "tables."+k.text, "every table once", quote(k.text)+" twice")
			continue
		}
		if t := c.readTable(k.text, n.vals[i], "tables."+k.text); t != nil {
			c.tables[k.text] = t
			c.tableNames = append(c.tableNames, k.text)
			in.tables = append(in.tables, t)
		}
	}
}

// clock reads what is said of local times.
func (c *compiler) clock(root *node, in *Inward) {
	if n := root.get("zone"); n != nil {
		text, ok := c.scalar(n, "zone", "an IANA zone such as Europe/Berlin")
		if _, err := newZone(text); ok && err != nil {
			c.add(n, "zone", "an IANA zone such as Europe/Berlin", quote(text))
		}
		in.zone = text
	}
	in.overlap = "hold"
	if n := root.get("gap"); n != nil {
		c.word(n, "gap", "hold")
	}
	if n := root.get("overlap"); n != nil {
		in.overlap = c.word(n, "overlap", "hold", "earlier", "later")
	}
	if n := root.get("silent"); n != nil {
		text, ok := c.scalar(n, "silent", "a duration such as 36h")
		d, err := time.ParseDuration(text)
		if ok && (err != nil || d <= 0) {
			c.add(n, "silent", "a duration such as 36h", quote(text))
		}
		in.silent = d
	}
}

func (c *compiler) identifiers(n *node) []identifier {
	if n.kind != mapNode || len(n.keys) == 0 {
		c.add(n, "animal", "a map of schemes to values", n.describe())
		return nil
	}
	schemes := codes.Find("schemes")
	var ids []identifier
	for i, k := range n.keys {
		what := "animal." + k.text
		if !schemes.Has(k.text) {
			c.addNear(k, what, oneOf("a scheme", k.text, schemes.Codes()), k.text, schemes.Codes())
			continue
		}
		if slices.ContainsFunc(ids, func(d identifier) bool { return d.scheme == k.text }) {
			c.add(k, what, "every scheme once", quote(k.text)+" twice")
			continue
		}
		if v := c.value(n.vals[i], what, &target{field: what, typ: events.TextField}, &scope{}); v != nil {
			ids = append(ids, identifier{k.text, v})
		}
	}
	return ids
}

func (c *compiler) occurred(n *node, what string, s *scope) *occurred {
	if !c.keys(n, what, "date", "time", "at", "layout", "pass") {
		return nil
	}
	o := new(occurred)
	date, at := n.get("date"), n.get("at")
	switch {
	case date == nil && at == nil:
		c.add(n, what, "date or at", "neither")
		return nil
	case date != nil && at != nil:
		c.add(n, what, "date or at", "both")
		return nil
	}
	if date != nil {
		o.date = c.value(date, what+".date", &target{field: "occurred.date", typ: events.DayField}, s)
		if x := n.get("time"); x != nil {
			o.time = c.value(x, what+".time", &target{field: "occurred.time", typ: events.TextField, clock: true}, s)
		}
		if x := n.get("layout"); x != nil {
			c.add(x, what+".layout", "it only beside at; of date and time each has its own", "it beside date")
		}
	} else {
		if x := n.get("time"); x != nil {
			c.add(x, what+".time", "date and time, or at alone", "time beside at")
		}
		saved := c.dates
		if x := n.get("layout"); x != nil {
			c.dates = c.layout(x, what+".layout")
		}
		o.at = c.value(at, what+".at", &target{field: "occurred.date", typ: events.MomentField}, s)
		c.dates = saved
	}
	if x := n.get("pass"); x != nil {
		o.pass = plainField(c.value(x, what+".pass", &target{field: "pass", typ: events.IntegerField}, s))
	}
	return o
}

func (c *compiler) record(root *node, in *Inward) {
	n := root.get("record")
	if n == nil {
		c.add(root, "record", "how a record is known again: {key: …}, {examination: …} or {identifier: […]}", "nothing")
		return
	}
	if !c.keys(n, "record", "key", "examination", "identifier", "group") {
		return
	}
	r := &in.record
	given := 0
	text := &target{field: "record", typ: events.TextField}
	if x := n.get("key"); x != nil {
		given++
		r.own = c.value(x, "record.key", text, &scope{})
	}
	if x := n.get("examination"); x != nil {
		given++
		r.examination = c.value(x, "record.examination", text, &scope{})
	}
	if x := n.get("identifier"); x != nil {
		given++
		for _, s := range c.strings(x, "record.identifier", "a scheme") {
			if a := root.get("animal"); a != nil && a.get(s) == nil {
				c.add(x, "record.identifier", "a scheme that stands under \"animal\"", quote(s))
			}
			r.schemes = append(r.schemes, s)
		}
	}
	if given != 1 {
		c.add(n, "record", "one of key, examination and identifier", fmt.Sprintf("%d of them", given))
	}
	if x := n.get("group"); x != nil {
		list := []*node{x}
		if x.kind == listNode {
			list = x.vals
		}
		for _, y := range list {
			if v := c.value(y, "record.group", text, &scope{}); v != nil {
				r.group = append(r.group, v)
			}
		}
		if in.layout.Each != "" {
			c.add(x, "record.group", "rows of csv or lines of ndjson to group", "elements of a document")
		}
	}
}

var rowKinds = []events.Kind{
	events.KindExamination, events.KindLesion, events.KindTreatment, events.KindTakenOff, events.KindLocomotion, events.KindClawMeasure,
	events.KindAnimal,
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
	in.documents = c.elements(root, "documents", []events.Kind{events.KindVisit}, true)
	if len(in.templates) == 0 && len(in.documents) == 0 && root.get("events") == nil {
		c.add(root, "events", "events made for each row", "nothing")
	}
	for _, t := range in.templates {
		t.take(in.row)
		in.animals = true
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

// ignored reads the rules that ignore rows and the total line.
func (c *compiler) ignored(root *node, in *Inward) {
	if n := root.get("ignore"); n != nil {
		if n.kind != listNode {
			c.add(n, "ignore", "a list of rules {if: …, why: …}", n.describe())
			return
		}
		for i, x := range n.vals {
			in.ignore = append(in.ignore, c.ignoreRule(x, fmt.Sprintf("ignore[%d]", i+1)))
		}
	}
	read := root.get("read")
	if read == nil {
		return
	}
	n := read.get("total")
	if n == nil || !c.csv || !c.keys(n, "read.total", "if", "count", "of") {
		return
	}
	t := &total{of: "rows"}
	if x := n.get("if"); x != nil {
		t.conds = c.conds(x, "read.total.if", nil, &scope{})
	} else {
		c.add(n, "read.total.if", "how the total line is known", "nothing")
	}
	if x := n.get("count"); x != nil {
		t.count = c.value(x, "read.total.count", &target{field: "total", typ: events.IntegerField}, &scope{})
	}
	if x := n.get("of"); x != nil {
		t.of = c.word(x, "read.total.of", "animals", "rows", "records")
	} else if t.count != nil {
		c.add(n, "read.total.of", "what is counted: animals, rows or records", "nothing")
	}
	in.total = t
}

func (c *compiler) ignoreRule(n *node, what string) (r ignoreRule) {
	if !c.keys(n, what, "if", "line", "why") {
		return r
	}
	if x := n.get("if"); x != nil {
		r.conds = c.conds(x, what+".if", nil, &scope{})
	}
	if x := n.get("line"); x != nil {
		text, ok := c.scalar(x, what+".line", "a pattern (RE2) for the whole line")
		re, err := regexp.Compile(text)
		if ok && err != nil {
			c.add(x, what+".line", "a pattern (RE2)", quote(text)+": "+err.Error())
		}
		r.line = re
	}
	if n.get("if") == nil && n.get("line") == nil {
		c.add(n, what, "if or line", "neither")
	}
	if x := n.get("why"); x != nil {
		r.why, _ = c.scalar(x, what+".why", "why such a row is nothing")
	} else {
		c.add(n, what+".why", "why such a row is nothing", "nothing")
	}
	return r
}

func (c *compiler) completeness(root *node, in *Inward) {
	n := root.get("complete")
	if n == nil || !c.keys(n, "complete", "by", "scope", "as-of", "brake") {
		return
	}
	k := &completeness{brake: defaultBrake}
	if x := n.get("by"); x != nil {
		c.word(x, "complete.by", "day")
	} else {
		c.add(n, "complete.by", "day", "nothing")
	}
	whole := &scope{doc: true}
	if x := n.get("scope"); x != nil {
		k.scope = c.value(x, "complete.scope", &target{field: "scope", typ: events.TextField}, whole)
	}
	if x := n.get("as-of"); x != nil {
		k.asOf = c.value(x, "complete.as-of", &target{field: "as-of", typ: events.MomentField}, whole)
	}
	if x := n.get("brake"); x != nil {
		k.brake = c.whole(x, "complete.brake", 0, 1_000_000)
	}
	in.complete = k
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
	in.allTitles = c.cel != nil
}

// agree checks what the parts of a mapping must have of each other.
func (c *compiler) agree(root *node, in *Inward) {
	dated := slices.ContainsFunc(in.templates, func(t *template) bool { return t.kind != events.KindAnimal })
	if dated && root.get("occurred") == nil {
		c.add(root, "occurred", "when it occurred: every kind but animal needs it", "nothing")
	}
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
	if in.sides == "" {
		for _, v := range c.values {
			if v.target.sides && v.hasSides() {
				c.add(v.node, "sides", "from-behind or from-front, where claws are left and right", "nothing")
				break
			}
		}
	}
}
