package main

import (
	"encoding/csv"
	"fmt"
	"io"
	"strings"
	"time"

	"dewclaw/events/worklist"
)

// mostHeldShown is how many urgent held records a printed list names.
const mostHeldShown = 12

// tierTitles are the tiers as lists head them.
var tierTitles = map[worklist.Tier]string{
	worklist.Now: "Now", worklist.Today: "Today", worklist.ThisVisit: "This visit", worklist.Planned: "Planned",
	worklist.Routine: "Routine", worklist.NotNow: "Not now: a guard stops routine trimming",
}

// minute writes a moment for people; a day stays a day.
func minute(s string) string {
	if t, err := time.Parse(time.RFC3339Nano, s); err == nil {
		return t.Format("2006-01-02 15:04")
	}
	return s
}

// opening returns what a list opens with, a sentence each.
func opening(u *worklist.Unseen) []string {
	var out []string
	add := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	switch {
	case u.Held > 0 && u.Urgent > 0:
		add("%s: each may hide a wrap, a block, a medicine or a severely lame cow; %s urgent.", plural(u.Held, "held record", "held records"), plural(u.Urgent, "looks", "look"))
	case u.Held > 0:
		add("%s: each may hide a wrap, a block, a medicine or a severely lame cow.", plural(u.Held, "held record", "held records"))
	default:
		add("No held records.")
	}
	for _, m := range u.Maybe {
		s := "a held record of source " + m.Source + " whose farm cannot be read may be of this farm"
		if m.Held > 1 {
			s = fmt.Sprintf("%d held records of source %s whose farm cannot be read may be of this farm", m.Held, m.Source)
		}
		if m.Urgent > 0 {
			s += fmt.Sprintf("; %d may hide something that cannot wait", m.Urgent)
		}
		add("Of these: %s.", s)
	}
	if u.Incomplete > 0 {
		add("%s with an examination of which rows are held: incomplete, not healthy.", plural(u.Incomplete, "animal", "animals"))
	}
	if u.Unmatched > 0 {
		add("%s that no roster explains.", plural(u.Unmatched, "animal", "animals"))
	}
	if n := len(u.Conflicts); n > 0 {
		add("%s, left out of figures until a person decides.", plural(n, "contradiction", "contradictions"))
	}
	if u.Waiting > 0 {
		add("%s for a person: a source no longer tells of them.", plural(u.Waiting, "fact waits", "facts wait"))
	}
	if u.Roster == "" {
		add("No roster.")
	} else {
		add("Newest statement of the roster: %s%s.", u.Roster, rosterAge(u.RosterAge))
	}
	return out
}

func rosterAge(days int) string {
	if days <= 0 {
		return "" // of the day of the list, or younger
	}
	return ", " + plural(days, "day", "days") + " old"
}

// heldWords tells of a held record in one line.
func heldWords(h worklist.Held) string {
	var w words
	w.add(h.ID)
	w.pair("animal as read", h.Animal)
	w.add(h.Day)
	w.pair("foot", h.Foot)
	if h.Words != "" {
		w = append(w, fmt.Sprintf("%q", h.Words))
	}
	w.pair("may hide:", h.Urgent)
	return strings.Join(w, " ")
}

func listText(a *app, l *worklist.List) error {
	a.printf("%s: what is due on %s, for %s\n", safe(l.Name), l.Day, forWhom(l.For))
	next := l.NextVisit
	if l.Assumed {
		next += " (assumed; say with --next)"
	}
	a.printf("made %s, counts to %s, valid until %s, log position %d, next visit %s\n\n",
		minute(l.Made), minute(l.At), minute(l.ValidUntil), l.Position, next)
	textOpening(a, &l.Unseen, l.Cannot)
	if len(l.Rows) == 0 {
		a.printf("%s\n\n", nothing(l))
	}
	tier := worklist.Tier("")
	for i := range l.Rows {
		r := &l.Rows[i]
		if l.Order != "chute" && r.Tier != tier {
			tier = r.Tier
			a.printf("%s\n", strings.ToUpper(tierTitles[tier]))
		}
		textRow(a, l, r)
	}
	if k := l.Capacity; k != nil {
		for _, s := range capacityWords(k) {
			textLines(a, "", s)
		}
		a.printf("\n")
	}
	for _, s := range l.Cautions {
		textLines(a, "- ", s)
	}
	return nil
}

// nothing says what an empty list means.
func nothing(l *worklist.List) string {
	if len(l.Cannot) > 0 || l.Unseen.Held > 0 {
		return "No row, and that does not mean that nothing is due: see above what cannot be worked out."
	}
	return "Nothing is due by what was recorded."
}

func forWhom(r worklist.Reader) string {
	if r == worklist.Everyone {
		return "everyone"
	}
	return "the " + string(r)
}

func textOpening(a *app, u *worklist.Unseen, cannot []worklist.Cannot) {
	a.printf("What this list cannot see:\n")
	for _, s := range opening(u) {
		textLines(a, "  ", s)
		switch {
		case strings.HasSuffix(s, " urgent."):
			for _, h := range u.First[:min(len(u.First), mostHeldShown)] {
				textLines(a, "    ", heldWords(h))
			}
			if n := len(u.First) - mostHeldShown; n > 0 {
				a.printf("    and %d more: %s\n", n, a.hint("held list"))
			}
		case strings.HasSuffix(s, " decides."):
			for _, c := range u.Conflicts[:min(len(u.Conflicts), mostHeldShown)] {
				textLines(a, "    ", c.Text)
			}
			if n := len(u.Conflicts) - mostHeldShown; n > 0 {
				a.printf("    and %d more\n", n)
			}
		}
	}
	if len(cannot) > 0 {
		a.printf("Cannot be worked out:\n")
	}
	for _, c := range cannot {
		textLines(a, "  ", c.Text)
	}
	a.printf("\n")
}

// textLines prints text from outside, broken where it is too wide.
func textLines(a *app, indent, s string) {
	for i, part := range fold(safe(s), lineWidth-len(indent)-2) {
		if i > 0 {
			part = strings.Repeat(" ", len(indent)+2) + part
		} else {
			part = indent + part
		}
		a.printf("%s\n", part)
	}
}

func textRow(a *app, l *worklist.List, r *worklist.Row) {
	head := "[ ] " + r.Cow
	if r.Second != "" {
		head += "  (" + r.Second + ")"
	}
	if r.Pen != "" {
		head += "  pen " + r.Pen
	}
	if l.Order == "chute" {
		head += "  " + string(r.Tier)
	}
	if r.Closes != "" {
		head += "  by " + minute(r.Closes)
	}
	switch {
	case r.Slot > 0:
		head += fmt.Sprintf("  place %d", r.Slot)
	case r.Beyond:
		head += "  no place left"
	}
	textLines(a, "", head)
	for _, s := range rowLines(r) {
		textLines(a, "      ", s)
	}
	a.printf("\n")
}

// rowLines returns what a row says below its name.
func rowLines(r *worklist.Row) (out []string) {
	for _, x := range r.Reasons {
		out = append(out, x.Text)
	}
	for _, g := range r.Guards {
		out = append(out, "! "+g.Text)
	}
	for _, o := range r.On {
		out = append(out, "on: "+o.Text)
		out = append(out, o.Before...)
	}
	for _, w := range r.Withheld {
		out = append(out, fmt.Sprintf("withheld: %s, given %s: milk %s; meat %s", w.Medicine, minute(w.Given), w.Milk, w.Meat))
		out = append(out, w.Before...)
	}
	if len(r.Findings) > 0 {
		var all []string
		for _, f := range r.Findings {
			all = append(all, findingWords(f))
		}
		out = append(out, "last: "+strings.Join(all, "; "))
	}
	return append(out, r.Notes...)
}

func findingWords(f worklist.Finding) string {
	return strings.Join(strings.Fields(f.Foot+" "+claw(f.Claw)+" "+f.Text), " ") + ", " + f.Day + ", " + f.State
}

func capacityWords(k *worklist.Capacity) []string {
	out := []string{fmt.Sprintf("Places on the chute: %d; wanted: %d.", k.Slots, k.Wanted)}
	if k.Over > 0 {
		out = append(out, fmt.Sprintf("Now and today alone go over it by %d: they are not left out.", k.Over))
	}
	if k.Beyond > 0 {
		out = append(out, fmt.Sprintf("No place for %s; %d of them miss a window before the next visit.", plural(k.Beyond, "animal", "animals"), len(k.Misses)))
	}
	for _, m := range k.Misses {
		out = append(out, "  misses it: "+m)
	}
	return out
}

// listCSV writes a list as CSV (RFC 4180): what cannot be seen stands in rows of
// its own before the animals.
func listCSV(w io.Writer, l *worklist.List) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	rows := [][]string{{"tier", "cow", "second", "animal", "pen", "closes", "codes", "reasons", "guards", "on", "withheld", "last findings", "notes", "place"}}
	first := func(kind, text string) {
		row := make([]string, len(rows[0]))
		row[0], row[7] = kind, text
		rows = append(rows, row)
	}
	first("list", fmt.Sprintf("%s, %s, for %s, made %s, counts to %s, valid until %s, log position %d", l.Name, l.Day, l.For, l.Made, l.At, l.ValidUntil, l.Position))
	for _, s := range opening(&l.Unseen) {
		first("not seen", s)
	}
	for _, h := range l.Unseen.First {
		first("not seen", heldWords(h))
	}
	for _, c := range l.Unseen.Conflicts {
		first("not seen", c.Text)
	}
	for _, c := range l.Cannot {
		first("cannot", c.Text)
	}
	for i := range l.Rows {
		rows = append(rows, csvRow(&l.Rows[i]))
	}
	for _, s := range l.Cautions {
		first("caution", s)
	}
	if err := out.WriteAll(rows); err != nil {
		return err
	}
	return out.Error()
}

func csvRow(r *worklist.Row) []string {
	var codes, reasons, guards, on, held, last []string
	for _, x := range r.Reasons {
		codes, reasons = append(codes, x.Code), append(reasons, x.Text)
	}
	for _, g := range r.Guards {
		guards = append(guards, g.Text)
	}
	for _, o := range r.On {
		on = append(append(on, o.Text), o.Before...)
	}
	for _, w := range r.Withheld {
		held = append(append(held, fmt.Sprintf("%s given %s: milk %s, meat %s", w.Medicine, w.Given, w.Milk, w.Meat)), w.Before...)
	}
	for _, f := range r.Findings {
		last = append(last, findingWords(f))
	}
	place := ""
	switch {
	case r.Slot > 0:
		place = fmt.Sprint(r.Slot)
	case r.Beyond:
		place = "none left"
	}
	j := func(list []string) string { return strings.Join(list, " | ") }
	return []string{string(r.Tier), r.Cow, r.Second, r.Animal, r.Pen, r.Closes, j(codes), j(reasons), j(guards), j(on), j(held), j(last), j(r.Notes), place}
}
