package picture

import (
	"strings"

	"dewclaw/events"
	"dewclaw/events/measures"
)

// drawings are the measures that have a picture.
var drawings = map[string]func(*canvas, *measures.Report) error{
	"lameness":  func(c *canvas, r *measures.Report) error { return run(c, r, "lame.") },
	"confirmed": func(c *canvas, r *measures.Report) error { return run(c, r, "confirmed.") },
	"trend":     func(c *canvas, r *measures.Report) error { return run(c, r, "lame.") },
	"recurrence": func(c *canvas, r *measures.Report) error {
		return survival(c, r, "healed claws without the lesion, of 100", nil)
	},
	"waiting": waits,
	"zones":   claws,
}

// Names lists the measures that have a picture, in the order of [measures.All].
func Names() (out []string) {
	for _, m := range measures.All() {
		if drawings[m.Name] != nil {
			out = append(out, m.Name)
		}
	}
	return out
}

// Draw returns the picture of a report as an SVG document. The error is of kind
// [events.ErrInvalid] for a measure without a picture or a report without anything
// to draw. The same report makes the same bytes.
func Draw(r *measures.Report) ([]byte, error) {
	draw := drawings[r.Measure]
	if draw == nil {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: "measure " + r.Measure, What: "picture", Wanted: "one of " + strings.Join(Names(), ", "), Got: r.Measure,
		}
	}
	c := &canvas{}
	c.head(r)
	if err := draw(c, r); err != nil {
		return nil, err
	}
	return c.finish(r.Title + ", " + r.Question.Farm), nil
}

// nothing is the error of a report without anything to draw.
func nothing(r *measures.Report, why string) error {
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "measure " + r.Measure, What: "picture of " + r.Question.Farm + " from " + r.Question.From + " to " + r.Question.To,
		Wanted: why, Got: "none",
	}
}
