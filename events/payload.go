package events

import (
	"encoding/json"
	"fmt"
)

// A Payload is what an event says. Each kind has one type; all of them embed
// [Common]. Codes stand in the neutral lists published under schema/codes;
// an empty text, a nil slice and an unset [Decimal] mean "not stated".
type Payload interface {
	// Kind returns the kind the payload belongs to.
	Kind() Kind
	// Base returns the part that every kind has; never nil.
	Base() *Common

	appendCounted(*encoder)      // members that count for the digest, in order
	appendPseudonyms(*encoder)   // observer, operators, who
	slotParts([]string) []string // what tells it from its neighbours in a record
}

// New returns an empty payload of kind k, or nil for an unknown kind.
func (k Kind) New() Payload {
	switch k {
	case KindVisit:
		return new(Visit)
	case KindExamination:
		return new(Examination)
	case KindLesion:
		return new(Lesion)
	case KindTreatment:
		return new(Treatment)
	case KindTakenOff:
		return new(TakenOff)
	case KindCheck:
		return new(Check)
	case KindLocomotion:
		return new(Locomotion)
	case KindClawMeasure:
		return new(ClawMeasure)
	case KindClaw:
		return new(Claw)
	case KindOrder:
		return new(Order)
	case KindGroup:
		return new(Group)
	case KindAnimal:
		return new(Animal)
	case KindDecision:
		return new(Decision)
	}
	return nil
}

// DecodePayload decodes the data of an event of kind k. Errors are of kind [ErrCorrupt].
func DecodePayload(k Kind, data []byte) (Payload, error) {
	p := k.New()
	if p == nil {
		return nil, fmt.Errorf("decode payload: unknown kind %q: %w", k, ErrCorrupt)
	}
	if err := json.Unmarshal(data, p); err != nil {
		return nil, fmt.Errorf("decode %s: %w: %w", k, err, ErrCorrupt)
	}
	return p, nil
}

// Common is the part of a payload that every kind has.
type Common struct {
	Animal      []Identifier `json:"animal,omitempty"`      // as given, the key identifier first; none for visit and group
	AsGiven     AsGiven      `json:"asGiven,omitzero"`      // what the device wrote of the animal's place and stage
	Examination Entity       `json:"examination,omitempty"` // the examination it belongs to
	Occurred    Occurred     `json:"occurred,omitzero"`     // absent on an undated roster statement
	Remarks     []Remark     `json:"remarks,omitempty"`     // free text of the source, on the examination if there is one
	Role        string       `json:"role,omitempty"`        // code list roles: who wrote it down

	// What does not count for the digest.
	Derived Derived `json:"derived,omitzero"`
	Notes   []Note  `json:"notes,omitempty"` // advisories
	Origin  Origin  `json:"origin,omitzero"`
	Words   Words   `json:"words,omitempty"` // the source's own words for coded and converted fields, by field name
}

// Base returns c itself.
func (c *Common) Base() *Common { return c }

// An Identifier names an animal in one scheme (code list schemes). Value is as
// given, spaces at both ends removed.
type Identifier struct {
	Scheme string `json:"scheme"`
	Value  string `json:"value"`
	From   string `json:"from,omitempty"` // first day it holds, YYYY-MM-DD; roster only
	To     string `json:"to,omitempty"`   // first day it no longer holds; roster only
}

// AsGiven is what a device wrote about the animal beside its identifiers,
// unchecked and unconverted.
type AsGiven struct {
	DaysInMilk string `json:"daysInMilk,omitempty"`
	Parity     string `json:"parity,omitempty"`
	Pen        string `json:"pen,omitempty"`
}

// A Remark is free text of the source with the foot and claw of its row.
type Remark struct {
	Claw string `json:"claw,omitempty"`
	Foot string `json:"foot,omitempty"`
	Text string `json:"text"`
}

// Occurred is when a fact occurred, as far as it is known. A fact of which only
// the day is known has no Time, no Zone and no Offset: it is never midnight.
type Occurred struct {
	Date      string `json:"date"`             // local day, YYYY-MM-DD
	Offset    string `json:"offset,omitempty"` // offset from UTC at that moment: +01:00, Z for +00:00 is not used
	Precision string `json:"precision"`        // date, minute, second or ms
	Time      string `json:"time,omitempty"`   // local: HH:MM, HH:MM:SS or HH:MM:SS.mmm by precision
	Zone      string `json:"zone,omitempty"`   // IANA name
}

// RFC3339 returns the moment in local time with offset, or "" if no time of
// day is known.
func (o Occurred) RFC3339() string {
	if o.Time == "" || o.Offset == "" {
		return ""
	}
	t := o.Time
	if len(t) == 5 {
		t += ":00"
	}
	return o.Date + "T" + t + o.Offset
}

// Derived is what our rules make of the payload. It can be worked out again at
// any time and never counts as content. Rules is the version of the rules.
type Derived struct {
	Animal       []Identifier `json:"animal,omitempty"`       // normalized form of the identifiers whose given form differs
	DueOff       string       `json:"dueOff,omitempty"`       // wrap: when it is due off; RFC 3339 with local offset, or a day
	Gait         []int        `json:"gait,omitempty"`         // lowest and highest gait grade, 0 to 6
	Lame         string       `json:"lame,omitempty"`         // yes or no, by the scale's own cut, or by the declared one if it has none
	LateFrom     string       `json:"lateFrom,omitempty"`     // wrap: from when it is late; as DueOff
	Rules        string       `json:"rules,omitempty"`        // version of the rules
	Severe       string       `json:"severe,omitempty"`       // yes, no or undetermined, by gait grade
	SevereNative string       `json:"severeNative,omitempty"` // yes or no, by the scale's own cut, or by the declared one if it has none
}

// A Note is an advisory: a value that should make somebody look. Code is from
// the code list advisories; Detail gives the values it judged.
type Note struct {
	Code   string `json:"code"`
	Detail string `json:"detail,omitempty"`
}

// Origin leads an event back to what it was read from. In the stored form the
// archive is left out where it is the entry's.
type Origin struct {
	Archive  string `json:"archive,omitempty"`  // SHA-256 of the original, in hex
	LastLine int    `json:"lastLine,omitempty"` // if the record has several lines
	Line     int    `json:"line,omitempty"`     // from 1, titles and header counted
	Member   string `json:"member,omitempty"`   // file inside a zip
	Message  string `json:"message,omitempty"`  // transport identity of a message
	Path     string `json:"path,omitempty"`     // normalized JSONPath (RFC 9535) of the element
}

// A Word is the source's own word for one field.
type Word struct{ Field, Text string }

// Words are the source's own words, in the order the mapping has the fields;
// in JSON an object. Fields whose word is the neutral code itself are left out.
type Words []Word

// Get returns the word for field, or "".
func (w Words) Get(field string) string {
	for _, x := range w {
		if x.Field == field {
			return x.Text
		}
	}
	return ""
}

// MarshalJSON writes an object.
func (w Words) MarshalJSON() ([]byte, error) { return appendWords(nil, w), nil }

// UnmarshalJSON reads an object; the order is kept.
func (w *Words) UnmarshalJSON(b []byte) error {
	*w = nil
	return eachMember(b, func(name string, value json.RawMessage) error {
		var s string
		if err := json.Unmarshal(value, &s); err != nil {
			return err
		}
		*w = append(*w, Word{name, s})
		return nil
	})
}

// Visit is work on a farm. Numbers are animals.
type Visit struct {
	Common
	Begin      string   `json:"begin,omitempty"`      // RFC 3339
	Booked     *int     `json:"booked,omitempty"`     // animals booked for the visit
	Chosen     string   `json:"chosen,omitempty"`     // how the animals were chosen, in words
	Device     string   `json:"device,omitempty"`     // device that wrote it, in its own words
	Eligible   *int     `json:"eligible,omitempty"`   // animals that could have been shown
	End        string   `json:"end,omitempty"`        // RFC 3339
	EndedEarly string   `json:"endedEarly,omitempty"` // why it ended early; "" if it did not
	Floor      string   `json:"floor,omitempty"`      // floor the animals were scored on
	Operators  []string `json:"operators,omitempty"`  // pseudonyms
	Pens       []string `json:"pens,omitempty"`
	Purpose    string   `json:"purpose,omitempty"` // code list purposes
	Shown      *int     `json:"shown,omitempty"`   // animals shown
}

// Kind returns [KindVisit].
func (*Visit) Kind() Kind { return KindVisit }

// Examination is one animal on the chute.
type Examination struct {
	Common
	Feet      []FootExam `json:"feet,omitempty"`      // in the order LF RF LH RH; of a foot that is not listed nothing is known
	NotDone   string     `json:"notDone,omitempty"`   // why, if outcome is not-done: code list not-done
	Outcome   string     `json:"outcome,omitempty"`   // code list outcomes
	Pass      int        `json:"pass,omitempty"`      // second and later pass of one day: 2, 3, ...
	Reasons   []string   `json:"reasons,omitempty"`   // code list reasons
	Restraint string     `json:"restraint,omitempty"` // code list restraints
}

// Kind returns [KindExamination].
func (*Examination) Kind() Kind { return KindExamination }

// A FootExam says what became of one foot.
type FootExam struct {
	Examined string `json:"examined"`          // yes, no or unknown
	Foot     string `json:"foot"`              // LF RF LH RH
	Result   string `json:"result,omitempty"`  // clear, findings or unknown
	Trimmed  string `json:"trimmed,omitempty"` // none, preventive, corrective or unknown
}

// Lesion is one finding.
type Lesion struct {
	Common
	Claw         string   `json:"claw,omitempty"`         // code list claws
	Code         string   `json:"code,omitempty"`         // code list lesions
	Course       string   `json:"course,omitempty"`       // new, better, same, worse, healed
	DDAssociated bool     `json:"ddAssociated,omitempty"` // horn lesion infected by digital dermatitis (atlas, appendix 2)
	Description  string   `json:"description,omitempty"`  // the words of a finding outside the atlas (code OTHER)
	Foot         string   `json:"foot,omitempty"`         // LF RF LH RH
	Severity     Severity `json:"severity,omitzero"`
	Signs        []Sign   `json:"signs,omitempty"`
	Site         string   `json:"site,omitempty"`  // when above the claw
	SizeMM       Decimal  `json:"sizeMM,omitzero"` // longest extent
	Stage        string   `json:"stage,omitempty"` // stage of digital dermatitis as text: M0 to M4, M4.1
	Zones        Zones    `json:"zones,omitzero"`  // where on the claw
}

// Kind returns [KindLesion].
func (*Lesion) Kind() Kind { return KindLesion }

// Severity is a grade with the name of its scale; grades of different scales
// are never compared.
type Severity struct {
	Scale string `json:"scale,omitempty"` // code list severity-scales
	Value string `json:"value,omitempty"`
}

// A Sign is one sign at a lesion (code list signs), with its extent in words.
type Sign struct {
	Detail string `json:"detail,omitempty"`
	Sign   string `json:"sign"`
}

// Zones are claw zones with the name of the map that numbers them.
type Zones struct {
	Map     string `json:"map,omitempty"` // code list zone-maps
	Numbers []int  `json:"numbers,omitempty"`
}

// IsZero reports whether no zone is stated.
func (z Zones) IsZero() bool { return len(z.Numbers) == 0 }

// Treatment is something that was done.
type Treatment struct {
	Common
	Claw       string   `json:"claw,omitempty"`
	Device     Device   `json:"device,omitzero"` // the block or wrap
	Foot       string   `json:"foot,omitempty"`
	For        Entity   `json:"for,omitempty"` // the lesion it is for, where the source says so
	Medicine   Medicine `json:"medicine,omitzero"`
	PlannedOff string   `json:"plannedOff,omitempty"` // day or RFC 3339 as planned by the source
	What       string   `json:"what,omitempty"`       // code list treatments
}

// Kind returns [KindTreatment].
func (*Treatment) Kind() Kind { return KindTreatment }

// A Device is what was put on a claw, in the source's words.
type Device struct {
	HeightMM Decimal `json:"heightMM,omitzero"`
	Material string  `json:"material,omitempty"`
	Purpose  string  `json:"purpose,omitempty"`
}

// Medicine is kept as entered. No value is ever supplied by us: who needs a
// withdrawal time that is not stated asks the vet.
type Medicine struct {
	Batch     string     `json:"batch,omitempty"`
	Days      string     `json:"days,omitempty"`
	Meat      Withdrawal `json:"meat,omitzero"`
	Milk      Withdrawal `json:"milk,omitzero"`
	Name      string     `json:"name,omitempty"`
	OrderedBy string     `json:"orderedBy,omitempty"` // role
	Quantity  string     `json:"quantity,omitempty"`
	Route     string     `json:"route,omitempty"`
}

// Withdrawal is a withdrawal time as recorded: state until with its end, zero,
// unknown, or absent when not stated.
type Withdrawal struct {
	State string `json:"state,omitempty"` // until, zero or unknown
	Until string `json:"until,omitempty"` // day or RFC 3339
}

// TakenOff says that a block or wrap came off.
type TakenOff struct {
	Common
	Claw  string `json:"claw,omitempty"`
	Foot  string `json:"foot,omitempty"`
	How   string `json:"how,omitempty"`   // taken-off or found-gone
	Since string `json:"since,omitempty"` // if found gone: since when, a day
	What  string `json:"what,omitempty"`  // block or wrap
}

// Kind returns [KindTakenOff].
func (*TakenOff) Kind() Kind { return KindTakenOff }

// Locomotion is a score a person or device gave. Score is the raw value on its
// scale and is kept for ever; gait interval, lame and severe are derived.
type Locomotion struct {
	Common
	BlockOn     string  `json:"blockOn,omitempty"`     // yes, no or unknown
	Cuts        Cuts    `json:"cuts,omitzero"`         // declared by the sender, where the scale has none in print
	Limb        string  `json:"limb,omitempty"`        // the limb that is spared, if named
	NotScorable string  `json:"notScorable,omitempty"` // why no score could be given
	Observer    string  `json:"observer,omitempty"`    // pseudonym
	Scale       string  `json:"scale,omitempty"`       // code list locomotion
	Score       Decimal `json:"score,omitzero"`
	WrapOn      string  `json:"wrapOn,omitempty"` // yes, no or unknown
}

// Kind returns [KindLocomotion].
func (*Locomotion) Kind() Kind { return KindLocomotion }

// Cuts say from which score on the sender calls an animal lame and severely
// lame. They are part of what was said: the same figure with another cut is
// another statement.
type Cuts struct {
	Lame   Decimal `json:"lame,omitzero"`
	Severe Decimal `json:"severe,omitzero"`
}

// ClawMeasure is one measured value of one claw, in the neutral unit. The raw
// value and unit stand in Words.
type ClawMeasure struct {
	Common
	Claw     string  `json:"claw,omitempty"`
	Foot     string  `json:"foot,omitempty"`
	Landmark string  `json:"landmark,omitempty"` // code list landmarks
	Method   string  `json:"method,omitempty"`   // in words
	Unit     string  `json:"unit,omitempty"`     // mm or deg (UCUM)
	Value    Decimal `json:"value,omitzero"`
	What     string  `json:"what,omitempty"` // code list measures
	When     string  `json:"when,omitempty"` // before or after trimming
}

// Kind returns [KindClawMeasure].
func (*ClawMeasure) Kind() Kind { return KindClawMeasure }

// Animal is a statement of a roster about one animal. Dates are YYYY-MM-DD.
type Animal struct {
	Common
	Born            string   `json:"born,omitempty"`
	Breed           string   `json:"breed,omitempty"`
	Calvings        []string `json:"calvings,omitempty"`
	DriedOff        string   `json:"driedOff,omitempty"`
	Entered         string   `json:"entered,omitempty"`
	ExpectedCalving string   `json:"expectedCalving,omitempty"`
	Left            string   `json:"left,omitempty"`
	LeftWhy         string   `json:"leftWhy,omitempty"` // in the source's words
	Parity          *int     `json:"parity,omitempty"`
	Pen             string   `json:"pen,omitempty"`
	PenFrom         string   `json:"penFrom,omitempty"`
	PlannedDryOff   string   `json:"plannedDryOff,omitempty"`
	Services        []string `json:"services,omitempty"`
	Sex             string   `json:"sex,omitempty"` // female, male or unknown
	Use             string   `json:"use,omitempty"`
}

// Kind returns [KindAnimal].
func (*Animal) Kind() Kind { return KindAnimal }

// Decision is what a person settled. What follows from it (amendments,
// retractions, events of a released record) stands behind it in the same entry.
type Decision struct {
	Common
	Action  string       `json:"action,omitempty"`  // code list decisions
	Held    string       `json:"held,omitempty"`    // the held record it settles
	Other   []Identifier `json:"other,omitempty"`   // the animal it is or is not the same as
	Set     []Assignment `json:"set,omitempty"`     // what was changed, with the value before
	Targets []Entity     `json:"targets,omitempty"` // the entities it corrects
	Who     string       `json:"who,omitempty"`     // pseudonym
	Why     string       `json:"why,omitempty"`
}

// Kind returns [KindDecision].
func (*Decision) Kind() Kind { return KindDecision }

// An Assignment is one value a person changed. An empty To takes it away.
type Assignment struct {
	Field string `json:"field"`
	From  string `json:"from,omitempty"`
	To    string `json:"to,omitempty"`
}
