package events

import (
	"encoding/json"
	"time"
)

// A Kind is one of the kinds of events.
type Kind string

// The kinds of events. The comment says what an event of the kind tells.
const (
	KindVisit       Kind = "visit"        // work on a farm: trimming or scoring
	KindExamination Kind = "examination"  // one animal on the chute
	KindLesion      Kind = "lesion"       // one finding
	KindTreatment   Kind = "treatment"    // something was done
	KindTakenOff    Kind = "taken-off"    // a block or wrap came off
	KindCheck       Kind = "check"        // a block, wrap or wound was looked at
	KindLocomotion  Kind = "locomotion"   // a score was given
	KindClawMeasure Kind = "claw-measure" // a claw was measured
	KindClaw        Kind = "claw"         // a claw is absent or lost its horn capsule
	KindOrder       Kind = "order"        // somebody said what must happen
	KindGroup       Kind = "group"        // something was done to many animals at once
	KindAnimal      Kind = "animal"       // a roster statement
	KindDecision    Kind = "decision"     // a person settled something
)

// Animals reports whether events of the kind are about animals that they name.
// Those of a visit or a group are about a farm, and a decision may be.
func (k Kind) Animals() bool { return k != KindVisit && k != KindGroup && k != KindDecision }

// Kinds lists every kind, in the order of the documentation.
func Kinds() []Kind {
	return []Kind{
		KindVisit, KindExamination, KindLesion, KindTreatment, KindTakenOff, KindCheck,
		KindLocomotion, KindClawMeasure, KindClaw, KindOrder, KindGroup, KindAnimal, KindDecision,
	}
}

// A Change says what a revision does to its entity.
type Change string

// The three changes. A fact that comes back after it was retracted is recorded.
const (
	Recorded  Change = "recorded"
	Amended   Change = "amended"
	Retracted Change = "retracted"
)

// A Position is the place of an entry in the log, from 1. Zero is before the first.
type Position uint64

// A Place is the place of one event: its entry and its index in that entry, from 0.
type Place struct {
	Position Position `json:"position"`
	Index    int      `json:"index"`
}

// Before reports whether p comes before q in the log.
func (p Place) Before(q Place) bool {
	return p.Position < q.Position || p.Position == q.Position && p.Index < q.Index
}

// An Event is one normalized fact in its envelope. It is immutable: a
// correction is another event with the same entity and a higher revision.
//
// The envelope is CloudEvents 1.0; [Event.AppendCloudEvent] writes it whole.
// The attributes farm, entity, revision, change, visit and recordedtime are
// extensions of our own.
type Event struct {
	Kind     Kind
	Entity   Entity
	Revision int    // from 1
	Change   Change // never empty
	Farm     string // farm id of the config; "" only for a decision about a held record whose farm cannot be read
	Source   string // source id of the config; "" for a decision
	Subject  string // scheme:identifier of the key identifier, or "" (visit, decision)
	Visit    string // entity of the visit, or ""
	Scope    string // list, barn or operator its file named; "" unless the source is complete
	Barn     string // at a hub: the barn it came from; "" for an event of this log's own
	Recorded time.Time
	Before   *Place          // where the revision before this one stands; nil for a first revision
	Place    Place           // where this event stands
	Data     json.RawMessage // the payload as stored; see the package comment

	// Moved says that this is no event of the log but made on the way out: it
	// takes back the revision it names, which a recipient has under an animal
	// that the event is no longer of.
	Moved bool
}

// ID returns the CloudEvents id: entity and revision, and a mark if the event is
// [Event.Moved].
func (e *Event) ID() string {
	if e.Moved {
		return EventID(e.Entity, e.Revision) + movedMark
	}
	return EventID(e.Entity, e.Revision)
}

// Type returns the CloudEvents type of a kind: dewclaw.<kind>.v1.
func (k Kind) Type() string { return "dewclaw." + string(k) + ".v1" }

// SchemaBase is the folder all published schemas are named in. It is a name,
// not a place to fetch from: "dewclaw schema NAME" prints each of them.
const SchemaBase = "https://dewclaw.example/schema/v1/"

// DataSchema returns the CloudEvents dataschema of a kind.
func (k Kind) DataSchema() string { return SchemaBase + string(k) + ".schema.json" }

// Payload decodes the data of the event. The result is a pointer to the type
// of its kind. The error is of kind [ErrCorrupt]: what is stored was checked.
func (e *Event) Payload() (Payload, error) { return DecodePayload(e.Kind, e.Data) }

// Time returns when the fact occurred as RFC 3339 in local time with offset,
// or "" if no time of day is known.
func (e *Event) Time() string {
	for i := 1; ; {
		name, value, next := Member(e.Data, i)
		switch {
		case next <= 0:
			return ""
		case string(name) == "occurred":
			return sliceOccurred(value).RFC3339()
		}
		i = next
	}
}

// sliceOccurred reads what an [Occurred] needs for its moment.
func sliceOccurred(b []byte) Occurred {
	var o Occurred
	for i := 1; ; {
		name, value, next := Member(b, i)
		if next <= 0 {
			return o
		}
		var err error
		switch string(name) {
		case "date":
			o.Date, err = Text(value)
		case "offset":
			o.Offset, err = Text(value)
		case "time":
			o.Time, err = Text(value)
		}
		if err != nil {
			return Occurred{}
		}
		i = next
	}
}

// AppendCloudEvent appends the event as one JSON object in CloudEvents 1.0 JSON
// format (structured mode), without a line end.
func (e *Event) AppendCloudEvent(b []byte) []byte {
	b = append(b, `{"specversion":"1.0","id":`...)
	b = AppendJSONString(b, e.ID())
	b = append(b, `,"source":`...)
	b = AppendJSONString(b, e.SourceURI())
	b = append(b, `,"type":`...)
	b = AppendJSONString(b, e.Kind.Type())
	b = appendAttribute(b, "subject", e.Subject)
	b = appendAttribute(b, "time", e.Time())
	b = append(b, `,"datacontenttype":"application/json","dataschema":`...)
	b = AppendJSONString(b, e.Kind.DataSchema())
	b = appendAttribute(b, "farm", e.Farm)
	b = appendAttribute(b, "entity", string(e.Entity))
	b = append(b, `,"revision":`...)
	b = appendInt(b, e.Revision)
	b = appendAttribute(b, "change", string(e.Change))
	b = appendAttribute(b, "visit", e.Visit)
	if !e.Recorded.IsZero() {
		b = appendAttribute(b, "recordedtime", FormatTime(e.Recorded))
	}
	b = append(b, `,"data":`...)
	b = append(b, e.Data...)
	return append(b, '}')
}

// SourceURI returns the CloudEvents source: a relative reference that names
// farm and source, or the farm alone for a decision.
func (e *Event) SourceURI() string {
	if e.Source == "" {
		return "/farms/" + e.Farm + "/decisions"
	}
	return "/farms/" + e.Farm + "/sources/" + e.Source
}

// FormatTime writes t as every timestamp of ours is written: RFC 3339, UTC,
// to the millisecond, trailing zeros left out.
func FormatTime(t time.Time) string {
	return t.UTC().Truncate(time.Millisecond).Format("2006-01-02T15:04:05.999Z07:00")
}

func appendAttribute(b []byte, name, value string) []byte {
	if value == "" {
		return b
	}
	b = append(b, `,"`...)
	b = append(b, name...)
	b = append(b, `":`...)
	return AppendJSONString(b, value)
}
