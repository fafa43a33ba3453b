package delivery

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// A guillotine lets the process die at one of the places where something
// durable happens: before it, in the middle of it, or after it.
type guillotine struct {
	at   int // which one, from 1; 0 never
	n    int
	hits map[string]int
}

// cut reports whether the process dies here.
func (g *guillotine) cut(what string) error {
	g.n++
	if g.n != g.at {
		return nil
	}
	if g.hits != nil {
		g.hits[what]++
	}
	return fmt.Errorf("%s: %w", what, errCrash)
}

type fragileBucket struct {
	Bucket
	g *guillotine
}

// name says which of the values a key is of.
func keyKind(k string) string { return strings.Split(k, ".")[1] }

func (b fragileBucket) Put(ctx context.Context, k string, v []byte) error {
	if err := b.g.cut("before put " + keyKind(k)); err != nil {
		return err
	}
	if err := b.Bucket.Put(ctx, k, v); err != nil {
		return err
	}
	return b.g.cut("after put " + keyKind(k))
}

func (b fragileBucket) Delete(ctx context.Context, k string) error {
	if err := b.g.cut("before delete " + keyKind(k)); err != nil {
		return err
	}
	if err := b.Bucket.Delete(ctx, k); err != nil {
		return err
	}
	return b.g.cut("after delete " + keyKind(k))
}

type fragileSink struct {
	adapters.Sink
	g   *guillotine
	dir string
}

func (s fragileSink) Send(ctx context.Context, b *adapters.Batch) error {
	if err := s.g.cut("before send"); err != nil {
		return err
	}
	if err := s.Sink.Send(ctx, b); err != nil {
		return err
	}
	if err := s.g.cut("between file and manifest"); err != nil {
		return errors.Join(err, os.Remove(filepath.Join(s.dir, b.Name+folder.ManifestSuffix)))
	}
	return s.g.cut("after send")
}

func (w *world) fragile(g *guillotine) {
	w.o.Bucket = fragileBucket{w.bucket, g}
	inner := w.o.Sink
	w.o.Sink = func(ctx context.Context, f *config.Feed) (adapters.Sink, error) {
		s, err := inner(ctx, f)
		return fragileSink{s, g, f.Folder}, err
	}
}

// tale is what happens in the crash test: facts, corrections, an animal that
// becomes known later, a refused event, a second file for deletes.
func tale(w *world, r *roster, picky *pickySink, deliver func()) {
	for i := range 4 {
		w.say("A", fmt.Sprintf("a%d/x", i), lesion("SU"))
		w.say("B", fmt.Sprintf("b%d/x", i), lesion("DD"))
		w.say("C", fmt.Sprintf("c%d/x", i), lesion("SU"))
		w.commit()
	}
	picky.bad[string(w.entity("c1/x"))+".1"] = "refused"
	deliver()
	w.say("A", "a0/x", lesion("WL"))
	w.unsay("C", "c0/x", lesion("SU"))
	w.say("B", "b1/x", lesion("SU"))
	w.commit()
	w.unsay("A", "a1/x", lesion("SU"))
	w.say("D", "d0/x", lesion("SU"))
	w.commit()
	deliver()
	r.known["larkfield|B"] = true
	w.say("B", "animal/x", &events.Animal{Sex: "female"})
	w.commit()
	deliver()
	clear(picky.bad)
	_, err := w.desk().Replay(w.ctx(), "vet", "", "")
	if errors.Is(err, errCrash) { // whoever asked asks again
		_, err = w.desk().Replay(w.ctx(), "vet", "", "")
	}
	if err != nil {
		w.t.Fatal(err)
	}
	deliver()
	w.unsay("B", "b0/x", lesion("DD"))
	w.commit()
	deliver()
}

// runTale tells the tale with a death at the given moment and returns every
// file in the recipient's folder, and how many moments there were.
func runTale(t *testing.T, g *guillotine, layout string, real bool) (map[string]string, int) {
	t.Helper()
	w := newWorld(t, strings.Replace(vet("known-animals: wait\n"+layout), "[lesion, examination, treatment, animal]", "[lesion, animal]", 1))
	if real {
		w.real()
	}
	r := &roster{known: map[string]bool{"larkfield|A": true, "larkfield|C": true, "larkfield|D": true}}
	w.o.Known = r
	picky := &pickySink{bad: map[string]string{}}
	w.picky(picky)
	w.fragile(g)
	tale(w, r, picky, func() {
		for try := 0; ; try++ {
			err := w.desk().Once(w.ctx())
			if err == nil {
				return
			}
			if !errors.Is(err, errCrash) || try > 3 {
				t.Fatal(err)
			}
		}
	})
	files := map[string]string{}
	all, err := os.ReadDir(w.out())
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range all {
		files[x.Name()] = w.read(x.Name())
	}
	return files, g.n
}

// A crash at any of the beats leaves the same files with the same bytes as no
// crash at all: nothing is missing, nothing is there twice.
func TestFeed_CrashAtAnyBeatLeavesTheSameFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("one goroutine does it: nothing for the race detector")
	}
	hits := map[string]int{}
	for _, tt := range []struct {
		layout string
		real   bool
		step   int
	}{
		{"batch: {rows: 3}", true, 7},
		{"batch: {rows: 3}", false, 5},
		{"format: mapping\nmapping: herd.yaml\ndeletes: file\nbatch: {rows: 3}", false, 3},
		{adeFeed + "batch: {rows: 3}", false, 9},
	} {
		want, n := runTale(t, &guillotine{}, tt.layout, tt.real)
		if n < 40 || len(want) < 10 {
			t.Fatalf("the tale is too short: %d moments, %d files", n, len(want))
		}
		if *long {
			tt.step = 1
		}
		for at := 1; at <= n; at++ {
			if at > 8 && at%tt.step != 0 { // what happens once happens at the start
				continue
			}
			got, _ := runTale(t, &guillotine{at: at, hits: hits}, tt.layout, tt.real)
			if !maps.Equal(got, want) {
				t.Fatalf("%s: dead at moment %d of %d: got files\n%s\nwant\n%s", tt.layout, at, n, differ(got, want), differ(want, got))
			}
		}
	}
	// each beat dies often enough to mean something, each rarer write at least once
	for what, least := range map[string]int{
		"before put state": 10, "after put state": 10, "before send": 5, "between file and manifest": 5, "after send": 5,
		"before put animal": 1, "after put animal": 1, "before delete animal": 1, "after delete animal": 1,
		"before put history": 1, "after put history": 1, "before put mapping": 1, "after put mapping": 1,
	} {
		if hits[what] < least {
			t.Errorf("%d crashes %s, want at least %d", hits[what], what, least)
		}
	}
}

// differ names what a has that b lacks or has otherwise.
func differ(a, b map[string]string) string {
	var out []string
	for _, k := range slices.Sorted(maps.Keys(a)) {
		if a[k] != b[k] {
			out = append(out, k+":\n"+a[k])
		}
	}
	return strings.Join(out, "\n")
}
