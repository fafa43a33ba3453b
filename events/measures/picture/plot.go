package picture

import (
	"math"
	"strconv"
)

// A plot is the area in which something is drawn against two axes.
type plot struct {
	c                        *canvas
	left, top, width, height float64
	x0, x1, y0, y1           float64 // values at the ends of the axes
}

// newPlot takes the next piece of the canvas.
func newPlot(c *canvas, height float64, x0, x1, y1 float64) *plot {
	p := &plot{c: c, left: margin + 76, top: c.y + 40, width: wide - 2*margin - 94, height: height, x0: x0, x1: x1, y1: y1}
	c.y = p.top + height
	return p
}

func (p *plot) x(v float64) float64 { return p.left + (v-p.x0)/(p.x1-p.x0)*p.width }
func (p *plot) y(v float64) float64 { return p.top + p.height - (v-p.y0)/(p.y1-p.y0)*p.height }

// step returns a round distance of about n ticks over a range.
func step(span float64, n int) float64 {
	raw := span / float64(n)
	ten := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 5} {
		if raw <= m*ten {
			return m * ten
		}
	}
	return 10 * ten
}

// yAxis draws the axis of values with thin lines across, and its title above.
func (p *plot) yAxis(title string) {
	s := step(p.y1-p.y0, 5)
	for i := 0; float64(i)*s <= p.y1+s/1e6; i++ {
		v := float64(i) * s
		p.c.line(p.left, p.y(v), p.left+p.width, p.y(v), `stroke="#bbb"`)
		p.c.text(p.left-8, p.y(v)+4, textSize, "end", "", strconv.FormatFloat(v, 'f', -1, 64))
	}
	p.c.line(p.left, p.top, p.left, p.top+p.height, `stroke="black"`)
	p.c.line(p.left, p.top+p.height, p.left+p.width, p.top+p.height, `stroke="black"`)
	p.c.text(margin, p.top-13, textSize, "start", `font-weight="bold"`, title)
}

// tick marks a place of the lower axis.
func (p *plot) tick(v float64) {
	p.c.line(p.x(v), p.top+p.height, p.x(v), p.top+p.height+5, `stroke="black"`)
}

// under writes below the lower axis, in a row from 0.
func (p *plot) under(v float64, row int, s string) {
	p.c.text(p.x(v), p.top+p.height+18+float64(row)*16, 12, "middle", "", s)
}

// rowTitle names a row below the axis.
func (p *plot) rowTitle(row int, s string) {
	p.c.text(p.left-20, p.top+p.height+18+float64(row)*16, 12, "end", `font-weight="bold"`, s)
}

// rows takes the place of so many rows below the axis.
func (p *plot) rows(n int) { p.c.y += 8 + float64(n)*16 }
