package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"dewclaw/daemon/internal/demo"
	"dewclaw/events"
	"dewclaw/events/measures"
	"dewclaw/events/measures/picture"
)

// shown are the figures that the demo tells: of each measure the first one whose
// key begins so, which is the one of the newest session where it has several.
var shown = []struct{ measure, key string }{
	{"lameness", "lame."}, {"lameness", "severe."}, {"confirmed", "confirmed."}, {"change", "newly."}, {"episodes", "episodes.month"},
	{"lesions", "animals.any"}, {"dermatitis", "active.animals"}, {"cases", "new.U.month"}, {"waiting", "within"}, {"devices", "ulcers.blocked"},
}

// figures tells how both herds stand on the demo's last day, after a year, and
// leaves the pictures beside the pages.
func (s *showing) figures() error {
	dir := filepath.Join(s.app.dir(), pagesFolder)
	s.app.printf("How the herds stand at the end of %s, after a year (pictures, .svg, are in %s):\n", demo.LastDay, dir)
	t := newSheet("figure", demo.Aulnaie, demo.PebbleYard)
	t.fold = 0
	reports := map[string]map[string]*measures.Report{}
	for _, farm := range []string{demo.Aulnaie, demo.PebbleYard} {
		var err error
		if reports[farm], err = s.reports(farm, dir); err != nil {
			return err
		}
	}
	for _, x := range shown {
		row := []any{""}
		for _, farm := range []string{demo.Aulnaie, demo.PebbleYard} {
			f := firstFigure(reports[farm][x.measure], x.key)
			if f == nil {
				row = append(row, "cannot be told")
				continue
			}
			row[0] = f.What
			if f.Section != "" && x.measure != "lameness" && x.measure != "confirmed" && x.measure != "change" {
				row[0] = f.Section + ": " + f.What
			}
			if s.figure == "" {
				s.figure = f.ID
			}
			row = append(row, figureValue(f)+" ("+figureCount(f)+")")
		}
		t.row(row...)
	}
	if err := t.print(s.app.stdout); err != nil {
		return err
	}
	s.app.printf("\n")
	return nil
}

// reports works out every measure of one farm and draws those that have a picture.
func (s *showing) reports(farm, dir string) (map[string]*measures.Report, error) {
	out := map[string]*measures.Report{}
	q := s.e.dated(measures.Question{Farm: farm, To: demo.LastDay})
	for _, m := range measures.All() {
		r, err := s.e.report(s.app.ctx, m.Name, q)
		if err != nil {
			return nil, err
		}
		out[m.Name] = r
	}
	for _, name := range picture.Names() {
		b, err := picture.Draw(out[name])
		if err != nil {
			return nil, err
		}
		if err := os.WriteFile(filepath.Join(dir, farm+"-"+name+".svg"), b, 0o644); err != nil {
			return nil, fmt.Errorf("write picture: %w: %w", err, events.ErrUnavailable)
		}
	}
	return out, nil
}

func firstFigure(r *measures.Report, prefix string) *measures.Figure {
	for i := range r.Figures {
		if f := &r.Figures[i]; strings.HasPrefix(f.Key, prefix) && f.Group == "" {
			return f
		}
	}
	return nil
}
