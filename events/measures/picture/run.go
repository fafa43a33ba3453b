package picture

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewclaw/events/measures"
)

// A dated figure is one session.
type dated struct {
	*measures.Figure
	at float64 // days
}

// sessions returns the figures of single sessions whose key begins with a prefix,
// oldest first.
func sessions(r *measures.Report, prefix string) (out []dated) {
	for i := range r.Figures {
		f := &r.Figures[i]
		day, ok := strings.CutPrefix(f.Key, prefix)
		t, err := time.Parse(time.DateOnly, day)
		if !ok || err != nil {
			continue
		}
		d := dated{f, float64(t.Unix() / 86400)}
		at := len(out)
		for at > 0 && out[at-1].at > d.at {
			at--
		}
		out = append(out[:at], append([]dated{d}, out[at:]...)...)
	}
	return out
}

// run draws sessions in a row: each a point with its interval, or its control
// limits where the figures have such.
func run(c *canvas, r *measures.Report, prefix string) error {
	list := sessions(r, prefix)
	if len(list) == 0 {
		return nothing(r, "at least one session")
	}
	top, limits := 0.0, false
	for _, d := range list {
		for _, v := range []measures.Number{d.Value, high(d.Figure)} {
			if v.Told() {
				top = max(top, float64(v))
			}
		}
		limits = limits || d.Limits != nil
	}
	x0, x1 := list[0].at, list[len(list)-1].at
	edge := max(4, (x1-x0)*0.03)
	p := newPlot(c, 300, x0-edge, x1+edge, roof(top))
	p.yAxis("percent of those scored")
	if limits {
		p.limits(r, list)
	}
	p.points(list, limits)
	p.dates(list)
	c.y += 4
	marks := "Point: share of the animals scored; bar: " + levelOf(r) + " interval (Wilson); a point without a bar: the whole herd was scored (census)."
	if limits {
		marks = "Thin line: mean of the sessions" + meanOf(r) + "; stepped lines: three standard errors around it for the number scored (p chart). Black square in a ring: beyond the limits. Indicative: the same cows are scored again."
	}
	notes := []string{marks}
	if slices.ContainsFunc(list, func(d dated) bool { return d.Partial }) {
		notes = append(notes, "Cross: too few of the herd were scored, so these are chosen animals; it is in no line, mean or limit.")
	}
	if anyWorn(list) {
		notes = append(notes, "Worn: of those scored, so many had a block or wrap on, which changes the gait; measure trend leaves them out.")
	}
	c.foot(r, append(notes, "Scale: "+scales(list)+".")...)
	return nil
}

// anyWorn reports whether somebody wore a block or wrap at one of the sessions.
func anyWorn(list []dated) bool {
	return slices.ContainsFunc(list, func(d dated) bool { return d.Worn != nil && *d.Worn > 0 })
}

// levelOf tells the level of the intervals.
func levelOf(r *measures.Report) string {
	if r.Question.Level == 0 {
		return "95 %"
	}
	return fmt.Sprintf("%g %%", 100*r.Question.Level)
}

func meanOf(r *measures.Report) string {
	if f := r.Figure("mean"); f != nil && f.Value.Told() {
		return fmt.Sprintf(", %.1f %%", float64(f.Value))
	}
	return ""
}

func high(f *measures.Figure) measures.Number {
	switch {
	case f.Limits != nil:
		return f.Limits.High
	case len(f.Intervals) > 0:
		return f.Intervals[0].High
	}
	return f.Value
}

// roof returns a round end of an axis above a value, at most 100.
func roof(top float64) float64 {
	top = max(top, 5)
	s := step(top, 5)
	return min(100, math.Ceil(top/s)*s)
}

func scales(list []dated) string {
	seen, out := map[string]bool{}, []string{}
	for _, d := range list {
		if !seen[d.Scale] && d.Scale != "" {
			seen[d.Scale] = true
			out = append(out, d.Scale)
		}
	}
	return strings.Join(out, "; ")
}

// limits draws centre and limits of a control chart, stepped half way between
// sessions.
func (p *plot) limits(r *measures.Report, list []dated) {
	centre := r.Figure("mean")
	if centre == nil || !centre.Value.Told() {
		return
	}
	list = slices.DeleteFunc(slices.Clone(list), func(d dated) bool { return d.Limits == nil })
	y := p.y(float64(centre.Value))
	p.c.line(p.left, y, p.left+p.width, y, `stroke="black"`)
	for _, end := range []func(measures.Interval) measures.Number{
		func(i measures.Interval) measures.Number { return i.High }, func(i measures.Interval) measures.Number { return i.Low },
	} {
		var d strings.Builder
		for i, s := range list {
			from, to := p.x0, p.x1
			if i > 0 {
				from = (list[i-1].at + s.at) / 2
			}
			if i+1 < len(list) {
				to = (s.at + list[i+1].at) / 2
			}
			cmd := "L"
			if d.Len() == 0 {
				cmd = "M"
			}
			v := p.y(min(float64(end(*s.Limits)), p.y1))
			fmt.Fprintf(&d, "%s%s %s L%s %s ", cmd, num(p.x(from)), num(v), num(p.x(to)), num(v))
		}
		p.c.path(strings.TrimSpace(d.String()), `fill="none" stroke="black" stroke-dasharray="7 4"`)
	}
}

// points draws the sessions and joins those that are of the herd. A line ends before
// a suppressed session and begins behind it: drawn through, it would tell of it.
func (p *plot) points(list []dated, limits bool) {
	var d strings.Builder
	cmd := "M"
	for _, s := range list {
		if !s.Value.Told() {
			cmd = "M"
			continue
		}
		if s.Partial {
			continue
		}
		fmt.Fprintf(&d, "%s%s %s ", cmd, num(p.x(s.at)), num(p.y(float64(s.Value))))
		cmd = "L"
	}
	p.c.path(strings.TrimSpace(d.String()), `fill="none" stroke="black" stroke-width="1.6"`)
	for _, s := range list {
		x := p.x(s.at)
		if !s.Value.Told() {
			p.c.text(x, p.top+p.height-6, 12, "middle", "", "few")
			continue
		}
		y := p.y(float64(s.Value))
		if !limits && len(s.Intervals) > 0 {
			lo, hi := p.y(float64(s.Intervals[0].Low)), p.y(float64(s.Intervals[0].High))
			p.c.line(x, lo, x, hi, `stroke="black"`)
			p.c.line(x-5, lo, x+5, lo, `stroke="black"`)
			p.c.line(x-5, hi, x+5, hi, `stroke="black"`)
		}
		if s.Partial {
			p.c.path(fmt.Sprintf("M%s %s l8 8 m0 -8 l-8 8", num(x-4), num(y-4)), `fill="none" stroke="black" stroke-width="1.8"`)
			continue
		}
		if s.Out {
			p.c.add(`<rect x="%s" y="%s" width="9" height="9" fill="black"/>`, num(x-4.5), num(y-4.5))
			p.c.add(`<circle cx="%s" cy="%s" r="9" fill="none" stroke="black" stroke-width="1.4"/>`, num(x), num(y))
			continue
		}
		p.c.add(`<circle cx="%s" cy="%s" r="4" fill="white" stroke="black" stroke-width="1.8"/>`, num(x), num(y))
	}
}

// dates writes day, number scored and number lame below each session, as far as
// there is room.
func (p *plot) dates(list []dated) {
	day, count := math.Inf(-1), math.Inf(-1)
	fits := func(i int, last, room float64) bool {
		x, end := p.x(list[i].at), p.x(list[len(list)-1].at)
		return x-last >= room && (i+1 == len(list) || i == 0 || end-x >= room)
	}
	p.rowTitle(1, "scored")
	p.rowTitle(2, "lame")
	rows := 3
	if anyWorn(list) {
		p.rowTitle(3, "worn")
		rows++
	}
	for i, s := range list {
		p.tick(s.at)
		if fits(i, day, 72) {
			day = p.x(s.at)
			p.under(s.at, 0, time.Unix(int64(s.at)*86400, 0).UTC().Format(time.DateOnly))
		}
		if s.N != nil && s.X != nil && fits(i, count, 30) {
			count = p.x(s.at)
			p.under(s.at, 1, fmt.Sprint(*s.N))
			p.under(s.at, 2, fmt.Sprint(*s.X))
			if s.Worn != nil && rows > 3 {
				p.under(s.at, 3, fmt.Sprint(*s.Worn))
			}
		}
	}
	p.rows(rows)
}
