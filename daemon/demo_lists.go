package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"

	"dewclaw/daemon/internal/demo"
	"dewclaw/events"
	"dewclaw/events/worklist"
)

// pagesFolder is where the demo leaves pages to print, below its folder.
const pagesFolder = "pages"

// lists tells what is due on both farms at the end of the demo's last day, and
// leaves the pages to print.
func (s *showing) lists() error {
	dir := filepath.Join(s.app.dir(), pagesFolder)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make folder of pages: %w: %w", err, events.ErrUnavailable)
	}
	s.app.printf("What is due at the end of %s, by cows (pages to print are in %s):\n", demo.LastDay, dir)
	t := newSheet("farm", ">now", ">today", ">this visit", ">planned", ">routine", ">not now", ">held", "the first on the list")
	for _, f := range []string{demo.Aulnaie, demo.PebbleYard} {
		l, err := s.farmList(f, dir)
		if err != nil {
			return err
		}
		n := map[worklist.Tier]int{}
		for i := range l.Rows {
			n[l.Rows[i].Tier]++
		}
		first := "nobody"
		if len(l.Rows) > 0 {
			first = l.Rows[0].Cow + ": " + l.Rows[0].Reasons[0].Text
		}
		t.row(f, n[worklist.Now], n[worklist.Today], n[worklist.ThisVisit], n[worklist.Planned], n[worklist.Routine], n[worklist.NotNow], l.Unseen.Held, first)
	}
	if err := t.print(s.app.stdout); err != nil {
		return err
	}
	s.app.printf("\n")
	return nil
}

// farmList makes the lists of one farm for each reader, and the report of its
// last visit, and returns the trimmer's list.
func (s *showing) farmList(farm, dir string) (*worklist.List, error) {
	in, err := s.e.listInput(s.app.ctx, s.e.project.config.Farm(farm), demo.LastDay)
	if err != nil {
		return nil, err
	}
	var mine *worklist.List
	for _, r := range []worklist.Reader{worklist.Trimmer, worklist.Milkers, worklist.Vet, worklist.Manager} {
		l := worklist.Make(in, worklist.Options{For: r})
		if mine == nil {
			mine = l
		}
		var b bytes.Buffer
		if err := listPage(&b, l, "a4"); err != nil {
			return nil, err
		}
		if err := os.WriteFile(filepath.Join(dir, farm+"-"+string(r)+".html"), b.Bytes(), 0o644); err != nil {
			return nil, fmt.Errorf("write page: %w: %w", err, events.ErrUnavailable)
		}
	}
	last := ""
	for i := range in.Standings {
		if x := in.Standings[i].Examined; x != nil {
			last = max(last, x.Day)
		}
	}
	err = s.e.visitReport(s.app.ctx, visitQuery{Farm: farm, Date: last}, func(v any) error {
		var b bytes.Buffer
		if err := visitPage(&b, v.(*worklist.Visit), "a4"); err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(dir, farm+"-visit-"+last+".html"), b.Bytes(), 0o644)
	})
	return mine, err
}
