package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/adapters/packed"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/schema"
	"dewclaw/schema/codes"
	"dewclaw/schema/rules"
)

// tryCommand shows what a mapping makes of a file. It needs no config and no
// data folder, and keeps nothing.
type tryCommand struct {
	Mapping string `arg:"" help:"The mapping file, direction in; or builtin: and the name of one that is built in."`
	File    string `arg:"" type:"path" help:"The file to read."`
	Farm    string `placeholder:"ID" help:"The farm the records belong to; by default that of the source in the config that has this mapping."`
	Zone    string `placeholder:"ZONE" help:"The farm's zone (IANA name), for mappings that name none; by default the farm's in the config, else UTC."`
	All     bool   `help:"Show what is ignored and what is told twice as well."`
	JSON    bool   `name:"json" help:"One JSON object a line: an outcome each."`
}

// An outcome is what became of one record in a trial.
type outcome struct {
	Outcome string          `json:"outcome"` // accepted, duplicate, amended, held or ignored
	Line    int             `json:"line,omitempty"`
	Last    int             `json:"lastLine,omitempty"`
	Member  string          `json:"member,omitempty"`
	Why     string          `json:"why,omitempty"`
	Held    *events.Held    `json:"held,omitempty"`
	Events  []trialEvent    `json:"events,omitempty"`
	Reasons []events.Reason `json:"-"`
}

// A trialEvent is an event as it would be, without its revision.
type trialEvent struct {
	Kind   events.Kind     `json:"kind"`
	Entity events.Entity   `json:"entity"`
	Data   json.RawMessage `json:"data"`
	says   events.Payload  // decoded
}

func (c *tryCommand) Run(a *app) error {
	if !strings.HasPrefix(c.Mapping, config.Builtin) {
		if path, err := filepath.Abs(c.Mapping); err == nil {
			c.Mapping = path
		}
	}
	src, err := readMapping(c.Mapping, "try")
	if err != nil {
		return c.misnamed(err)
	}
	m, err := mapping.ParseInward(c.Mapping, src)
	if err != nil {
		return c.swapped(err)
	}
	f, err := os.Open(c.File)
	if err != nil {
		kind := events.ErrInvalid
		if errors.Is(err, fs.ErrNotExist) {
			kind = events.ErrNotFound
		}
		return fmt.Errorf("try %s: %w: %w", c.File, err, kind)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return fmt.Errorf("try %s: %w: %w", c.File, err, events.ErrUnavailable)
	}
	for _, s := range m.Always() {
		fmt.Fprintln(a.stderr, safe(s))
	}
	t := &trial{
		app: a, command: c, mapping: m, progress: newProgress(a.stderr, "try", a.now),
		known:   map[events.Entity]events.Digest{},
		exams:   map[events.Entity][]byte{},
		counted: map[events.Kind]int{},
	}
	if t.job, err = c.job(a, m); err != nil {
		return err
	}
	for member, err := range packed.Members(f, st.Size(), filepath.Base(c.File), packed.Limits{}) {
		switch {
		case err != nil && member.Name == "":
			return err
		case err != nil:
			report(a.stderr, err)
		case member.Reader == nil:
			fmt.Fprintf(a.stderr, "%s: left out: %s\n", safe(member.Name), safe(member.Ignored))
		default:
			if err := t.read(member.Name, member.Reader); err != nil {
				return err
			}
		}
	}
	t.progress.end()
	return t.finish()
}

// misnamed says what else the mapping may be called.
func (c *tryCommand) misnamed(err error) error {
	var f *events.Fault
	if !errors.As(err, &f) || !strings.Contains(f.What, "no such file") {
		return err
	}
	bare := strings.TrimSuffix(c.Mapping, filepath.Ext(c.Mapping))
	f.Hints = []string{"the mapping comes first: dewclaw try MAPPING FILE"}
	for _, other := range []string{bare + ".yaml", bare + ".yml"} {
		if _, err := os.Stat(other); err == nil && other != c.Mapping {
			f.Hints = append(f.Hints, "did you mean "+filepath.Base(other)+"?")
		}
	}
	return err
}

// swapped says so if the file looks like the mapping and the mapping does not.
func (c *tryCommand) swapped(err error) error {
	isYAML := func(path string) bool { return strings.HasSuffix(path, ".yaml") || strings.HasSuffix(path, ".yml") }
	if isYAML(c.Mapping) || !isYAML(c.File) {
		return err
	}
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "try", Where: c.Mapping, What: "the mapping", Wanted: "a mapping first, then the file", Got: "them the other way round",
		Hints: []string{"dewclaw try " + shellQuote(c.File) + " " + shellQuote(c.Mapping)},
	}
}

// job says for whom the file is read: as the config says if there is one that
// has this mapping, else as the options say.
func (c *tryCommand) job(a *app, m *mapping.Inward) (mapping.Job, error) {
	job := mapping.Job{Source: "try", Farm: c.Farm, Zone: c.Zone, Received: a.now(), Rules: rules.Defaults()}
	p, err := a.load()
	if err == nil {
		if job.Rules, err = ruleSettings(p.config.Settings); err != nil {
			return job, err
		}
		c.adopt(p.config, m, &job)
	} else if !errors.Is(err, events.ErrNotFound) || a.getenv("DEWCLAW_CONFIG") != "" {
		return job, err
	}
	if m.FarmByRow() {
		if job.Farm = ""; c.Farm != "" {
			job.Farms = map[string]string{c.Farm: cmp.Or(c.Zone, "UTC")}
		}
		if len(job.Farms) == 0 {
			return job, refuse("try: the rows name their farm, and no config says which farms there are", "name the config: --config FILE", "or one farm: --farm ID")
		}
		return job, nil
	}
	if job.Zone == "" && m.Local() {
		fmt.Fprintln(a.stderr, "times are read as UTC: no config has this mapping, and no --zone is given")
	}
	job.Farm, job.Zone = cmp.Or(job.Farm, "farm"), cmp.Or(job.Zone, "UTC")
	return job, nil
}

// adopt takes what a source of the config says that has the same mapping.
func (c *tryCommand) adopt(conf *config.Config, m *mapping.Inward, job *mapping.Job) {
	for _, s := range conf.Sources {
		path, err := filepath.Abs(s.Mapping)
		if s.Mapping != c.Mapping && (err != nil || path != c.Mapping) {
			continue
		}
		job.Source = s.ID
		if job.Farm == "" {
			job.Farm = s.Farm
		}
		for _, id := range s.Farms {
			if job.Farms == nil {
				job.Farms = map[string]string{}
			}
			job.Farms[id] = conf.Farm(id).Zone
		}
		break
	}
	if f := conf.Farm(job.Farm); f != nil && job.Zone == "" {
		job.Zone = f.Zone
	}
	if m.FarmByRow() && len(job.Farms) == 0 {
		job.Farms = map[string]string{}
		for _, f := range conf.Farms {
			job.Farms[f.ID] = f.Zone
		}
	}
}

// A trial is one run of try.
type trial struct {
	app      *app
	command  *tryCommand
	mapping  *mapping.Inward
	job      mapping.Job
	progress *progress
	known    map[events.Entity]events.Digest
	exams    map[events.Entity][]byte // what was said of examinations, for rows that go on with them
	counts   events.Counts
	counted  map[events.Kind]int
	watch    rules.Watch
	odd      []string // of a file as a whole
}

// tryRows is how many rows are mapped at once.
const tryRows = 256

func (t *trial) read(member string, r io.Reader) error {
	layout := t.mapping.Layout()
	dec, err := decoders[layout.Format](r, layout)
	if err != nil {
		return err
	}
	head, err := dec.Head()
	if err != nil {
		return err
	}
	run, err := t.mapping.Start(t.job, head)
	if err != nil {
		return err
	}
	for _, c := range t.mapping.Unused(head) {
		fmt.Fprintf(t.app.stderr, "column %s is not used by the mapping\n", safe(strconv.Quote(c)))
	}
	mapper := run.Mapper()
	var records []adapters.Record
	for {
		rows, err := dec.Read(nil, tryRows)
		for i := range rows {
			rows[i].Member = member
		}
		records = mapper.Map(rows, records[:0])
		if errors.Is(err, io.EOF) {
			records = mapper.Flush(records)
		}
		for i := range records {
			if err := t.take(&records[i]); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
	}
	t.notice(member, dec, run.End())
	return nil
}

// notice tells what is odd of the file as a whole.
func (t *trial) notice(member string, dec adapters.Decoder, end mapping.Ending) {
	list := end.Notices
	if n, ok := dec.(adapters.Noticer); ok {
		list = append(list, n.Notices()...)
	}
	switch {
	case end.Blank != "":
		list = append(list, end.Blank)
	case len(end.Absent) > 0:
		list = append(list, "in no row was "+strings.Join(end.Absent, ", "))
	}
	if member != "" {
		member += ": "
	}
	for _, n := range list {
		t.odd = append(t.odd, member+n)
	}
}

// take judges one record as the way in would, knowing this file only.
func (t *trial) take(r *adapters.Record) error {
	o := outcome{Line: r.Line, Last: r.LastLine, Member: r.Member, Why: r.Why, Held: r.Held}
	switch r.Outcome {
	case adapters.Held:
		o.Outcome = "held"
		t.counts.Held++
	case adapters.Ignored:
		o.Outcome = "ignored"
		t.counts.Ignored++
	default:
		t.judge(r, &o)
	}
	t.counts.Read++
	t.progress.at(int64(t.counts.Read), 0)
	return t.show(&o)
}

func (t *trial) judge(r *adapters.Record, o *outcome) {
	changed, fresh := false, false
	for i := range r.Drafts {
		d := &r.Drafts[i]
		if err := t.goOn(d); err != nil {
			o.Reasons = append(o.Reasons, intake.ReasonsOf(err)...)
		}
		before, ok := t.known[d.Entity]
		changed, fresh = changed || ok && before != d.Digest, fresh || !ok
		if ok && before == d.Digest {
			continue
		}
		for _, v := range schema.Check(d.Kind, d.Data) {
			o.Reasons = append(o.Reasons, v.Reason())
		}
		p, err := events.DecodePayload(d.Kind, d.Data)
		if err != nil {
			o.Reasons = append(o.Reasons, events.Reason{Field: "row", Wanted: "an event that can be stored", Got: err.Error()})
			continue
		}
		o.Events = append(o.Events, trialEvent{d.Kind, d.Entity, json.RawMessage(d.Data), p})
	}
	switch {
	case len(o.Reasons) > 0:
		o.Outcome, o.Events = "held", nil
		o.Held = &events.Held{Line: r.Line, LastLine: r.LastLine, Member: r.Member, Reasons: o.Reasons}
		t.counts.Held++
		return
	case changed:
		o.Outcome = "amended"
		t.counts.Amended++
	case fresh:
		o.Outcome = "accepted"
		t.counts.Accepted++
		t.watch.Add(r.Sight, t.job.Rules)
	default:
		o.Outcome = "duplicate"
		if len(r.Drafts) == 0 {
			o.Why = "says that its record is there no more"
		}
		t.counts.Duplicate++
	}
	for i := range r.Drafts {
		d := &r.Drafts[i]
		t.known[d.Entity] = d.Digest
		if d.Kind == events.KindExamination {
			t.exams[d.Entity] = d.Data
		}
	}
}

// goOn merges an examination with what rows further up said of it, as the way in
// does.
func (t *trial) goOn(d *adapters.Draft) error {
	before, ok := t.exams[d.Entity]
	if !ok || t.known[d.Entity] == d.Digest {
		return nil
	}
	merged, err := mapping.MergeExamination(before, *d)
	if err == nil {
		*d = merged
	}
	return err
}

func (t *trial) show(o *outcome) error {
	if t.command.JSON {
		return t.app.line(o)
	}
	quiet := o.Outcome == "ignored" || o.Outcome == "duplicate"
	if quiet && !t.command.All {
		return nil
	}
	t.app.printf("%s: %s%s%s\n", lines(o.Member, o.Line, o.Last), o.Outcome, safe(o.animal()), colon(safe(o.Why)))
	if o.Held != nil {
		for _, r := range o.Held.Reasons {
			printReason(t.app, "    ", r)
		}
		if o.Held.Raw != "" {
			t.app.printf("    as read: %s\n", safe(o.Held.Raw))
		}
	}
	for _, e := range o.Events {
		t.counted[e.Kind]++
		t.app.printf("    %-12s %-16s %s\n", e.Kind, when(e.says.Base().Occurred), safe(say(e.says)))
	}
	return nil
}

// animal names the animal of the events, by all identifiers that were read.
func (o *outcome) animal() string {
	for _, e := range o.Events {
		s := ""
		for _, id := range e.says.Base().Animal {
			s += ", " + id.Scheme + " " + id.Value
		}
		if s != "" {
			return s
		}
	}
	return ""
}

func (t *trial) finish() error {
	if t.command.JSON {
		return nil
	}
	t.app.printf("\n%v\n", t.counts)
	var w words
	for _, k := range events.Kinds() {
		if n := t.counted[k]; n > 0 {
			w.add(fmt.Sprintf("%d %s", n, k))
		}
	}
	if len(w) > 0 {
		t.app.printf("events: %s\n", join(w))
	}
	for _, n := range t.odd {
		t.app.printf("%s\n", safe(n))
	}
	for _, n := range t.watch.Notes(t.job.Rules) {
		if n.Code == rules.RecordsLate {
			continue // a trial is of an old file more often than not
		}
		t.app.printf("%s: %s. %s\n", n.Code, n.Detail, codes.Advisories().Get(n.Code).Text)
	}
	t.app.printf("Nothing was kept.\n")
	return nil
}
