package config

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"dewclaw/events"
)

// A List is a worklist that is made every day and left in a folder of a recipient.
type List struct {
	ID        string
	Farm      string
	Recipient string
	For       string // trimmer, milkers, vet, manager or everyone
	Hour      int    // time of day in the zone of the farm
	Minute    int
	Chute     bool   // in the order of the chute, not of urgency
	Format    string // html, csv or json
	Paper     string // a4 or letter; for html
	Folder    string
}

// ListKinds are the kinds of events that a list tells of: what a grant must let
// its recipient have.
func ListKinds() []events.Kind {
	return []events.Kind{
		events.KindExamination, events.KindLesion, events.KindTreatment, events.KindTakenOff, events.KindCheck, events.KindLocomotion,
		events.KindClaw, events.KindOrder, events.KindAnimal,
	}
}

// ListFormats are the formats of a list, which its files end in.
var ListFormats = []string{"html", "csv", "json"}

// Part is how the daemon names it to people.
func (l *List) Part() string { return "list " + l.ID }

// Lack says which kinds no grant lets the recipient have on a day, YYYY-MM-DD in
// the zone of the farm; nil if none lacks. A list has all facts of its kinds with
// their animals: a grant of some days of facts, of pseudonyms or rates is not
// enough.
func (c *Config) Lack(l *List, day string) []events.Kind {
	return c.lack(l, func(g *Grant) bool { return g.InForce(day) })
}

func (c *Config) lack(l *List, also func(*Grant) bool) (out []events.Kind) {
	for _, k := range ListKinds() {
		if !slices.ContainsFunc(c.Grants, func(g Grant) bool {
			return g.Covers(l.Farm, l.Recipient, k) && g.Fields == Identities && g.Period == Period{} && also(&g)
		}) {
			out = append(out, k)
		}
	}
	return out
}

var listMembers = []member[List]{
	{"farm", true, func(r *reader, v value, l *List) { l.Farm = r.id(v) }},
	{"recipient", true, func(r *reader, v value, l *List) { l.Recipient = r.id(v) }},
	{"for", false, func(r *reader, v value, l *List) {
		l.For = r.choice(v, "trimmer", "milkers", "vet", "manager", "everyone")
	}},
	{"at", true, func(r *reader, v value, l *List) { l.Hour, l.Minute = r.clock(v) }},
	{"order", false, func(r *reader, v value, l *List) { l.Chute = r.choice(v, "urgency", "chute") == "chute" }},
	{"format", false, func(r *reader, v value, l *List) { l.Format = r.choice(v, ListFormats...) }},
	{"paper", false, func(r *reader, v value, l *List) { l.Paper = r.choice(v, "a4", "letter") }},
	{"folder", true, func(r *reader, v value, l *List) { l.Folder = r.path(v) }},
}

func (r *reader) list(id string, v value) List {
	l := List{ID: id, For: "trimmer", Format: "html", Paper: "a4"}
	object(r, v, listMembers, &l)
	return l
}

var clockForm = regexp.MustCompile(`^([01][0-9]|2[0-3]):([0-5][0-9])$`)

// clock reads a time of day.
func (r *reader) clock(v value) (hour, minute int) {
	s := r.text(v)
	if s == "" {
		return 0, 0
	}
	if !clockForm.MatchString(s) {
		r.wrong(v, `a time of day such as "05:30"`, quote(s))
		return 0, 0
	}
	_, _ = fmt.Sscanf(s, "%d:%d", &hour, &minute) // has the form
	return hour, minute
}

// checkList wants farm, recipient and a grant, and a folder that nothing reads.
func (r *reader) checkList(c *Config, l *List) {
	path := "lists." + l.ID
	r.checkFarm(c, path+".farm", l.Farm)
	r.checkRecipient(c, path+".recipient", l.Recipient)
	for i := range c.Sources {
		if s := &c.Sources[i]; s.Folder != "" && (s.Folder == l.Folder || s.Below && within(s.Folder, l.Folder)) {
			r.fault(path+".folder", "a folder that no source reads", quote(l.Folder)+", which source "+s.ID+" reads")
		}
	}
	if c.Farm(l.Farm) == nil || c.Recipient(l.Recipient) == nil {
		return // told already
	}
	if lack := c.lack(l, func(*Grant) bool { return true }); len(lack) > 0 {
		var kinds []string
		for _, k := range lack {
			kinds = append(kinds, string(k))
		}
		all := strings.Join(kinds, ", ")
		r.fault(path, fmt.Sprintf("a grant of farm %s that lets recipient %s have %s, with identities and of all days", l.Farm, l.Recipient, all), "none",
			"ask the farm; if it agrees, add under grants:",
			fmt.Sprintf("  - {farm: %s, recipient: %s, purpose: \"…\", kinds: [%s], fields: identities, from: YYYY-MM-DD}", l.Farm, l.Recipient, all))
	}
}
