package picture

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"dewclaw/events/measures"
)

// strokes tell curves apart in black and white.
var strokes = []string{"", "9 5", "2 4", "12 4 2 4", "16 6"}

// waits draws how soon lame animals were examined. Most are on the first days, so the
// axis ends when nearly all were, and the hours asked for are marked.
func waits(c *canvas, r *measures.Report) error {
	hours := r.Question.Hours
	if hours == 0 {
		hours = settingOf("hours")
	}
	mark := float64(hours) / 24
	m := &marked{at: mark, says: fmt.Sprintf("%d h", hours), end: max(14, 4*mark)}
	for _, k := range r.Curves {
		all, n := 0, 0
		for _, s := range k.Steps {
			all += s.Events
		}
		for _, s := range k.Steps {
			if n += s.Events; n*20 <= all*19 {
				m.end = max(m.end, 1.2*s.T)
			}
		}
	}
	return survival(c, r, "lame animals not yet examined, of 100", m)
}

func settingOf(name string) int {
	for _, s := range measures.Settings() {
		if s.Name == name {
			return int(s.Default)
		}
	}
	return 0
}

// marked is a moment that is marked on the axis, and where that ends.
type marked struct {
	at   float64
	says string
	end  float64
}

// upTo returns a curve as far as a moment.
func upTo(k measures.NamedCurve, end float64) measures.NamedCurve {
	for i, s := range k.Steps {
		if s.T > end {
			last := measures.CurveStep{T: end, AtRisk: s.AtRisk, S: 1, Low: measures.Number(math.NaN()), High: measures.Number(math.NaN())}
			if i > 0 {
				last.S, last.Low, last.High = k.Steps[i-1].S, k.Steps[i-1].Low, k.Steps[i-1].High
			}
			k.Steps = append(slices.Clone(k.Steps[:i]), last)
			break
		}
	}
	return k
}

// survival draws Kaplan-Meier curves with the number still watched below; with m
// nil to the last moment.
func survival(c *canvas, r *measures.Report, title string, m *marked) error {
	curves := slices.Clone(r.Curves)
	if len(curves) > len(strokes) {
		curves = curves[:len(strokes)]
	}
	end := 0.0
	for _, k := range curves {
		for _, s := range k.Steps {
			end = max(end, s.T)
		}
	}
	if end == 0 {
		return nothing(r, "at least one animal that was watched")
	}
	cut := 0.0
	if m != nil && m.end < end {
		cut, end = end, m.end
		for i := range curves {
			curves[i] = upTo(curves[i], end)
		}
	}
	legend(c, curves)
	p := newPlot(c, 300, 0, end*1.02, 100)
	p.yAxis(title)
	if m != nil && m.at <= end {
		p.c.line(p.x(m.at), p.top-4, p.x(m.at), p.top+p.height, `stroke="black" stroke-dasharray="5 3"`)
		p.c.text(p.x(m.at)+4, p.top+8, 12, "start", "", m.says)
	}
	var at []float64
	for s, i := step(end, 8), 0; float64(i)*s <= end; i++ {
		at = append(at, float64(i)*s)
	}
	for i, k := range curves {
		p.curve(k, strokes[i], len(curves) == 1)
	}
	for _, v := range at {
		p.tick(v)
		p.under(v, 0, fmt.Sprintf("%g", v))
	}
	p.rowTitle(0, "days")
	for i, k := range curves {
		name := "watched"
		if len(curves) > 1 {
			name = fmt.Sprintf("(%d)", i+1)
		}
		p.rowTitle(i+1, name)
		for _, v := range at {
			p.under(v, i+1, fmt.Sprint(atRisk(k, v)))
		}
	}
	p.rows(1 + len(curves))
	notes := []string{"Kaplan-Meier; a tick on a curve: some were watched no longer (left, or the period ended)."}
	if len(curves) == 1 {
		notes[0] += " Dotted: " + levelOf(r) + " interval on the log-log scale."
	}
	if cut > 0 {
		notes = append(notes, fmt.Sprintf("Drawn to day %g; the last animal was watched to day %g.", math.Floor(end), cut))
	}
	if len(r.Curves) > len(curves) {
		notes = append(notes, fmt.Sprintf("%d more curves are not drawn.", len(r.Curves)-len(curves)))
	}
	c.foot(r, notes...)
	return nil
}

// legend names each curve with its line and its number.
func legend(c *canvas, curves []measures.NamedCurve) {
	c.y += 8
	for i, k := range curves {
		c.y += 18
		c.line(margin, c.y-4, margin+44, c.y-4, stroke(strokes[i]))
		name := fmt.Sprintf("%s, n = %d", k.Name, k.N)
		if len(curves) > 1 {
			name = fmt.Sprintf("(%d) %s", i+1, name)
		}
		c.text(margin+54, c.y, textSize, "start", "", name)
	}
}

func stroke(dashes string) string {
	s := `fill="none" stroke="black" stroke-width="2"`
	if dashes != "" {
		s += ` stroke-dasharray="` + dashes + `"`
	}
	return s
}

// atRisk returns how many were still watched just before a moment.
func atRisk(k measures.NamedCurve, t float64) int {
	for _, s := range k.Steps {
		if s.T >= t {
			return s.AtRisk
		}
	}
	return 0
}

// curve draws one curve, with its interval if asked for.
func (p *plot) curve(k measures.NamedCurve, dashes string, bounds bool) {
	share := func(s measures.CurveStep) float64 { return float64(s.S) }
	p.c.path(p.steps(k, share), stroke(dashes))
	for _, s := range k.Steps {
		if s.Censored > 0 {
			p.c.line(p.x(s.T), p.y(100*float64(s.S))-6, p.x(s.T), p.y(100*float64(s.S))+1, `stroke="black"`)
		}
	}
	if !bounds {
		return
	}
	for _, end := range []func(measures.CurveStep) float64{
		func(s measures.CurveStep) float64 { return float64(s.Low) }, func(s measures.CurveStep) float64 { return float64(s.High) },
	} {
		p.c.path(p.steps(k, end), `fill="none" stroke="black" stroke-dasharray="1.5 3"`)
	}
}

// steps makes the path of a stepped line; where there is no value it has the share
// itself.
func (p *plot) steps(k measures.NamedCurve, value func(measures.CurveStep) float64) string {
	var d strings.Builder
	fmt.Fprintf(&d, "M%s %s", num(p.x(0)), num(p.y(100)))
	last := 1.0
	for _, s := range k.Steps {
		v := value(s)
		if math.IsNaN(v) {
			v = float64(s.S)
		}
		if v != last {
			fmt.Fprintf(&d, " L%s %s L%s %s", num(p.x(s.T)), num(p.y(100*last)), num(p.x(s.T)), num(p.y(100*v)))
		}
		last = v
	}
	if n := len(k.Steps); n > 0 {
		fmt.Fprintf(&d, " L%s %s", num(p.x(k.Steps[n-1].T)), num(p.y(100*last)))
	}
	return d.String()
}
