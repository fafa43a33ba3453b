package mapping

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/text/unicode/norm"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/schema/rules"
)

// A Job is one reading of one original.
type Job struct {
	Source   string            // source id
	Farm     string            // farm of the source; "" if the rows name it
	Zone     string            // IANA zone of that farm; used where the mapping has none
	Farms    map[string]string // farms that rows may name, with their zones; needed only if they do
	Received time.Time         // when the original was first received: nothing occurs more than 10 minutes after it
	Message  string            // transport identity of a message; "" for a file
	Rules    *rules.Settings   // thresholds; nil for the defaults
}

// mostAhead is how far a clock of a device may be ahead (DESIGN of the event:
// common practice, no source).
const mostAhead = 10 * time.Minute

// A Run is a mapping bound to one original. Its mappers may be used by several
// goroutines, each one by one; a Run itself is not changed by them but for what
// [Run.End] tells.
type Run struct {
	in      *Inward
	job     Job
	head    adapters.Head
	columns []int // index of each column of the mapping in a row
	bound   []bound
	docs    []bound
	latest  int64    // seconds since 1970 in UTC after which nothing occurs
	context [32]byte // what Raw depends on beside the row
	scope   string   // "" unless the mapping names one for the whole original

	mu      sync.Mutex
	mappers []*Mapper
	asOf    map[string]bool // as read, one for each document
	asOfAt  string
	scopes  map[string]bool
	whyNot  string
}

// bound is a template bound to the columns of an original.
type bound struct {
	*template
	cell  int      // column of the item; -1 without "columns"
	names []string // the named parts of its name
	key   string   // its whole name
}

// A HeaderError says that the header of an original is not the one the mapping
// was written for. It is of kind invalid.
type HeaderError struct {
	Line    int         // line of the header, 0 if the names are declared
	Missing []string    // columns the mapping uses and the header lacks
	Twice   []string    // columns the mapping uses by name and the header has twice
	New     []string    // columns of the header the mapping does not use
	Renamed [][2]string // missing ones that look like new ones: was, is
	Other   string      // what the line says of another delimiter; "" if it does not look so
}

// Error returns the difference as one line.
func (e *HeaderError) Error() string {
	r := e.Reason()
	return r.String()
}

// Unwrap returns events.ErrInvalid.
func (e *HeaderError) Unwrap() error { return events.ErrInvalid }

// Reason returns the difference as the reason of the one record that holds the
// original.
func (e *HeaderError) Reason() events.Reason {
	var got []string
	for _, m := range e.Missing {
		s := "no " + strconv.Quote(clip(m, 60))
		for _, r := range e.Renamed {
			if r[0] == m {
				s += " (perhaps " + strconv.Quote(clip(r[1], 60)) + ")"
			}
		}
		got = append(got, s)
	}
	for _, t := range e.Twice {
		got = append(got, strconv.Quote(clip(t, 60))+" twice")
	}
	if len(e.New) > 0 {
		got = append(got, "and not used "+quoted(e.New))
	}
	if e.Other != "" {
		got = append(got, e.Other)
	}
	return events.Reason{Field: "header", Wanted: "the columns " + quoted(append(slices.Clone(e.Missing), e.Twice...)), Got: strings.Join(got, ", ")}
}

// otherDelimiter says that a header of one column has a delimiter of another file
// in it.
func otherDelimiter(names []string, delimiter rune) string {
	if len(names) != 1 {
		return ""
	}
	most, at := 0, ' '
	for _, r := range ";,\t|" {
		if n := strings.Count(names[0], string(r)); n > most && r != delimiter {
			most, at = n, r
		}
	}
	if most == 0 {
		return ""
	}
	return fmt.Sprintf("the line has %d %q and no %q (read: {delimiter: %q})", most, at, delimiter, string(at))
}

func quoted(words []string) string {
	var b []string
	for _, w := range words {
		b = append(b, strconv.Quote(clip(w, 60)))
	}
	return strings.Join(b, ", ")
}

// Start binds the mapping to one original. Its errors are of kind invalid and
// spoil the original: a [HeaderError], or an *events.Fault for a zone that is
// none or a title line that cannot be read.
func (in *Inward) Start(job Job, head adapters.Head) (*Run, error) {
	if in.farm != nil {
		job.Farm = "" // the rows name it
	}
	if job.Rules == nil {
		job.Rules = rules.Defaults()
	}
	if in.language > 0 {
		head.Columns = normal(head.Columns)
	}
	r := &Run{in: in, job: job, head: head, latest: job.Received.Add(mostAhead).Unix(), asOf: map[string]bool{}, scopes: map[string]bool{}}
	if err := r.bindColumns(); err != nil {
		return nil, err
	}
	for _, t := range in.templates {
		r.bound = append(r.bound, r.bind(t)...)
	}
	for _, t := range in.documents {
		r.docs = append(r.docs, bound{template: t, cell: -1})
	}
	for _, z := range append([]string{r.zoneOf(job.Farm)}, r.farmZones()...) {
		if _, err := newZone(z); err != nil {
			return nil, &events.Fault{Kind: events.ErrInvalid, What: "zone", Wanted: "an IANA zone such as Europe/Berlin", Got: quote(z)}
		}
	}
	if err := r.titleValues(); err != nil {
		return nil, err
	}
	r.context = r.digestContext()
	return r, nil
}

func (r *Run) farmZones() []string {
	var zones []string
	if r.in.farm != nil && r.in.zone == "" {
		for _, z := range r.job.Farms {
			zones = append(zones, z)
		}
	}
	return zones
}

// zoneOf returns the zone of local times on a farm.
func (r *Run) zoneOf(farm string) string {
	switch {
	case r.in.zone != "":
		return r.in.zone
	case r.in.farm != nil && farm == "":
		return "UTC" // until a row names the farm
	case r.in.farm != nil:
		return r.job.Farms[farm]
	}
	return r.job.Zone
}

// finds reports whether some "columns" finds the column of a name.
func (in *Inward) finds(name string) bool {
	return slices.ContainsFunc(in.templates, func(t *template) bool { return t.columns != nil && t.columns.MatchString(name) })
}

// normal brings names into one form of Unicode (NFC, UAX 15), so that a letter
// with its accent apart, as some systems write it, is the letter.
func normal(names []string) []string {
	for i, n := range names {
		if !norm.NFC.IsNormalString(n) {
			names = slices.Clone(names)
			for k := i; k < len(names); k++ {
				names[k] = norm.NFC.String(names[k])
			}
			return names
		}
	}
	return names
}

// bindColumns finds the columns of the mapping in the header.
func (r *Run) bindColumns() error {
	names := r.head.Columns
	e := &HeaderError{Line: r.head.Line}
	used := map[string]bool{}
	for _, c := range r.in.columns {
		at := c.number - 1
		switch {
		case c.number == 0:
			name := c.name
			if r.in.language == 0 {
				name = c.raw
			}
			at = slices.Index(names, name)
			used[name] = true
			if at < 0 {
				e.Missing = append(e.Missing, name)
			} else if slices.Contains(names[at+1:], name) {
				e.Twice = append(e.Twice, name)
			}
		case names != nil && at >= len(names):
			e.Missing = append(e.Missing, fmt.Sprintf("number %d", c.number))
		case names != nil:
			used[names[at]] = true
		}
		r.columns = append(r.columns, at)
	}
	for i, n := range names {
		if r.in.language == 0 || !slices.Contains(names[i+1:], n) || slices.Contains(e.Twice, n) {
			continue
		}
		if r.in.finds(n) {
			e.Twice = append(e.Twice, n)
		}
	}
	if len(e.Missing) == 0 && len(e.Twice) == 0 {
		return nil
	}
	e.Other = otherDelimiter(names, r.in.layout.Delimiter)
	for _, n := range names {
		if !used[n] && n != "" && !r.in.finds(n) && !slices.Contains(e.New, n) {
			e.New = append(e.New, n)
		}
	}
	for _, m := range e.Missing {
		if w := near(m, e.New); w != "" {
			e.Renamed = append(e.Renamed, [2]string{m, w})
		}
	}
	return e
}

// bind binds a template, once for each column its pattern matches.
func (r *Run) bind(t *template) []bound {
	if t.columns == nil || !r.in.csv {
		return []bound{{template: t, cell: -1}}
	}
	var out []bound
	for i, name := range r.head.Columns {
		if parts := t.match(name); parts != nil {
			out = append(out, bound{template: t, cell: i, names: parts, key: name})
		}
	}
	return out
}

// match returns the named parts of a name that the pattern of "columns"
// matches whole, in the order the template numbers them; nil if it does not.
func (t *template) match(name string) []string {
	m := t.columns.FindStringSubmatch(name)
	if m == nil {
		return nil
	}
	out := make([]string, 0, len(m))
	for i, s := range m[1:] {
		if t.parts[i] != "" {
			out = append(out, strings.TrimSpace(s))
		}
	}
	return out
}

// titleValues reads the scope and the as-of that stand in titles or in the
// mapping.
func (r *Run) titleValues() error {
	k := r.in.complete
	if k == nil {
		return nil
	}
	m := r.newMapper()
	read := func(v *value) (result, error) {
		if v == nil || v.place.kind != inTitle && v.place.kind != constant {
			return result{}, nil
		}
		res := *m.eval(plainField(v))
		if len(m.reasons) == 0 && res.isZero() {
			m.refuse(v, "a text", "nothing")
		}
		if len(m.reasons) > 0 {
			x := m.reasons[0]
			return res, &events.Fault{Kind: events.ErrInvalid, What: x.Column + " (" + x.Field + ")", Wanted: x.Wanted, Got: x.Got}
		}
		return res, nil
	}
	res, err := read(k.scope)
	if err != nil {
		return err
	}
	r.scope = res.value.Text
	if res, err = read(k.asOf); err != nil {
		return err
	}
	if res.value.Text != "" {
		r.setAsOf(res.value.Text)
	}
	return nil
}

// setAsOf notes as of when the original speaks.
func (r *Run) setAsOf(s string) {
	if !r.asOf[s] {
		r.asOf[s] = true
		t, err := time.Parse(time.RFC3339, s)
		if err != nil {
			t, err = time.Parse(time.DateOnly, s)
		}
		if err == nil {
			r.asOfAt = events.FormatTime(t)
		}
	}
}

// Scope returns the list, barn or operator of the whole original, "" if the
// mapping names none or it stands in the rows. Events of that scope leave it out:
// it is the default of their entry.
func (r *Run) Scope() string { return r.scope }

// digestContext hashes what Raw depends on beside the row: the mapping and the
// titles that rows are read with. As of when an original speaks is not among
// them.
func (r *Run) digestContext() [32]byte {
	h := sha256.New()
	h.Write(r.in.hash[:])
	fmt.Fprintf(h, "%q %q", r.job.Farm, r.head.Columns)
	fmt.Fprintf(h, " %q", r.scope)
	for i, t := range r.head.Titles {
		if r.in.allTitles || slices.Contains(r.in.titles, i) {
			fmt.Fprintf(h, " %d %q", i, t)
		}
	}
	return [32]byte(h.Sum(nil))
}

// Mapper returns a new mapper of the run: one for each goroutine, and only one
// in all if the mapping groups rows.
func (r *Run) Mapper() *Mapper {
	m := r.newMapper()
	r.mu.Lock()
	r.mappers = append(r.mappers, m)
	r.mu.Unlock()
	return m
}

// An Ending is what the end of an original says. Counts are over all rows, held
// ones included where they could be read.
type Ending struct {
	TotalSeen  bool   // the total line was there, as the last row
	TotalRight bool   // it was, and agrees with what was counted
	Total      int    // what it says
	Counted    int    // what was counted
	AsOf       string // as of when the original speaks, RFC 3339 in UTC; "" if it does not say
	Scope      string // list, barn or operator of the whole original
	May        bool   // the source is complete and the original too: what is missing may count as vanished
	Why        string // why it may not, in words; "" if it may or the source is not complete

	Rows    int      // rows that were mapped, those ignored by rule included
	Notices []string // what a person should know of it, in words
	Blank   string   // the same, if of none of these rows an event was made; "" if it was
	Absent  []string // json: paths that were looked for and in no row
}

// End tells what the end of the original says. It is called once, after every
// mapper was flushed.
func (r *Run) End() Ending {
	r.mu.Lock()
	defer r.mu.Unlock()
	e := Ending{AsOf: r.asOfAt, Scope: r.scope}
	if len(r.asOf) > 1 {
		e.AsOf = ""
	}
	if e.Scope == "" && len(r.scopes) == 1 {
		for s := range r.scopes {
			e.Scope = s
		}
	}
	var why string
	if r.in.total != nil {
		if why = r.totals(&e); why != "" {
			n := why
			if why == noTotal {
				n += ": it may be cut off"
			}
			e.Notices = append(e.Notices, n)
		}
	}
	r.notices(&e)
	if r.in.complete == nil {
		return e
	}
	switch {
	case r.whyNot != "":
		e.Why = r.whyNot
	case len(r.asOf) > 1:
		e.Why = "it speaks as of more than one time"
	case r.in.complete.asOf != nil && e.AsOf == "":
		e.Why = "it does not say as of when it speaks"
	default:
		e.Why = why
	}
	e.May = e.Why == ""
	return e
}

const noTotal = "the total line is missing"

// totals compares the total line with what was counted and says what is wrong.
func (r *Run) totals(e *Ending) string {
	animals := map[string]bool{}
	rows, records, last, at := 0, 0, 0, 0
	for _, m := range r.mappers {
		rows, records, last = rows+m.rows, records+m.records, max(last, m.lastRow)
		for a := range m.animals {
			animals[a] = true
		}
		if m.totalLine > at {
			at, e.Total = m.totalLine, m.total
		}
	}
	t := r.in.total
	switch t.of {
	case "animals":
		e.Counted = len(animals)
	case "rows":
		e.Counted = rows
	case "records":
		e.Counted = records
	}
	switch {
	case at == 0:
		return noTotal
	case at < last:
		return fmt.Sprintf("rows stand behind the total line %d", at)
	}
	e.TotalSeen = true
	switch {
	case t.count == nil:
	case e.Total < 0:
		return fmt.Sprintf("the total line %d has no number that can be read", at)
	case e.Total != e.Counted:
		return fmt.Sprintf("the total line says %d %s, %d were counted", e.Total, t.of, e.Counted)
	}
	e.TotalRight = true
	return ""
}

// Unused returns the columns of a header that the mapping never uses. An
// expression that works out the name of a column may use any.
func (in *Inward) Unused(head adapters.Head) []string {
	var out []string
	for i, name := range normal(head.Columns) {
		used := slices.ContainsFunc(in.columns, func(c *column) bool { return c.number == i+1 || c.number == 0 && c.name == name })
		used = used || in.finds(name)
		for _, x := range in.expressions {
			used = used || x.any || slices.Contains(x.reads, name) || slices.Contains(x.reads, strconv.Itoa(i+1))
		}
		if !used {
			out = append(out, name)
		}
	}
	return out
}
