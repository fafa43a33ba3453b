package main

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"

	"dewclaw/events"
	"dewclaw/events/measures"
	"dewclaw/events/measures/picture"
)

// measureCommand tells how the herd stands.
type measureCommand struct {
	Name   string            `arg:"" optional:"" help:"The measure; without one all are listed."`
	Farm   string            `help:"Of this farm; without it of each farm the log tells of."`
	From   string            `type:"day" placeholder:"DAY" help:"First day of the period; a year before the last where none is given."`
	To     string            `type:"day" placeholder:"DAY" help:"Last day of the period; today where none is given."`
	On     string            `type:"day" placeholder:"DAY" help:"Of this day alone."`
	By     string            `placeholder:"WHAT" help:"Split by parity, stage, season, pen, zone or foot, as far as the measure can be."`
	Of     string            `placeholder:"WHICH" help:"Which animals: in-milk, cows or all."`
	Scale  string            `placeholder:"SCALE" help:"Only locomotion scores on this scale."`
	Gap    string            `placeholder:"DAYS" help:"Days between two records of one lesion case: 28, 42 and 60 are in use; default 42."`
	Set    map[string]string `placeholder:"NAME=VALUE" help:"Another setting; they are listed with the measures."`
	Shared bool              `help:"Fit for others: no ids, and no figure of fewer than 5 animals."`
	Format string            `enum:"table,csv,json" default:"table" help:"table, csv, or json: one JSON object a line."`
	SVG    string            `name:"svg" placeholder:"FILE" help:"Draw it into this file as well (of a farm, if there are several: FILE is then made FARM-FILE)."`
}

func (c *measureCommand) Run(a *app) error {
	if c.Name == "" {
		return listMeasures(a)
	}
	q, err := c.query()
	if err != nil {
		return err
	}
	var reports []*measures.Report
	err = items(a, "measure", q, func(raw json.RawMessage) error {
		if c.Format == "json" {
			if err := a.rawLine(raw); err != nil {
				return err
			}
		}
		var i measureItem
		if err := json.Unmarshal(raw, &i); err != nil {
			return err
		}
		switch {
		case i.Report != nil:
			reports = append(reports, i.Report)
		case len(reports) > 0:
			r := reports[len(reports)-1]
			r.Figures = append(r.Figures, i.Figure.Figure)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if c.Format == "table" && len(reports) > 0 && !c.Shared { // it names animals
		if err := items(a, "unseen", heldQuery{Farm: c.Farm}, func(u unseenItem) error { u.open(a); return nil }); err != nil {
			return err
		}
	}
	if err := c.print(a, reports); err != nil {
		return err
	}
	return c.draw(a, reports)
}

// query makes what is asked of the engine; the rest of what is wrong is told there.
func (c *measureCommand) query() (measureQuery, error) {
	q := measureQuery{Name: c.Name, Question: measures.Question{Farm: c.Farm, From: c.From, To: c.To, By: c.By, Of: c.Of, Scale: c.Scale}}
	if c.On != "" {
		if c.From != "" || c.To != "" {
			return q, refuse("--on: is a period of its own, without --from and --to")
		}
		q.Question.From, q.Question.To = c.On, c.On
	}
	if c.Gap != "" {
		if err := q.Question.Set("gap", c.Gap); err != nil {
			return q, err
		}
	}
	for name, value := range c.Set {
		if err := q.Question.Set(name, value); err != nil {
			return q, err
		}
	}
	if c.Shared {
		q.Shared = measures.LeastShared
	}
	return q, nil
}

// listMeasures prints every measure with its definition, and the settings.
func listMeasures(a *app) error {
	for _, m := range measures.All() {
		split := ""
		if len(m.Splits) > 0 {
			split = strings.Join(m.Splits, ", ")
		}
		facts(a.stdout, "", m.Name, m.Title, "", m.Definition, "", map[bool]string{true: "split by " + split}[split != ""])
	}
	a.printf("\nSettings (--set NAME=VALUE):\n")
	s := newSheet("name", ">default", "meaning")
	for _, x := range measures.Settings() {
		def := "-"
		if x.Default != 0 {
			def = fmt.Sprint(x.Default)
		}
		s.row(x.Name, def, x.Meaning)
	}
	return s.print(a.stdout)
}

// draw writes the picture of each report.
func (c *measureCommand) draw(a *app, reports []*measures.Report) error {
	if c.SVG == "" {
		return nil
	}
	for _, r := range reports {
		b, err := picture.Draw(r)
		if err != nil {
			return err
		}
		name := pictureName(c.SVG, r.Question.Farm, len(reports) > 1)
		if err := replace(name, b, 0o644); err != nil {
			return fmt.Errorf("write picture: %w: %w", err, events.ErrUnavailable)
		}
		fmt.Fprintf(a.stderr, "picture: %s\n", safe(name))
	}
	return nil
}

// pictureName puts the farm before the name of the file where there are several.
func pictureName(name, farm string, several bool) string {
	if !several {
		return name
	}
	dir, base := "", name
	if i := strings.LastIndexByte(name, os.PathSeparator); i >= 0 {
		dir, base = name[:i+1], name[i+1:]
	}
	return dir + farm + "-" + base
}
