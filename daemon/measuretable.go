package main

import (
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"

	table "dewclaw/adapters/csv"
	"dewclaw/events/measures"
)

func (c *measureCommand) print(a *app, reports []*measures.Report) error {
	switch c.Format {
	case "json":
		return nil // printed as they came
	case "csv":
		return c.printCSV(a, reports)
	}
	for i, r := range reports {
		if i > 0 {
			a.printf("\n")
		}
		if err := printMeasure(a, r); err != nil {
			return err
		}
	}
	return nil
}

func parameters(list []measures.Parameter) string {
	var w words
	for _, p := range list {
		w.add(p.Name + ": " + p.Value)
	}
	return strings.Join(w, "; ")
}

// printMeasure prints a report for people: what it is of and what it cannot see
// before any figure.
func printMeasure(a *app, r *measures.Report) error {
	q := &r.Question
	period := q.From + " to " + q.To
	if q.From == q.To {
		period = q.From
	}
	a.printf("%s\n", safe(r.Title))
	facts(a.stdout, "", "farm", q.Farm, "period", period, "log position", fmt.Sprint(r.Position), "definition", r.Definition,
		"of", r.Of, "with", parameters(r.Parameters), "cannot see", unseenWords(a, &r.Unseen), "left out", leftOutWords(r.LeftOut))
	if r.Shared > 0 {
		a.printf("figures from fewer than %d animals are suppressed\n", r.Shared)
	}
	for i := 0; i < len(r.Figures); {
		n := i
		for n < len(r.Figures) && r.Figures[n].Section == r.Figures[i].Section {
			n++
		}
		if err := printSection(a, r.Figures[i:n]); err != nil {
			return err
		}
		i = n
	}
	if len(r.Figures) > 0 {
		a.printf("\n")
	}
	for _, n := range r.Notes {
		printNote(a, "- ", n)
	}
	if r.Shared == 0 && len(r.Figures) > 0 {
		printNote(a, "", "One back to its events: "+a.hint("trace")+" ID; ids: --format csv")
	}
	return nil
}

func unseenWords(a *app, u *measures.Unseen) string {
	var w words
	if u.Held > 0 {
		w.add(plural(u.Held, "held record", "held records") + " (" + a.hint("held list") + ")")
	}
	if u.Unmatched > 0 {
		w.add(fmt.Sprintf("%s no roster explains, with %s", plural(u.Unmatched, "animal", "animals"), plural(u.UnmatchedFacts, "fact", "facts")))
	}
	if u.Contradictions > 0 {
		w.add(fmt.Sprintf("%s, for which %s are left out", plural(u.Contradictions, "contradiction", "contradictions"), plural(u.LeftOut, "fact", "facts")))
	}
	if u.Waiting > 0 {
		w.add(plural(u.Waiting, "retraction that waits", "retractions that wait") + " for a person")
	}
	return strings.Join(w, "; ")
}

func leftOutWords(list []measures.LeftOut) string {
	var w words
	for _, l := range list {
		w.add(fmt.Sprint(l.N, " ", l.Why))
	}
	return strings.Join(w, "; ")
}

// printNote prints a text that may be wide.
func printNote(a *app, mark, text string) {
	for i, part := range fold(safe(text), lineWidth-len(mark)) {
		if i > 0 {
			mark = strings.Repeat(" ", len(mark))
		}
		a.printf("%s%s\n", mark, part)
	}
}

// printSection prints the figures under one heading, then what is to be said of
// each, and of several the same once.
func printSection(a *app, list []measures.Figure) error {
	a.printf("\n%s\n", safe(list[0].Section))
	s := newSheet("figure", ">value", "interval", ">x / n", "of")
	s.fold = 0
	said := &remarks{names: map[string][]string{}}
	for i := range list {
		f := &list[i]
		what := f.What
		if f.Group != "" {
			what += ", " + f.Group
		}
		s.row(what, figureValue(f), figureInterval(f), figureCount(f), f.Of)
		if c := f.Coverage(); c.Told() {
			of := ""
			if f.Partial { // which one of several sessions
				of = what
			}
			said.add(of, fmt.Sprintf("looked at %d of %d %s (%s %%)", *f.Seen, *f.Eligible, f.Eligibly, digits4(float64(c))))
		}
		if f.Scale != "" {
			said.add("", "scored on "+f.Scale)
		}
		for _, b := range f.Ranges {
			said.add("", fmt.Sprintf("%s elsewhere, no norm: %s to %s %% (%s; %s)", f.What, digits4(b.Low), digits4(b.High), b.What, b.Source))
		}
		for _, n := range append(f.Cautions, f.Notes...) {
			said.add(what, n)
		}
	}
	if err := s.print(a.stdout); err != nil {
		return err
	}
	said.print(a, len(list))
	return nil
}

// remarks are what is to be said of the figures under one heading; what holds for
// several is said once.
type remarks struct {
	texts []string
	names map[string][]string // figures a text is about; "" is all of them
}

func (r *remarks) add(name, text string) {
	if _, ok := r.names[text]; !ok {
		r.texts = append(r.texts, text)
	}
	r.names[text] = append(r.names[text], name)
}

func (r *remarks) print(a *app, figures int) {
	for _, text := range r.texts {
		if names := r.names[text]; names[0] != "" && (len(names) < figures || figures == 1) {
			text = join(names) + ": " + text
		}
		printNote(a, "  - ", text)
	}
}

// digits4 writes a number to four digits, without an exponent.
func digits4(v float64) string {
	s := strconv.FormatFloat(v, 'g', 4, 64)
	if strings.ContainsRune(s, 'e') {
		return strconv.FormatFloat(v, 'f', 6, 64)
	}
	return s
}

// figureValue tells a figure with its unit, or that there is none.
func figureValue(f *measures.Figure) string {
	switch {
	case f.Suppressed:
		return "suppressed"
	case !f.Value.Told():
		return "cannot be told"
	}
	s := digits4(float64(f.Value))
	if f.Upper.Told() {
		s += " to " + digits4(float64(f.Upper))
	}
	return strings.TrimSpace(s + " " + f.Unit)
}

// figureInterval tells the first interval, the limits of a chart, or census.
func figureInterval(f *measures.Figure) string {
	switch {
	case f.Limits != nil:
		return "limits " + ends(*f.Limits)
	case f.Census:
		return "census"
	case len(f.Intervals) > 0:
		return ends(f.Intervals[0])
	}
	return ""
}

func ends(i measures.Interval) string {
	end := func(n measures.Number) string {
		if !n.Told() {
			return "no end"
		}
		return digits4(float64(n))
	}
	return end(i.Low) + " to " + end(i.High)
}

// figureCount tells numerator and denominator.
func figureCount(f *measures.Figure) string {
	switch {
	case f.X != nil && f.N != nil:
		return fmt.Sprintf("%d / %d", *f.X, *f.N)
	case f.X != nil && f.Time.Told():
		return fmt.Sprintf("%d / %s days", *f.X, strconv.FormatFloat(float64(f.Time), 'f', -1, 64))
	case f.N != nil:
		return fmt.Sprint("n ", *f.N)
	}
	return ""
}

// figureOf tells the counts in words.
func figureOf(f *measures.Figure) string {
	return strings.TrimSpace(figureCount(f) + " " + f.Of)
}

// csvColumns head the columns of --format csv.
var csvColumns = []string{
	"measure", "farm", "from", "to", "position", "section", "what", "group", "unit", "value", "upper", "x", "n", "of", "days",
	"interval", "low", "high", "interval2", "low2", "high2", "limit_low", "limit_high", "out", "seen", "eligible", "eligible_are", "census",
	"scale", "suppressed", "definition", "parameters", "remarks", "id",
}

func (c *measureCommand) printCSV(a *app, reports []*measures.Report) error {
	w := csv.NewWriter(a.stdout)
	_ = w.Write(csvColumns)
	for _, r := range reports {
		for i := range r.Figures {
			_ = w.Write(figureRow(r, &r.Figures[i]))
		}
	}
	w.Flush()
	return w.Error()
}

func figureRow(r *measures.Report, f *measures.Figure) []string {
	num := func(n measures.Number) string {
		if !n.Told() {
			return ""
		}
		return strconv.FormatFloat(float64(n), 'g', -1, 64)
	}
	yes := func(b bool) string { return map[bool]string{true: "yes"}[b] }
	row := []string{
		r.Measure, r.Question.Farm, r.Question.From, r.Question.To, fmt.Sprint(r.Position), f.Section, f.What, f.Group, f.Unit,
		num(f.Value), num(f.Upper), count(f.X), count(f.N), f.Of, num(f.Time),
	}
	for n := range 2 {
		if n < len(f.Intervals) {
			row = append(row, f.Intervals[n].Method, num(f.Intervals[n].Low), num(f.Intervals[n].High))
		} else {
			row = append(row, "", "", "")
		}
	}
	if f.Limits != nil {
		row = append(row, num(f.Limits.Low), num(f.Limits.High))
	} else {
		row = append(row, "", "")
	}
	row = append(row, yes(f.Out), count(f.Seen), count(f.Eligible), f.Eligibly, yes(f.Census), f.Scale, yes(f.Suppressed), r.Definition,
		parameters(r.Parameters), strings.Join(append(f.Cautions, f.Notes...), "; "), f.ID)
	for i, s := range row {
		row[i] = table.Guard(s)
	}
	return row
}
