package ade

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/events"
)

// Options say how a [Writer] writes. They are kept as JSON beside what was
// planned to be sent, so that the same bytes can be made again.
type Options struct {
	Source    string                `json:"source"`              // meta.source of every resource: a reverse domain name or URI; must be set
	Zones     map[string]string     `json:"zones"`               // IANA zone by farm; every farm that is written
	Locations map[string]Identifier `json:"locations,omitempty"` // by farm; without one, the farm's id in the scheme example.dewclaw.farm
	First     []string              `json:"first,omitempty"`     // schemes of ours: the first one an animal has identifies it; nil for the order of the package comment
	Schemes   map[string]string     `json:"schemes,omitempty"`   // ADE's scheme by one of ours, where it differs from the package comment
	Toes      bool                  `json:"toes,omitempty"`      // positions are toes where the claw is known; else legs
}

// firstOf is the order in which an animal's identifiers are tried.
var firstOf = []string{"transponder", "ear-tag", "interbull", "herdbook", "herd-number", "pseudonym"}

// schemeOf is ADE's well-known scheme for ours (adewg/ICAR,
// well-known/icarAnimalIdentifierType.md). Ear tags have several there, of which
// a farm's is not known from the tag: a setting names it.
var schemeOf = map[string]string{"transponder": "std.iso.11785", "interbull": "icar.Interbull"}

// A Writer writes events as ADE resources. It does not change after [NewWriter]
// and may be used by several goroutines at once.
type Writer struct {
	o     Options
	zones map[string]*time.Location
}

// NewWriter returns a [Writer]. The error is of kind invalid.
func NewWriter(o Options) (*Writer, error) {
	w := &Writer{o: o, zones: map[string]*time.Location{}}
	if o.Source == "" {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, What: "ade.source", Wanted: "a reverse domain name or URI that names this source of data", Got: "none",
		}
	}
	for farm, name := range o.Zones {
		zone, err := time.LoadLocation(name)
		if err != nil {
			return nil, &events.Fault{Kind: events.ErrInvalid, What: "zone of farm " + farm, Wanted: "an IANA zone", Got: name, Cause: err}
		}
		w.zones[farm] = zone
	}
	if len(w.o.First) == 0 {
		w.o.First = firstOf
	}
	return w, nil
}

// Kinds returns the kinds of events that ADE has a resource for.
func Kinds() []events.Kind {
	return []events.Kind{
		events.KindExamination, events.KindLesion, events.KindTreatment, events.KindTakenOff, events.KindLocomotion, events.KindGroup,
	}
}

// Kinds returns [Kinds].
func (w *Writer) Kinds() []events.Kind { return Kinds() }

// Carries reports whether there is a resource for an event of the kind with that
// payload: for an examination if a foot was trimmed, for a finding unless it says
// that there is none any more (course healed, stage M0), for a score if it is
// lame, for a block or wrap if somebody took it off. Where a later revision is not
// carried and an earlier one was, the recipient is told that it is deleted.
func (w *Writer) Carries(k events.Kind, p events.Payload) bool {
	switch p := p.(type) {
	case *events.Treatment, *events.Group:
		return true
	case *events.Lesion:
		return p.Course != "healed" && p.Stage != "M0"
	case *events.Examination:
		return slices.ContainsFunc(p.Feet, wasTrimmed)
	case *events.TakenOff:
		return p.How == "taken-off"
	case *events.Locomotion:
		return p.Derived.Lame == "yes"
	}
	return false
}

// Append appends the resource of one event as one JSON object, without a line
// end. A retracted event is its resource with meta.isDeleted. The error is of
// kind invalid if the animal has no identifier to go by, or the farm no zone.
func (w *Writer) Append(b []byte, e *events.Event, p events.Payload) ([]byte, error) {
	r := &resource{
		ID:       string(e.Entity),
		Meta:     meta{Source: w.o.Source, SourceID: string(e.Entity), Modified: events.FormatTime(e.Recorded), IsDeleted: e.Change == events.Retracted},
		Location: w.location(e.Farm),
		Dewclaw:  e.AppendCloudEvent(nil),
	}
	at, err := w.moment(e.Farm, p.Base().Occurred)
	if err != nil {
		return b, err
	}
	r.EventDateTime = at
	if e.Kind != events.KindGroup {
		if r.Animal, err = w.animal(p.Base()); err != nil {
			return b, err
		}
	}
	r.Remark = remarks(p.Base())
	switch p := p.(type) {
	case *events.Lesion:
		w.lesion(r, p)
	case *events.Examination:
		w.examination(r, p)
	case *events.Treatment:
		err = w.treatment(r, e.Farm, p)
	case *events.TakenOff:
		w.takenOff(r, p)
	case *events.Locomotion:
		w.locomotion(r, p)
	case *events.Group:
		w.group(r, p)
	default:
		err = &events.Fault{Kind: events.ErrInvalid, What: "kind", Wanted: "one that ADE has a resource for", Got: string(e.Kind)}
	}
	if err != nil {
		return b, err
	}
	text, err := json.Marshal(r)
	if err != nil {
		return b, fmt.Errorf("write resource of event %s: %w", e.ID(), err)
	}
	return append(b, text...), nil
}

// ResourceTypeOf returns the resource type in which events of the kind are
// written, or "".
func ResourceTypeOf(k events.Kind) string {
	switch k {
	case events.KindLesion:
		return Diagnosis
	case events.KindExamination, events.KindTreatment, events.KindTakenOff:
		return Treatment
	case events.KindLocomotion:
		return Attention
	case events.KindGroup:
		return GroupTreatment
	}
	return ""
}

func (w *Writer) location(farm string) Identifier {
	if l, ok := w.o.Locations[farm]; ok {
		return l
	}
	return Identifier{ID: farm, Scheme: ourScheme("farm")}
}

// animal picks the identifier by which the recipient should know the animal, in
// its normalized form.
func (w *Writer) animal(c *events.Common) (*Identifier, error) {
	for _, scheme := range w.o.First {
		for _, list := range [][]events.Identifier{c.Derived.Animal, c.Animal} {
			for _, id := range list {
				if id.Scheme == scheme {
					return &Identifier{ID: id.Value, Scheme: w.scheme(scheme)}, nil
				}
			}
		}
	}
	got := "none"
	if len(c.Animal) > 0 {
		var has []string
		for _, id := range c.Animal {
			has = append(has, id.Scheme)
		}
		got = strings.Join(has, ", ")
	}
	return nil, &events.Fault{
		Kind: events.ErrInvalid, What: "animal", Wanted: "an identifier in one of the schemes " + strings.Join(w.o.First, ", "), Got: got,
	}
}

func (w *Writer) scheme(ours string) string {
	if s := w.o.Schemes[ours]; s != "" {
		return s
	}
	if s := schemeOf[ours]; s != "" {
		return s
	}
	return ourScheme(ours)
}

// moment writes when something occurred as ADE wants it, in UTC. A day without a
// time of day becomes noon of that day in the farm's zone, which is that day in
// UTC almost everywhere; the extension says that only the day is known.
func (w *Writer) moment(farm string, o events.Occurred) (string, error) {
	if at := o.RFC3339(); at != "" {
		t, err := time.Parse(time.RFC3339, at)
		if err != nil {
			return "", fmt.Errorf("read time %q: %w", at, events.ErrCorrupt)
		}
		return events.FormatTime(t), nil
	}
	return w.dayAt(farm, o.Date, 12*time.Hour)
}

// dayAt returns a time of day of a local day in UTC.
func (w *Writer) dayAt(farm, day string, clock time.Duration) (string, error) {
	zone := w.zones[farm]
	if zone == nil {
		return "", &events.Fault{Kind: events.ErrInvalid, What: "zone of farm " + farm, Wanted: "an IANA zone", Got: "none"}
	}
	d, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return "", &events.Fault{Kind: events.ErrInvalid, What: "day", Wanted: "YYYY-MM-DD", Got: day}
	}
	s := int(clock / time.Second)
	return events.FormatTime(time.Date(d.Year(), d.Month(), d.Day(), s/3600, s/60%60, s%60, 0, zone)), nil
}

func remarks(c *events.Common) string {
	var out []string
	for _, r := range c.Remarks {
		where := strings.TrimSpace(r.Foot + " " + r.Claw)
		if where != "" {
			where += ": "
		}
		out = append(out, where+r.Text)
	}
	return strings.Join(out, "; ")
}
