package ade

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A phrase joins what there is to say; what is empty is left out.
type phrase []string

func (p *phrase) add(before, s, after string) {
	if s != "" {
		*p = append(*p, before+s+after)
	}
}

func (p phrase) String() string { return strings.Join(p, "; ") }

// name returns the name of a code in a list; the code itself if it has none.
func name(list, code string) string {
	if e := codes.Find(list).Entry(code); e != nil {
		return e.Name
	}
	return code
}

// lesion writes one diagnosis. The grade of a scale in words is a severity of
// ADE; that of any other scale a score, whose scale the description names.
func (w *Writer) lesion(r *resource, p *events.Lesion) {
	r.ResourceType = Diagnosis
	d := diagnosis{
		ID: r.ID, Name: name("lesions", p.Code), Code: &Identifier{ID: p.Code, Scheme: ourScheme("lesions")},
		Positions: w.positions(p.Foot, p.Claw),
	}
	d.Site = site(p.Foot, p.Claw, p.Zones, p.Site)
	var about phrase
	about.add("", p.Description, "")
	about.add("stage ", p.Stage, " of digital dermatitis")
	if p.DDAssociated {
		about.add("", "associated with digital dermatitis", "")
	}
	if s := p.Severity; s.Value != "" {
		about.add("severity ", s.Value, " on the scale "+s.Scale)
		if d.Severity = severityOf[s]; d.Severity == "" {
			if n, err := events.ParseDecimal(s.Value); err == nil {
				d.SeverityScore = json.Number(n.String())
			}
		}
	}
	about.add("", p.Course, "")
	if p.SizeMM.IsSet() {
		about.add("", p.SizeMM.String(), " mm")
	}
	for _, s := range p.Signs {
		about.add("", strings.TrimSpace(name("signs", s.Sign)+" "+s.Detail), "")
	}
	d.Description = about.String()
	r.Diagnoses = []diagnosis{d}
}

// severityOf is ADE's severity for grades that are words. What a number means
// differs between scales, so numbers are not put into words.
var severityOf = map[events.Severity]string{
	{Scale: "words-2", Value: "mild"}:     "Light",
	{Scale: "words-2", Value: "severe"}:   "Severe",
	{Scale: "words-3", Value: "mild"}:     "Light",
	{Scale: "words-3", Value: "moderate"}: "Moderate",
	{Scale: "words-3", Value: "severe"}:   "Severe",
}

// Values of procedure. FootTrimming and FootBathing are those of the common
// procedures proposed for ADE (adewg/ICAR pull request 646); the member takes
// free text.
const (
	footTrimming = "FootTrimming"
	footBathing  = "FootBathing"
)

func wasTrimmed(f events.FootExam) bool {
	return f.Trimmed == "preventive" || f.Trimmed == "corrective"
}

// examination writes the trimming of an examination. That nothing was found is
// said, too: there is no diagnosis then to say anything.
func (w *Writer) examination(r *resource, p *events.Examination) {
	r.ResourceType, r.Procedure = Treatment, footTrimming
	var about phrase
	for _, f := range p.Feet {
		if wasTrimmed(f) {
			r.Positions = append(r.Positions, w.positions(f.Foot, "")...)
			about.add(f.Foot+" ", f.Trimmed, "")
		}
	}
	about.add("", name("outcomes", p.Outcome), "")
	for _, s := range p.Reasons {
		if s != "not-stated" {
			about.add("reason: ", name("reasons", s), "")
		}
	}
	r.Comment = about.String()
}

// treatment writes what was done. Medicines stand as entered: no value is
// supplied, and what is unknown of a withdrawal is said in words.
func (w *Writer) treatment(r *resource, farm string, p *events.Treatment) error {
	r.ResourceType, r.Procedure = Treatment, done("treatments", p.What, &p.Common)
	r.Positions, r.Site = w.positions(p.Foot, p.Claw), site(p.Foot, p.Claw, events.Zones{}, "")
	var about phrase
	about.add("", p.Device.Material, "")
	if p.Device.HeightMM.IsSet() {
		about.add("", p.Device.HeightMM.String(), " mm")
	}
	about.add("", p.Device.Purpose, "")
	about.add("planned off ", p.PlannedOff, "")
	m := &p.Medicine
	if m.Name != "" {
		r.Medicine = &medicine{Identifier: Identifier{m.Name, ourScheme("medicine-as-entered")}, Family: "Veterinary Supplies", Name: m.Name}
	}
	if m.Batch != "" {
		r.Batches = []batch{{m.Batch}}
	}
	if m.Route != "" {
		r.Procedure = m.Route // ADE: the application method of a medicine
	}
	about.add("quantity ", m.Quantity, "")
	about.add("days: ", m.Days, "")
	about.add("ordered by ", m.OrderedBy, "")
	for _, x := range []struct {
		product string
		of      events.Withdrawal
	}{{"Milk", m.Milk}, {"Meat", m.Meat}} {
		switch x.of.State {
		case "until":
			end, err := w.until(farm, x.of.Until)
			if err != nil {
				return err
			}
			r.Withdrawals = append(r.Withdrawals, withdrawal{x.product, end})
		case "zero":
			about.add("withdrawal for "+strings.ToLower(x.product)+": ", "recorded as none", "")
		default:
			if *m != (events.Medicine{}) || p.What == "medicine" {
				what := map[string]string{"": "not stated", "unknown": "recorded as unknown"}[x.of.State]
				about.add("withdrawal for "+strings.ToLower(x.product)+": ", what, ", withhold and ask the vet")
			}
		}
	}
	r.Comment = about.String()
	return nil
}

// done names what was done; what the list has no code for by the source's word.
func done(list, code string, c *events.Common) string {
	if word := c.Words.Get("what"); code == "other" && word != "" {
		return word
	}
	return name(list, code)
}

// group writes what was done to a group. Its animals are not known one by one, so
// they are a class of the inventory of ADE: so and so many of a pen. The product
// is not called a medicine, which the source does not say.
func (w *Writer) group(r *resource, p *events.Group) {
	r.ResourceType, r.Procedure = GroupTreatment, done("group-works", p.What, &p.Common)
	if p.What == "footbath" {
		r.Procedure = footBathing
	}
	of := "animals that passed"
	if len(p.Pens) > 0 {
		of = strings.Join(p.Pens, ", ")
	}
	r.GroupMethod, r.CountObserved = "InventoryClassification", p.Passed
	r.InventoryClassification = &inventory{Name: of, Count: p.Passed, Species: "Cattle"}
	var about phrase
	about.add("", r.Remark, "")
	about.add("", p.Product, "")
	about.add("", p.Concentration, "")
	r.Remark = about.String()
}

// until writes the end of a withdrawal. A day without a time lasts to its end in
// the farm's zone: the more careful reading.
func (w *Writer) until(farm, s string) (string, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return events.FormatTime(t), nil
	}
	return w.dayAt(farm, s, 24*time.Hour-time.Second)
}

func (w *Writer) takenOff(r *resource, p *events.TakenOff) {
	r.ResourceType, r.Procedure = Treatment, name("devices", p.What)+" taken off"
	r.Positions, r.Site = w.positions(p.Foot, p.Claw), site(p.Foot, p.Claw, events.Zones{}, "")
}

// locomotion writes an alert of a lame animal. The score is told in words, never
// as a conformation score of ADE, which runs the other way, and never as the
// score of a device, whose meaning a device defines.
func (w *Writer) locomotion(r *resource, p *events.Locomotion) {
	r.ResourceType, r.Category, r.Causes, r.Priority = Attention, "Health", []string{"Lameness"}, "Normal"
	if p.Derived.SevereNative == "yes" || p.Derived.Severe == "yes" {
		r.Priority = "Urgent"
	}
	if p.Derived.SevereNative == "yes" {
		r.Severity = "Severe"
	}
	var about phrase
	about.add("", r.Remark, "")
	if p.Score.IsSet() {
		about.add("locomotion score ", p.Score.String(), " on the scale "+p.Scale)
	}
	about.add("limb ", p.Limb, "")
	r.Remark = about.String()
}

// site says in words where on the foot something is.
func site(foot, claw string, z events.Zones, above string) string {
	var out phrase
	switch claw {
	case "", "unknown":
		out.add("", foot, "")
	case "none":
		out.add(foot+" ", "skin of the foot", "")
	default:
		out.add(foot+" ", name("claws", claw), "")
	}
	for _, n := range z.Numbers {
		out.add("zone ", strconv.Itoa(n), fmt.Sprintf(" of the map %s", z.Map))
	}
	out.add("", above, "")
	return out.String()
}

// Names of legs in positions of ADE.
var legs = map[string]string{"LF": "FrontLeft", "RF": "FrontRight", "LH": "RearLeft", "RH": "RearRight"}

// positions returns where on the animal it is: the leg, or the toe if that is
// wanted and known. Toes are an addition of 2026 (adewg/ICAR pull request 593).
func (w *Writer) positions(foot, claw string) []position {
	leg := legs[foot]
	switch {
	case leg == "":
		return nil
	case w.o.Toes && claw == "inner":
		return []position{{"InnerToe" + leg}}
	case w.o.Toes && claw == "outer":
		return []position{{"OuterToe" + leg}}
	}
	return []position{{"Legs" + leg}}
}
