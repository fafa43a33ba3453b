package main

import (
	"fmt"
	"slices"

	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/schema/codes"
)

// codesCommand prints the code lists: their names, one list, or one entry.
type codesCommand struct {
	List   string `arg:"" optional:"" help:"A list; without it the names of all lists. Or fields: what a mapping may set, of all kinds or one."`
	Code   string `arg:"" optional:"" help:"One code of it."`
	Format string `enum:"table,csv,json" default:"table" help:"Of a list: table; or csv or json with every member of every entry, json with version and changes."`
	JSON   bool   `name:"json" help:"One JSON object a line."`
}

type codeLine struct {
	List    string `json:"list"`
	Code    string `json:"code"`
	Name    string `json:"name,omitempty"`
	Meaning string `json:"meaning,omitempty"`
	Parent  string `json:"parent,omitempty"`
	Source  string `json:"source,omitempty"`
	Seen    string `json:"seen,omitempty"`
}

func (c *codesCommand) Run(a *app) error {
	if c.Format != "table" && (c.List == "" || c.Code != "" || c.JSON) {
		return refuse("codes: --format is for one whole list, and not together with --json", "dewclaw codes LIST --format "+c.Format)
	}
	if c.List == "" {
		return c.names(a)
	}
	if c.List == fieldsList {
		return c.fields(a)
	}
	l := codes.Find(c.List)
	if l == nil {
		return missing("code list", c.List, append(codes.Names(), fieldsList), "dewclaw codes")
	}
	if c.Format != "table" {
		return l.Write(a.stdout, c.Format)
	}
	entries := l.Entries()
	if c.Code != "" {
		e := l.Entry(c.Code)
		if e == nil {
			return missing("code of "+c.List, c.Code, l.Codes(), "dewclaw codes "+c.List)
		}
		entries = []*codes.Entry{e}
	}
	if c.JSON {
		for _, e := range entries {
			if err := a.line(codeLine{c.List, e.Code, e.Name, e.Meaning, e.Parent, e.Source, e.Seen}); err != nil {
				return err
			}
		}
		return nil
	}
	if c.Code == "" { // the rest of an entry is too wide for a screen
		s := newSheet("code", "name", "meaning")
		for _, e := range entries {
			s.row(e.Code, e.Name, e.Meaning)
		}
		return s.print(a.stdout)
	}
	e := entries[0]
	facts(a.stdout, "", "code", e.Code, "name", e.Name, "meaning", e.Meaning, "kind of", e.Parent, "source", e.Source, "source read", e.Seen)
	return nil
}

// fieldsList is no list of codes: it is what a mapping may set on each kind of
// event, and what that takes.
const fieldsList = "fields"

type fieldLine struct {
	Kind  events.Kind `json:"kind"`
	Field string      `json:"field"`
	Takes string      `json:"takes"`
	Leads bool        `json:"leads,omitempty"` // without it the event is not made
}

// fields prints the fields of all kinds, or of the one that stands in the place of
// the code.
func (c *codesCommand) fields(a *app) error {
	if c.Format != "table" {
		return refuse("codes fields: --format is for lists of codes", "dewclaw codes fields --json")
	}
	var kinds []string
	s := newSheet("kind", "field", "takes")
	for _, k := range events.Kinds() {
		list := mapping.Fields(k)
		if list == nil {
			continue
		}
		kinds = append(kinds, string(k))
		if c.Code != "" && c.Code != string(k) {
			continue
		}
		for _, f := range list {
			if c.JSON {
				if err := a.line(fieldLine{k, f.Name, f.Takes, f.Leads}); err != nil {
					return err
				}
				continue
			}
			lead := ""
			if f.Leads {
				lead = "; without it the event is not made"
			}
			s.row(string(k), f.Name, f.Takes+lead)
		}
	}
	if c.Code != "" && !slices.Contains(kinds, c.Code) {
		return missing("kind of event that a mapping makes", c.Code, kinds, "dewclaw codes fields")
	}
	if c.JSON {
		return nil
	}
	return s.print(a.stdout)
}

func (c *codesCommand) names(a *app) error {
	s := newSheet("list", ">codes")
	for _, name := range codes.Names() {
		n := len(codes.Find(name).Entries())
		if c.JSON {
			if err := a.line(map[string]any{"list": name, "codes": n}); err != nil {
				return err
			}
			continue
		}
		s.row(name, n)
	}
	if c.JSON {
		return nil
	}
	return s.print(a.stdout)
}

// missing says that a name is none of those there are, and names the nearest.
func missing(what, got string, names []string, list string) error {
	f := &events.Fault{Kind: events.ErrNotFound, What: what, Wanted: "one that there is", Got: fmt.Sprintf("%q", got), Hints: []string{"all of them: " + list}}
	if near := codes.Nearest(got, names, 3); len(near) > 0 {
		f.Wanted = "one that there is (nearest: " + join(near) + ")"
	}
	return f
}
