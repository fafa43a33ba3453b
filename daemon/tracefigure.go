package main

import (
	"fmt"

	"dewclaw/events"
	"dewclaw/events/measures"
)

// A traceFigure is a figure as it is worked out now.
type traceFigure struct {
	Asked      string               `json:"asked"`
	ID         string               `json:"id"`
	Title      string               `json:"title"`
	Same       bool                 `json:"same"` // value, counts and events are those of the id
	Was        events.Position      `json:"was"`  // log position of the id
	Question   measures.Question    `json:"question"`
	Position   events.Position      `json:"position"`
	Definition string               `json:"definition"`
	Parameters []measures.Parameter `json:"parameters"`
	Figure     measures.Figure      `json:"figure"`
	Counted    int                  `json:"counted"` // events that follow with this role …
	Rest       int                  `json:"rest"`    // … and with this one
}

// A tracePart is one event that a figure is made of.
type tracePart struct {
	Role     string `json:"role"` // counted: in the numerator, or what the figure is made of; rest: in the denominator only
	ID       string `json:"id"`
	Animal   string `json:"animal,omitempty"` // as given
	When     string `json:"when"`
	Says     string `json:"says"`
	Source   string `json:"source"`
	Name     string `json:"name,omitempty"`
	Archive  string `json:"archive,omitempty"`
	Member   string `json:"member,omitempty"`
	Message  string `json:"message,omitempty"`
	Line     int    `json:"line,omitempty"`
	LastLine int    `json:"lastLine,omitempty"`
}

func (t *traceFigure) print(a *app) {
	f := &t.Figure
	what := f.What
	if f.Group != "" {
		what += ", " + f.Group
	}
	same := fmt.Sprintf("as at log position %d", t.Was)
	if !t.Same {
		same = fmt.Sprintf("no longer as at log position %d: the log has said more since, and this is what it comes to now", t.Was)
	}
	facts(a.stdout, "", "figure", what, "is", figureValue(f)+colon(figureOf(f)), "measure", t.Title, "farm", t.Question.Farm,
		"period", t.Question.From+" to "+t.Question.To, "definition", t.Definition, "with", parameters(t.Parameters),
		"worked out", fmt.Sprintf("at log position %d, %s", t.Position, same), "id", t.ID,
		"made of", fmt.Sprintf("%s counted, %d more looked at; each back to its line: %s", plural(t.Counted, "event", "events"), t.Rest, a.hint("trace ID")))
	a.printf("\n")
}

func (p *tracePart) print(a *app) {
	where := p.Name
	if p.Member != "" {
		where += " in it " + p.Member
	}
	if l := lines("", p.Line, p.LastLine); l != "" {
		where += " " + l
	}
	if p.Message != "" {
		where += " message " + p.Message
	}
	a.printf("%-7s  %s  %s  %s  %s  (%s)\n", p.Role, safe(p.ID), safe(p.When), safe(p.Animal), safe(p.Says), safe(where))
}
