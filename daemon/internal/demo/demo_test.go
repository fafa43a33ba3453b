package demo

import (
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

func TestMake_FollowsFromItsSeed(t *testing.T) {
	p1, o1 := Make(Seed)
	p2, o2 := Make(Seed)
	if !reflect.DeepEqual(p1, p2) || !reflect.DeepEqual(o1, o2) {
		t.Error("the same seed made something else")
	}
	if _, o3 := Make(Seed + 1); reflect.DeepEqual(o1, o3) {
		t.Error("another seed made the same")
	}
}

func TestMake_IsAYearOfTwoFarmsWithTwoPercentRotten(t *testing.T) {
	for seed := range uint64(5) {
		p, originals := Make(seed)
		if p.Farms != 2 || p.Cows != 400 || p.Files != len(originals) || len(p.Sources) != 6 {
			t.Errorf("seed %d: %+v", seed, p)
		}
		total := p.Total()
		if !total.Balanced() || total.Retracted != 0 {
			t.Errorf("seed %d: %v does not balance", seed, total)
		}
		again := total.Held - p.Rotten // rotten rows in the export that overlaps
		distinct := total.Accepted + p.Rotten
		if share := 1000 * p.Rotten / distinct; share < 18 || share > 22 || again < 0 {
			t.Errorf("seed %d: %d of %d records rotten, %d of them twice", seed, p.Rotten, distinct, again)
		}
		if total.Amended != 5 || total.Duplicate < 50 {
			t.Errorf("seed %d: %v: wanted 5 amended (three grades, two scores) and an overlap", seed, total)
		}
		if p.Wrong.Animal == "" {
			t.Errorf("seed %d: no mistake to put right", seed)
		}
		for _, o := range originals {
			if o.when.After(day(366)) || len(o.body) == 0 {
				t.Errorf("seed %d: %s: %d bytes of %v", seed, o.name, len(o.body), o.when)
			}
		}
	}
}

func TestMake_RotsInEveryWayItKnows(t *testing.T) {
	seen := map[string]bool{}
	for seed := range uint64(8) {
		p, _ := Make(seed)
		for k := range p.Kinds {
			seen[k] = true
		}
	}
	want := map[string]bool{}
	for _, r := range semicolonRot {
		want[r.name] = true
	}
	for _, r := range inchRot {
		want[r.name] = true
	}
	for _, r := range vetRot {
		want[r.name] = true
	}
	for _, r := range gaitRot {
		want[r.name] = true
	}
	for _, r := range barnRot {
		want[r.name] = true
	}
	for _, r := range rosterRot {
		want[r.name] = true
	}
	if !maps.Equal(seen, want) {
		t.Errorf("got %v, wanted %v", seen, want)
	}
}

// TestWork_LooksLikeAHerd holds the year to plain rules of the trade: scores in
// the first whole week of a month, wraps off on the next day, blocks mostly on the
// partner claw (common practice), lesions of the skin on no claw and in zones
// the code list knows as theirs.
func TestWork_LooksLikeAHerd(t *testing.T) {
	herd := makeHerd(Seed)
	exams, scores := work(Seed, herd)
	if len(exams) < 1000 || len(scores) < 3000 {
		t.Fatalf("%d examinations, %d scores", len(exams), len(scores))
	}
	lame := 0
	for _, s := range scores {
		if s.at.Day() > 9 || s.at.Hour() < 6 || s.at.Hour() > 9 {
			t.Errorf("score at %v", s.at)
		}
		if s.cow.farm == Aulnaie && s.value >= 2 || s.cow.farm == PebbleYard && s.value >= 3 {
			lame++
		}
	}
	if share := float64(lame) / float64(len(scores)); share < 0.1 || share > 0.35 { // herd means 5 to 45 %, Thomsen et al. 2023
		t.Errorf("share of lame scores %.2f", share)
	}
	wraps, offs := map[string]time.Time{}, map[string]bool{}
	blocks, partnerClaw, lesions := 0, 0, 0
	for _, x := range exams {
		for _, l := range x.found {
			lesions++
			k := codes.Lesions().Get(l.code)
			if k == nil {
				t.Fatalf("lesion %q is not in the list", l.code)
			}
			if skin := k.Level == "foot"; skin != (l.claw == "") {
				t.Errorf("%s on claw %q", l.code, l.claw)
			}
		}
		if x.blockOn != nil {
			blocks++
			if l := x.lesionOn(x.blockOn.foot); l != nil && l.claw != x.blockOn.claw {
				partnerClaw++
			}
		}
		if x.wrapOn != "" {
			wraps[x.cow.key()+x.wrapOn] = x.at
		}
		for _, o := range x.off {
			if o.what == "wrap" {
				on := wraps[x.cow.key()+o.foot]
				if d := x.at.Truncate(24 * time.Hour).Sub(on.Truncate(24 * time.Hour)); d != 24*time.Hour {
					t.Errorf("wrap of %s on at %v, off at %v", x.cow.key(), on, x.at)
				}
				offs[x.cow.key()+o.foot+ymd(on)] = true
			}
		}
	}
	if blocks < 30 || float64(partnerClaw)/float64(blocks) < 0.9 {
		t.Errorf("%d of %d blocks on the partner claw", partnerClaw, blocks)
	}
	if len(offs) < 20 || lesions < 400 {
		t.Errorf("%d wraps taken off, %d lesions", len(offs), lesions)
	}
}

func TestInches_AreWrittenAsOnATape(t *testing.T) {
	tests := []struct {
		mm   float64 // 1 in = 25.4 mm exactly (international yard and pound agreement, 1959)
		want string
	}{{76.2, "3"}, {82.55, "3 1/4"}, {84.1375, "3 5/16"}, {88.9, "3 1/2"}, {77.7875, "3 1/16"}}
	for _, tt := range tests {
		if got := inches(tt.mm); got != tt.want {
			t.Errorf("%v mm: got %q, wanted %q", tt.mm, got, tt.want)
		}
	}
}

func TestWrite_ChangesNothingTheSecondTime(t *testing.T) {
	dir := t.TempDir()
	if _, err := Write(dir, Seed); err != nil {
		t.Fatal(err)
	}
	before := times(t, dir)
	if _, err := Write(dir, Seed); err != nil {
		t.Fatal(err)
	}
	if after := times(t, dir); !maps.Equal(before, after) || len(before) < 55 {
		t.Errorf("files changed, or too few: %d", len(before))
	}
}

func TestWrite_LeavesAnothersFilesAlone(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "dewclaw.yaml")
	if err := os.WriteFile(path, []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	_, err := Write(dir, Seed)
	if !errors.Is(err, events.ErrInvalid) || len(events.Hints(err)) == 0 {
		t.Errorf("got %v, wanted kind invalid with a hint", err)
	}
	if b, _ := os.ReadFile(path); string(b) != "mine" {
		t.Errorf("file is now %q", b)
	}
}

func times(t *testing.T, dir string) map[string]time.Time {
	t.Helper()
	m := map[string]time.Time{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		i, err := d.Info()
		if err == nil {
			m[path] = i.ModTime()
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return m
}
