package main

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/worklist"
)

// worklistVisitCommand prints the report of a visit.
type worklistVisitCommand struct {
	Farm   string `help:"The farm; may be left out where there is one."`
	Visit  string `placeholder:"ID" help:"The visit: id or entity of its event. Without it the report is of a day."`
	Date   string `type:"day" placeholder:"YYYY-MM-DD" help:"The day; default today, as the farm has it."`
	Next   string `type:"day" placeholder:"YYYY-MM-DD" help:"The next visit, to stand on the report."`
	Format string `enum:"table,csv,json,html" default:"table" help:"table, csv, json, or html: a page to print."`
	Paper  string `enum:"a4,letter" default:"a4" help:"Paper of the page: a4 or letter."`
}

// visitQuery is the input of the operation "visit".
type visitQuery struct{ Farm, Visit, Date, Next string }

func (c *worklistVisitCommand) Run(a *app) error {
	if c.Visit != "" && c.Date != "" {
		return refuse("worklist visit: wanted --visit or --date, got both", a.self+" worklist visit --help")
	}
	return items(a, "visit", visitQuery{c.Farm, c.Visit, c.Date, c.Next}, func(v worklist.Visit) error {
		switch c.Format {
		case "json":
			return a.line(v)
		case "csv":
			return visitCSV(a.stdout, &v)
		case "html":
			return visitPage(a.stdout, &v, c.Paper)
		}
		visitText(a, &v)
		return nil
	})
}

// visitReport is the operation "visit": the report of one visit or day.
func (e *engine) visitReport(ctx context.Context, q visitQuery, emit func(any) error) error {
	f, err := e.farmOf(q.Farm)
	if err != nil {
		return err
	}
	from, to := q.Date, q.Date
	entity := events.Entity("")
	if q.Visit != "" {
		if entity, from, to, err = e.visitDays(ctx, f.ID, q.Visit); err != nil {
			return err
		}
	}
	in, v, err := e.listView(ctx, f, to)
	if err != nil {
		return err
	}
	defer v.Close()
	if from == "" {
		from = in.Day
	}
	in.NextVisit = q.Next
	facts, err := v.Facts(ctx, herd.FactQuery{Farm: f.ID, From: from, To: in.Day})
	if err != nil {
		return err
	}
	if entity != "" {
		facts = slices.DeleteFunc(facts, func(x herd.Fact) bool { return x.Visit != entity })
	}
	return emit(worklist.Report(in, facts, entity, from))
}

// visitDays finds a visit by the id or entity of its event.
func (e *engine) visitDays(ctx context.Context, farm, id string) (entity events.Entity, from, to string, err error) {
	v, err := e.herdView(ctx)
	if err != nil {
		return "", "", "", err
	}
	defer v.Close()
	visits, err := v.Facts(ctx, herd.FactQuery{Farm: farm, Kinds: []events.Kind{events.KindVisit}})
	if err != nil {
		return "", "", "", err
	}
	name, _, _ := strings.Cut(id, ".")
	for i := range visits {
		x := &visits[i]
		if string(x.Entity) != name {
			continue
		}
		from, to = x.Day, x.Day
		p, _ := x.Payload.(*events.Visit)
		if p != nil && len(p.Begin) >= 10 {
			from = min(from, p.Begin[:10])
		}
		if p != nil && len(p.End) >= 10 {
			to = max(to, p.End[:10])
		}
		return x.Entity, from, to, nil
	}
	return "", "", "", &events.Fault{
		Kind: events.ErrNotFound, What: fmt.Sprintf("no visit %q on farm %s", id, farm),
		Hints: []string{"dewclaw events --kind visit --farm " + farm, "the report of a day: dewclaw worklist visit --date YYYY-MM-DD"},
	}
}

func visitDaysWords(v *worklist.Visit) string {
	if v.From == v.To {
		return v.To
	}
	return v.From + " to " + v.To
}

// visitSums tells what a visit came to.
func visitSums(v *worklist.Visit) string {
	c := v.Counts
	part := ""
	if c.Incomplete > 0 {
		part = fmt.Sprintf(", %d of which rows are held: not all is known", c.Incomplete)
	}
	return fmt.Sprintf("%s, %d of them examined (%s); %s, %d clear on what was examined%s; on: %s, %s; off: %d; not done: %d.",
		plural(c.Animals, "animal", "animals"), c.Examined, plural(c.Feet, "foot", "feet"), plural(c.Findings, "finding", "findings"), c.Clear, part,
		plural(c.Blocks, "block", "blocks"), plural(c.Wraps, "wrap", "wraps"), c.Off, len(v.NotDone))
}

// nothingVisited says that a day has no records, and which was the last that has.
func nothingVisited(v *worklist.Visit) string {
	s := "Nothing was recorded of this day."
	if v.Unseen.Held > 0 {
		s += " Records are held: that does not mean that nothing was done."
	}
	if v.Last != "" && v.Last < v.From {
		s += " The last day with records before it is " + v.Last + "."
	}
	return s
}

func nextWords(v *worklist.Visit) string {
	if v.NextVisit == "" {
		return "not told"
	}
	return v.NextVisit
}

// visitedLines returns what stands below the name of an animal.
func visitedLines(x *worklist.Visited) (out []string) {
	add := func(title string, list []string) {
		if len(list) > 0 {
			out = append(out, title+": "+strings.Join(list, "; "))
		}
	}
	add("because", x.Why)
	add("feet", x.Feet)
	add("found", x.Found)
	add("healed", x.Healed)
	add("done", x.Done)
	for _, o := range x.On {
		out = append(append(out, "on: "+o.Text), o.Before...)
	}
	for _, w := range x.Withheld {
		out = append(append(out, fmt.Sprintf("withheld: %s, given %s: milk %s; meat %s", w.Medicine, minute(w.Given), w.Milk, w.Meat)), w.Before...)
	}
	return append(out, x.Notes...)
}

func visitText(a *app, v *worklist.Visit) {
	a.printf("%s: visit of %s\n", safe(v.Name), visitDaysWords(v))
	a.printf("made %s, log position %d, next visit %s\n\n", minute(v.Made), v.Position, nextWords(v))
	textOpening(a, &v.Unseen, nil)
	a.printf("%s\n\n", visitSums(v))
	if len(v.ComeOff) > 0 {
		a.printf("WHAT COMES OFF, AND WHEN\n")
		for _, o := range v.ComeOff {
			textLines(a, "[ ] ", o.Cow+"  "+o.Text)
		}
		a.printf("\n")
	}
	if len(v.NotDone) > 0 {
		a.printf("NOT DONE\n")
		for _, x := range v.NotDone {
			textLines(a, "[ ] ", fmt.Sprintf("%s  (%s)  %s", x.Cow, x.Second, x.NotDone))
		}
		a.printf("\n")
	}
	if len(v.Animals) > 0 {
		a.printf("DONE\n")
	}
	for i := range v.Animals {
		x := &v.Animals[i]
		head := x.Cow
		if x.Second != "" {
			head += "  (" + x.Second + ")"
		}
		textLines(a, "", head)
		for _, s := range visitedLines(x) {
			textLines(a, "      ", s)
		}
	}
	if len(v.Animals)+len(v.NotDone) == 0 {
		textLines(a, "", nothingVisited(v))
		if v.Last != "" && v.Last < v.From {
			a.printf("  %s\n", a.hint("worklist visit --farm "+v.Farm+" --date "+v.Last))
		}
	}
	a.printf("\n")
	for _, s := range v.Cautions {
		textLines(a, "- ", s)
	}
}

// visitCSV writes a report as CSV (RFC 4180), a row an animal, with what cannot
// be seen before them.
func visitCSV(w io.Writer, v *worklist.Visit) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	rows := [][]string{{"what", "cow", "second", "animal", "at", "why", "feet", "found", "healed", "done", "on", "withheld", "not done", "notes"}}
	first := func(kind, text string) {
		row := make([]string, len(rows[0]))
		row[0], row[13] = kind, text
		rows = append(rows, row)
	}
	first("visit", fmt.Sprintf("%s, %s, made %s, log position %d, next visit %s", v.Name, visitDaysWords(v), v.Made, v.Position, nextWords(v)))
	for _, s := range opening(&v.Unseen) {
		first("not seen", s)
	}
	for _, h := range v.Unseen.First {
		first("not seen", heldWords(h))
	}
	for _, c := range v.Unseen.Conflicts {
		first("not seen", c.Text)
	}
	j := func(list []string) string { return strings.Join(list, " | ") }
	for _, part := range [][]worklist.Visited{v.Animals, v.NotDone} {
		for i := range part {
			x := &part[i]
			what := "done"
			if x.NotDone != "" {
				what = "not done"
			}
			var on, held []string
			for _, o := range x.On {
				on = append(append(on, o.Text), o.Before...)
			}
			for _, h := range x.Withheld {
				held = append(append(held, fmt.Sprintf("%s given %s: milk %s, meat %s", h.Medicine, h.Given, h.Milk, h.Meat)), h.Before...)
			}
			rows = append(rows, []string{what, x.Cow, x.Second, x.Animal, x.At, j(x.Why), j(x.Feet), j(x.Found), j(x.Healed), j(x.Done), j(on), j(held), x.NotDone, j(x.Notes)})
		}
	}
	for _, s := range v.Cautions {
		first("caution", s)
	}
	return out.WriteAll(rows)
}
