package picture

import (
	"fmt"
	"html"
	"strconv"
	"strings"

	"dewclaw/events/measures"
)

// Sizes in pixels. Letters are taken to be as wide as those of common sans-serif
// fonts are on average, for nothing can be measured here.
const (
	wide       = 920
	margin     = 24
	textSize   = 13
	letterWide = 6.4
)

// A canvas gathers the elements of one picture from top to bottom.
type canvas struct {
	b strings.Builder
	y float64 // where the next text goes
}

// num writes a coordinate: to a tenth of a pixel, so that the same report makes the
// same bytes on every machine.
func num(v float64) string {
	return strconv.FormatFloat(float64(int(v*10+0.5))/10, 'f', -1, 64)
}

func (c *canvas) add(format string, args ...any) { fmt.Fprintf(&c.b, format+"\n", args...) }

// text writes one line; anchor is start, middle or end.
func (c *canvas) text(x, y float64, size int, anchor, more, s string) {
	c.add(`<text x="%s" y="%s" font-size="%d" text-anchor="%s"%s>%s</text>`, num(x), num(y), size, anchor, attr(more), html.EscapeString(s))
}

func attr(more string) string {
	if more == "" {
		return ""
	}
	return " " + more
}

func (c *canvas) line(x1, y1, x2, y2 float64, more string) {
	c.add(`<line x1="%s" y1="%s" x2="%s" y2="%s"%s/>`, num(x1), num(y1), num(x2), num(y2), attr(more))
}

func (c *canvas) path(d, more string) { c.add(`<path d="%s"%s/>`, d, attr(more)) }

// block writes a text over as many lines as it needs.
func (c *canvas) block(size int, s string) {
	for _, l := range wrap(s, int((wide-2*margin)/(letterWide*float64(size)/textSize))) {
		c.y += float64(size) * 1.35
		c.text(margin, c.y, size, "start", "", l)
	}
}

func wrap(s string, width int) (out []string) {
	line := ""
	for w := range strings.FieldsSeq(s) {
		if line != "" && len([]rune(line))+1+len([]rune(w)) > width {
			out = append(out, line)
			line = ""
		}
		line = strings.TrimSpace(line + " " + w)
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}

// head writes title, farm, period and definition.
func (c *canvas) head(r *measures.Report) {
	q := &r.Question
	c.y = margin - 4
	c.y += 22
	c.text(margin, c.y, 21, "start", `font-weight="bold"`, r.Title)
	period := q.From + " to " + q.To
	if q.From == q.To {
		period = q.From
	}
	c.y += 4
	c.block(14, fmt.Sprintf("Farm %s, %s, log position %d", q.Farm, period, r.Position))
	c.block(textSize, "Definition: "+r.Definition+".")
}

// foot writes what the figures are of, with which settings, and what they cannot
// see.
func (c *canvas) foot(r *measures.Report, notes ...string) {
	var with []string
	for _, p := range r.Parameters {
		with = append(with, p.Name+": "+p.Value)
	}
	if r.Of != "" {
		notes = append(notes, "Of "+r.Of+".")
	}
	if len(with) > 0 {
		notes = append(notes, "With "+strings.Join(with, "; ")+".")
	}
	u := &r.Unseen
	if u.Held+u.Unmatched+u.LeftOut > 0 {
		notes = append(notes, fmt.Sprintf("Cannot see: %d held records, %d animals no roster explains, %d facts that contradict others.", u.Held, u.Unmatched, u.LeftOut))
	}
	if r.Shared > 0 {
		notes = append(notes, fmt.Sprintf("Figures from fewer than %d animals are suppressed.", r.Shared))
	}
	c.y += 8
	for _, n := range notes {
		c.y += 2
		c.block(12, n)
	}
}

// finish returns the document.
func (c *canvas) finish(title string) []byte {
	high := c.y + margin
	return []byte(fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%s" viewBox="0 0 %d %s" font-family="Helvetica, Arial, 'DejaVu Sans', sans-serif" role="img">
<title>%s</title>
<rect width="100%%" height="100%%" fill="white"/>
<g stroke-width="1">
%s</g>
</svg>
`, wide, num(high), wide, num(high), html.EscapeString(title), c.b.String()))
}
