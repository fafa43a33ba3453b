package delivery

import (
	"bytes"
	"errors"
	"iter"
	"slices"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// A row is what a mapping makes a row of.
type row struct {
	event              *events.Event
	payload            events.Payload
	examination, visit events.Payload
	joined             []events.Payload
}

// An outward is a mapping of direction out. row returns errSkip if the mapping
// makes no row of it, or an error of kind invalid if it cannot.
type outward interface {
	Style() adapters.Style
	Columns() []adapters.Column
	Joined() bool // a row is an examination with what belongs to it
	Kinds() []events.Kind
	Digest() string
	row(row) ([]adapters.Cell, error)
}

// A Writer writes events in the form of another standard, one JSON object each.
// It does not change and may be used by several goroutines at once.
type Writer interface {
	// Kinds returns the kinds of events it has a form for.
	Kinds() []events.Kind
	// Carries reports whether it has a form for an event of the kind with that
	// payload; what is not carried is treated as what the feed does not want.
	Carries(k events.Kind, p events.Payload) bool
	// Append appends the object of e, whose payload is p, without a line end. A
	// retracted event is what the recipient should delete. An error of kind
	// invalid refuses the event, which is parked.
	Append(b []byte, e *events.Event, p events.Payload) ([]byte, error)
}

// A WriterMaker makes the writers of one format.
type WriterMaker struct {
	// Settings returns all that the bytes of a feed depend on, as text; it is
	// kept with each batch that is planned, to make the same bytes again.
	Settings func(c *config.Config, f *config.Feed) string
	// New returns the writer of these settings. The error is of kind invalid.
	New func(settings string) (Writer, error)
}

// A layout turns parcels into the bytes (or events) of a batch. It does not
// change and may be used by several goroutines.
type layout struct {
	id       layoutID
	mapping  outward // nil for CloudEvents
	source   []byte  // of the mapping
	events   bool    // the sink takes events, not bytes
	encoders map[string]adapters.NewEncoder
	writer   Writer // nil unless the format has one
}

func newLayout(o *Options, f *config.Feed, source []byte) (*layout, error) {
	l := &layout{id: layoutID{Format: f.Format, Deletes: f.Deletes}, events: f.ByEvent(), encoders: o.Encoders}
	if m, ok := o.Writers[f.Format]; ok {
		l.id.Settings = m.Settings(o.Config, f)
		return l.written(m)
	}
	if f.Format != config.Mapped {
		return l, nil
	}
	return l.with(f.Mapping, source)
}

// written returns the layout with the writer of its settings.
func (l *layout) written(m WriterMaker) (*layout, error) {
	w, err := m.New(l.id.Settings)
	if err != nil {
		return nil, err
	}
	n := *l
	n.writer = w
	return &n, nil
}

// with returns the layout with the mapping.
func (l *layout) with(name string, source []byte) (*layout, error) {
	m, err := parseOutward(name, source)
	if err != nil {
		return nil, err
	}
	style := m.Style()
	if l.encoders[style.Format] == nil {
		return nil, &events.Fault{Kind: events.ErrInvalid, Where: name, What: "write.format", Wanted: "a format that can be written", Got: style.Format}
	}
	n := *l
	n.mapping, n.source, n.id.Mapping = m, source, m.Digest()
	return &n, nil
}

// byExamination reports whether a row is an examination with what belongs to it.
func (l *layout) byExamination() bool { return l.mapping != nil && l.mapping.Joined() }

// kinds returns the kinds that are given rows, of those the feed has. With rows
// of examinations the feed's kinds are what is joined.
func (l *layout) kinds(feed []events.Kind) []events.Kind {
	if l.mapping == nil || len(l.mapping.Kinds()) == 0 || l.byExamination() {
		return feed
	}
	own := l.mapping.Kinds()
	var out []events.Kind
	for _, k := range feed {
		if slices.Contains(own, k) {
			out = append(out, k)
		}
	}
	return out
}

// extension returns the file name extension.
func (l *layout) extension() string {
	switch {
	case l.mapping != nil:
		return "." + l.mapping.Style().Format
	case l.id.Format == config.CloudEventsArray, l.writer != nil:
		return ".json"
	}
	return ".ndjson"
}

// object writes f into the parcel, as a CloudEvent or as the writer says.
func (l *layout) object(p *parcel, f *fact) error {
	switch {
	case l.events:
		p.event = f.Event
		return nil
	case l.writer == nil:
		p.line = f.AppendCloudEvent(make([]byte, 0, len(f.Data)+640))
		return nil
	}
	d, err := f.decoded()
	if err != nil {
		return err
	}
	p.line, err = l.writer.Append(make([]byte, 0, 2*len(f.Data)+1280), f.Event, d)
	if isRefusal(err) {
		p.err, err = err, nil
	}
	return err
}

// frame is what stands before the first object of a file, between two, and
// behind the last; "" before and behind where each has a line of its own.
func (l *layout) frame() (before, between, behind string) {
	switch {
	case l.writer != nil:
		return "{\"member\":[\n", ",\n", "\n]}\n"
	case l.id.Format == config.CloudEventsArray:
		return "[\n", ",\n", "\n]\n"
	}
	return "", "\n", "\n"
}

// tableRows is how many rows go to an encoder at once.
const tableRows = 256

// An output is one file in the making, or a run of events.
type output struct {
	layout  *layout
	buf     bytes.Buffer
	enc     adapters.Encoder
	table   adapters.Table
	waiting []*parcel // rows of table
	rows    int
	ids     []string
	refuse  func(p *parcel, err error) // told of rows the encoder cannot write
	keep    func(p *parcel) bool       // asked again before a row is written: a neighbour may have been refused
	wrote   func(p *parcel)            // told of every row that is in
}

// add takes in a parcel with its deletes. Errors of kind invalid concern the
// output as a whole.
func (o *output) add(p *parcel) error {
	if o.layout.mapping == nil {
		for q := range p.rows() {
			o.count(q)
			if o.layout.events {
				continue
			}
			before, between, _ := o.layout.frame()
			o.buf.WriteString(map[bool]string{true: before, false: between}[o.rows == 1])
			o.buf.Write(q.line)
		}
		return nil
	}
	o.waiting = append(o.waiting, p)
	if len(o.waiting) < tableRows {
		return nil
	}
	return o.flush()
}

// rows are the deletes that go before p, and p.
func (p *parcel) rows() iter.Seq[*parcel] {
	return func(yield func(*parcel) bool) {
		for _, q := range p.old {
			if !yield(q) {
				return
			}
		}
		yield(p)
	}
}

// count notes a row that is in.
func (o *output) count(p *parcel) {
	o.rows++
	o.ids = append(o.ids, p.id)
	o.wrote(p)
}

// flush writes the rows that wait. A row that the encoder refuses is told to
// refuse, and the others are written without it and what belongs to it: nothing of
// a refused table was written.
func (o *output) flush() error {
	if len(o.waiting) == 0 {
		return nil
	}
	if o.enc == nil {
		enc, err := o.layout.encoders[o.layout.mapping.Style().Format](&o.buf, o.layout.mapping.Style())
		if err != nil {
			return err
		}
		o.enc = enc
		o.table.Columns = o.layout.mapping.Columns()
	}
	list := o.waiting
	o.waiting = nil
	return o.write(list)
}

func (o *output) write(list []*parcel) error {
	o.table.Rows = o.table.Rows[:0]
	var in []*parcel
	for _, p := range list {
		if o.keep(p) {
			in = append(in, p)
			for q := range p.rows() {
				o.table.Rows = append(o.table.Rows, q.cells)
			}
		}
	}
	if len(in) == 0 {
		return nil
	}
	err := o.enc.Write(&o.table)
	switch {
	case err == nil:
		for _, p := range in {
			for q := range p.rows() {
				o.count(q)
			}
		}
		return nil
	case !errors.Is(err, events.ErrInvalid):
		return err
	case len(in) == 1:
		o.refuse(in[0], err)
		return nil
	}
	if err := o.write(in[:len(in)/2]); err != nil {
		return err
	}
	return o.write(in[len(in)/2:])
}

// size returns the bytes so far, about: rows that wait count by the rows before.
func (o *output) size() int {
	n := o.buf.Len()
	if o.rows > 0 {
		n += n / o.rows * len(o.waiting)
	} else {
		n += 200 * len(o.waiting)
	}
	return n
}

// close ends the output and returns its bytes; nil if it has no rows.
func (o *output) close() ([]byte, error) {
	if err := o.flush(); err != nil {
		return nil, err
	}
	if o.rows == 0 {
		return nil, nil
	}
	if o.enc != nil {
		if err := o.enc.Close(); err != nil {
			return nil, err
		}
	}
	if o.layout.mapping == nil && !o.layout.events {
		_, _, behind := o.layout.frame()
		o.buf.WriteString(behind)
	}
	return o.buf.Bytes(), nil
}
