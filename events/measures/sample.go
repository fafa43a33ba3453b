package measures

import (
	"fmt"
	"slices"
	"strconv"

	"dewclaw/events/measures/stats"
)

func percent(v float64) string { return strconv.FormatFloat(v, 'g', 4, 64) + " %" }

// sample makes how many animals must be scored on the last day of the period to
// tell the prevalence to a wanted precision, and to find one lame animal at least.
// Drawn at random: the first or the last cows of a milking are not (Main et al.
// 2010, pubag.nal.usda.gov 2242400: the last third was 11.9 points higher).
func (w *work) sample() {
	w.chooseBase(InMilk)
	size := w.eligible(w.period.to - 1)
	expect, why, of := w.expected()
	d := w.q.Span / 100
	w.parameter("expected prevalence", percent(100*expect)+" ("+why+")")
	w.report.Parameters[len(w.report.Parameters)-1].from = []string{"precision.endless"}
	w.parameter("wanted precision", "plus and minus "+percent(w.q.Span))
	w.parameter("level", w.q.Level)
	n0 := stats.SampleSize(expect, d, w.q.Level)
	w.sizeFigure("herd", "animals in the herd on that day", float64(size)).note("%s", w.report.Of)
	w.sizeFigure("precision.endless", "animals to score in a very large herd", float64(stats.Whole(n0))).heads = of
	if size == 0 {
		w.note("for this herd it cannot be worked out: no roster tells how many animals there are")
		return
	}
	w.sizeFigure("precision", "animals to score in this herd", float64(stats.Whole(stats.FiniteCochran(n0, size)))).
		note("by n0 / (1 + (n0 - 1) / N); by n0 / (1 + n0 / N) %d", stats.Whole(stats.FiniteSimple(n0, size))).heads = of
	lame := stats.Affected(size, w.q.Detect)
	w.sizeFigure("detection", fmt.Sprintf("animals to score to find one at least, if %s or more are lame", percent(w.q.Detect)), float64(stats.DetectionSize(size, lame, w.q.Level))).
		note("exactly, if %d of %d are; the closed form in print says %.1f", lame, size, stats.DetectionApproximate(size, lame, w.q.Level))
	w.note("only of animals drawn at random; say how they were drawn, and do not conclude from chosen cows to the herd")
}

func (w *work) sizeFigure(key, what string, n float64) *Figure {
	f := w.add(key, what)
	f.Unit, f.Value = "animals", Number(n)
	return f
}

// expected returns the prevalence to reckon with, where it is from, and the animals
// behind it, if there are any.
func (w *work) expected() (float64, string, *heads) {
	if w.q.Expect > 0 {
		return w.q.Expect / 100, "as asked", nil
	}
	w.makeLooks()
	for _, s := range slices.Backward(w.herdSessions()) {
		if w.isPartial(s) {
			continue // chosen animals say nothing of the herd
		}
		if t := count(s.looks, isLame); t.x > 0 && t.x < t.n {
			return float64(t.x) / float64(t.n), "that of the session of " + s.day.String(), &heads{n: t.n, counted: t.x, rest: t.n - t.x}
		}
		break
	}
	return 0.5, "nothing known: the one that needs most animals", nil
}
