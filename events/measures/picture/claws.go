package picture

import (
	"fmt"
	"math"
	"strings"

	"dewclaw/events/measures"
)

// A shape is one zone of a foot, drawn flat: the sole of the claw as it is seen
// from below with the toe up, the walls folded out beside it, the skin around. It
// is a scheme of our own and no anatomy. Coordinates are those of the claw on the
// left; the other one is its mirror image.
type shape struct {
	zone   int
	path   string
	lx, ly float64 // where its number stands
	small  bool
}

// footWide and footHigh are the size of one foot, whose middle is at half its width.
const (
	footWide = 420
	footHigh = 470
)

// clawShapes are those of one claw; its inner side is at the right, towards x 200.
var clawShapes = []shape{
	{1, "M72 152 C82 96 112 72 140 72 C162 72 178 92 182 132 L164 138 C160 112 150 98 138 98 C120 98 102 116 94 156 Z", 129, 90, true},
	{2, "M72 152 L94 156 C88 184 86 212 87 238 L64 240 C63 210 66 180 72 152 Z", 78, 202, true},
	{3, "M64 240 L87 238 C88 262 91 282 96 300 L72 308 C67 286 65 262 64 240 Z", 79, 276, true},
	{5, "M94 156 C102 116 120 98 138 98 C150 98 160 112 164 138 C168 166 170 190 170 214 L88 222 C88 200 90 178 94 156 Z", 130, 168, false},
	{4, "M88 222 L170 214 C170 240 170 262 168 284 L94 292 C90 270 88 246 88 222 Z", 130, 254, false},
	{6, "M94 292 L168 284 C172 300 176 318 174 340 C172 368 152 384 126 384 C100 384 82 366 78 340 C77 328 75 318 72 308 L96 300 Z", 126, 338, false},
	{7, "M58 146 C66 106 86 78 112 62 L100 46 C68 62 46 96 38 140 Z", 68, 98, true},
	{8, "M58 152 C52 184 50 216 50 244 C51 268 54 292 59 312 L38 318 C32 294 29 268 28 244 C28 212 32 178 38 146 Z", 42, 236, true},
	{11, "M177 214 L190 212 L190 346 L180 348 C182 328 180 306 176 288 Z", 184, 284, true},
	{12, "M171 144 L186 140 L190 206 L177 208 C177 186 174 164 171 144 Z", 181, 178, true},
}

// skinShapes are those of the foot as a whole.
var skinShapes = []shape{
	{9, "M100 40 C150 6 270 6 320 40 L308 54 C264 26 156 26 112 54 Z", 210, 30, true},
	{0, "M198 120 C202 100 218 100 222 120 L226 360 C220 372 200 372 194 360 Z", 210, 236, true},
	{10, "M84 392 C130 430 290 430 336 392 L348 410 C296 456 124 456 72 410 Z", 210, 430, false},
}

// hatches from less to more; the first is for none.
var hatches = []string{"none", "dots", "lines", "cross", "dense", "black"}

const hatching = `<defs>
<pattern id="dots" width="8" height="8" patternUnits="userSpaceOnUse"><circle cx="4" cy="4" r="1.2" fill="black"/></pattern>
<pattern id="lines" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="7" stroke="black" stroke-width="1.6"/></pattern>
<pattern id="cross" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path d="M0 0V7M0 0H7" stroke="black" stroke-width="1.8"/></pattern>
<pattern id="dense" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path d="M0 0V5M0 0H5" stroke="black" stroke-width="3.6"/></pattern>
</defs>`

func fill(level int) string {
	switch hatches[level] {
	case "none":
		return "white"
	case "black":
		return "black"
	}
	return "url(#" + hatches[level] + ")"
}

// claws draws how often each zone has a lesion, on hind and front feet.
func claws(c *canvas, r *measures.Report) error {
	var pairs []string
	top := 0.0
	for _, pair := range []string{"hind", "front"} {
		if n, most := seenOn(r, pair); n > 0 {
			pairs, top = append(pairs, pair), max(top, most)
		}
	}
	if len(pairs) == 0 {
		return nothing(r, "at least one foot that was examined")
	}
	ends := classes(top)
	c.add("%s", hatching)
	y := c.y + 52
	for i, pair := range pairs {
		x := float64(wide)/2 + (float64(i)-float64(len(pairs))/2)*(footWide+20) + 10
		drawFoot(c, r, pair, x, y, ends)
	}
	c.y = y + footHigh
	key(c, ends)
	c.foot(r, "Percent of the claws examined (zones 0, 9 and 10: of the feet) with at least one lesion in the zone. Left and right feet are laid on each other. "+
		"The foot from below, toes up, walls folded out: 1 to 6 the face that bears weight, 7 and 8 the outer wall, 11 and 12 the inner wall, 0, 9 and 10 skin. "+
		strings.ToUpper(measures.ZonesSettled[:1])+measures.ZonesSettled[1:]+".")
	return nil
}

// seenOn returns how many zones of a pair of feet have a figure, and the greatest.
func seenOn(r *measures.Report, pair string) (n int, top float64) {
	for i := range r.Figures {
		f := &r.Figures[i]
		if strings.HasPrefix(f.Key, "zone."+pair+".") {
			n++
			if f.Value.Told() {
				top = max(top, float64(f.Value))
			}
		}
	}
	return n, top
}

// classes returns the upper ends of the five hatchings, in percent: whole, and as
// narrow as the greatest share allows.
func classes(top float64) (out []float64) {
	s := math.Ceil(max(top, 1) / float64(len(hatches)-1))
	for i := 1; i < len(hatches); i++ {
		out = append(out, s*float64(i))
	}
	return out
}

func level(v float64, ends []float64) int {
	if v == 0 {
		return 0
	}
	for i, e := range ends {
		if v <= e {
			return i + 1
		}
	}
	return len(ends)
}

// A label is the number of a zone with its share.
type label struct {
	zone  int
	share string
	x, y  float64
	small bool
}

// draw writes a label on white: over hatching, black and outlines it can be read.
func (l *label) draw(c *canvas) {
	size, down := textSize, 15.0
	if l.small {
		size, down = 11, 12
	}
	lines := []string{fmt.Sprint(l.zone)}
	if !l.small || l.share != "0 %" {
		lines = append(lines, l.share)
	}
	for i, s := range lines {
		w, y := float64(len([]rune(s))*size)*0.56+3, l.y-2+float64(i)*down
		c.add(`<rect x="%s" y="%s" width="%s" height="%s" rx="2" fill="white"/>`, num(l.x-w/2), num(y-float64(size)+1), num(w), num(float64(size)+1))
		c.text(l.x, y, size, "middle", map[bool]string{true: `font-weight="bold"`}[i == 0], s)
	}
}

// drawFoot draws the zones, and then what stands on them.
func drawFoot(c *canvas, r *measures.Report, pair string, x, y float64, ends []float64) {
	c.text(x+footWide/2, y-26, 16, "middle", `font-weight="bold"`, pair+" feet")
	var labels []label
	for side, claw := range []string{"outer", "inner"} {
		at := fmt.Sprintf(`transform="translate(%s %s)"`, num(x), num(y))
		mx := func(v float64) float64 { return x + v }
		if claw == "inner" {
			at = fmt.Sprintf(`transform="translate(%s %s) scale(-1 1)"`, num(x+footWide), num(y))
			mx = func(v float64) float64 { return x + footWide - v }
		}
		for _, s := range clawShapes {
			share := drawZone(c, r.Figure(fmt.Sprintf("zone.%s.%s.%d", pair, claw, s.zone)), s, at, ends)
			labels = append(labels, label{s.zone, share, mx(s.lx), y + s.ly, s.small})
		}
		n := ""
		if f := r.Figure(fmt.Sprintf("zone.%s.%s.4", pair, claw)); f != nil && f.N != nil {
			n = fmt.Sprintf(", n = %d", *f.N)
		}
		c.text(x+footWide*(0.25+0.5*float64(side)), y+footHigh-4, textSize, "middle", "", claw+" claw"+n)
	}
	at := fmt.Sprintf(`transform="translate(%s %s)"`, num(x), num(y))
	for _, s := range skinShapes {
		share := drawZone(c, r.Figure(fmt.Sprintf("zone.%s.foot.%d", pair, s.zone)), s, at, ends)
		labels = append(labels, label{s.zone, share, x + s.lx, y + s.ly, s.small})
	}
	for i := range labels {
		labels[i].draw(c)
	}
	if f := r.Figure(fmt.Sprintf("zone.%s.foot.0", pair)); f != nil && f.N != nil {
		c.text(x+footWide/2, y+footHigh+14, textSize, "middle", "", fmt.Sprintf("feet, n = %d", *f.N))
	}
}

// drawZone draws a zone and returns its share.
func drawZone(c *canvas, f *measures.Figure, s shape, at string, ends []float64) string {
	look, share := `fill="white" stroke-dasharray="3 3"`, "?"
	if f != nil && f.Value.Told() {
		look = fmt.Sprintf(`fill="%s"`, fill(level(float64(f.Value), ends)))
		share = percent(float64(f.Value)) + " %"
	}
	c.path(s.path, look+` stroke="black" stroke-width="1.2" `+at)
	return share
}

func percent(v float64) string {
	switch {
	case v == 0:
		return "0"
	case v < 10:
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.0f", v)
}

// key explains the hatchings.
func key(c *canvas, ends []float64) {
	c.y += 34
	x := float64(margin)
	from := 0.0
	for i := range hatches {
		c.add(`<rect x="%s" y="%s" width="30" height="18" fill="%s" stroke="black"/>`, num(x), num(c.y-14), fill(i))
		what := "none"
		if i > 0 {
			what = fmt.Sprintf("over %g to %g %%", from, ends[i-1])
			from = ends[i-1]
		}
		c.text(x+36, c.y, 12, "start", "", what)
		x += 52 + 6.3*float64(len(what))
	}
	c.add(`<rect x="%s" y="%s" width="30" height="18" fill="white" stroke="black" stroke-dasharray="3 3"/>`, num(x), num(c.y-14))
	c.text(x+36, c.y, 12, "start", "", "not told")
}
