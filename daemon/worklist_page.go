package main

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"
	"unicode"

	"dewclaw/events/worklist"
)

// pageText is the frame of every printed page: black and white, large, no colour
// and no grey that carries a meaning, so that a copy or a wet hand harms nothing.
//
//go:embed worklist_page.html
var pageText string

// papers are the sizes of paper and their margins.
var papers = map[string]template.CSS{"a4": "A4", "letter": "letter"}

var pages = template.Must(template.New("page").Funcs(template.FuncMap{
	"safe": safe, "cssText": cssText, "minute": minute, "opening": opening, "held": heldWords, "forWhom": forWhom, "title": func(t worklist.Tier) string { return tierTitles[t] },
	"days": visitDaysWords, "next": nextWords, "sums": visitSums, "nothingVisited": nothingVisited, "visited": func(x worklist.Visited) []string { return visitedLines(&x) },
	"finding": findingWords, "nothing": nothing, "capacity": capacityWords,
	"few": func(list []worklist.Held) []worklist.Held { return list[:min(len(list), mostHeldShown)] },
	"conflicts": func(list []worklist.Conflict) (out []string) {
		for _, c := range list[:min(len(list), mostHeldShown)] {
			out = append(out, c.Text)
		}
		if n := len(list) - mostHeldShown; n > 0 {
			out = append(out, fmt.Sprintf("and %d more", n))
		}
		return out
	},
}).Parse(pageText))

// Edges are what every printed sheet says at its edges, so that one alone on the
// floor still tells whose it is, of which day, and how long it holds.
type edges struct {
	Paper     template.CSS
	What, How string
}

// cssText writes text from outside as a string of CSS (Level 2.2, 4.3.7). What is no
// letter, digit, blank or plain mark is a number of six digits behind a backslash
// (4.1.3): html/template takes a string of CSS with a colon for an address and
// refuses it.
func cssText(s string) template.CSS {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range safe(s) {
		if unicode.IsLetter(r) || unicode.IsDigit(r) || strings.ContainsRune(" ,.:-", r) {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "\\%06x", r)
		}
	}
	b.WriteByte('"')
	return template.CSS(b.String())
}

// A pageTier is the rows of a tier, or all rows in the order of the chute.
type pageTier struct {
	Title string
	Rows  []worklist.Row
}

// listPage writes a list as a page to print.
func listPage(w io.Writer, l *worklist.List, paper string) error {
	var tiers []pageTier
	for _, r := range l.Rows {
		title := tierTitles[r.Tier]
		if l.Order == "chute" {
			title = "In the order of the chute"
		}
		if n := len(tiers); n == 0 || tiers[n-1].Title != title {
			tiers = append(tiers, pageTier{Title: title})
		}
		t := &tiers[len(tiers)-1]
		t.Rows = append(t.Rows, r)
	}
	return pages.ExecuteTemplate(w, "list", map[string]any{"List": l, "Tiers": tiers, "Edges": edges{
		papers[paper], fmt.Sprintf("%s, %s, for %s", l.Name, l.Day, forWhom(l.For)), "valid until " + minute(l.ValidUntil),
	}})
}

// visitPage writes the report of a visit as a page to print.
func visitPage(w io.Writer, v *worklist.Visit, paper string) error {
	return pages.ExecuteTemplate(w, "visit", map[string]any{"Visit": v, "Edges": edges{
		papers[paper], v.Name + ", visit of " + visitDaysWords(v), "made " + minute(v.Made),
	}})
}
