package events_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"os"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/events"
)

var record = flag.Bool("record", false, "write the vectors of entities that are not there yet")

// A vector is one entity that was given out once and must be given out for ever:
// were it another, a source read again would double every fact.
type vector struct {
	Farm     string   `json:"farm"`
	Source   string   `json:"source"`
	Form     string   `json:"form"` // own, examination, animal or group
	Key      []string `json:"key"`
	Kind     string   `json:"kind"`
	Ordinal  int      `json:"ordinal"`
	Slot     []string `json:"slot"`
	Entity   string   `json:"entity"`
	HeldID   string   `json:"heldID"` // of the same source and the bytes of Key joined by ";"
	Compared string   `json:"compact"`
}

func (v *vector) make() {
	k := events.NewKeyer(v.Farm, v.Source)
	var r events.RecordID
	switch v.Form {
	case "own":
		r = k.OwnKey(v.Key[0])
	case "examination":
		r = k.ExaminationKey(v.Key[0])
	case "animal":
		r = k.AnimalKey(events.Identifier{Scheme: v.Key[0], Value: v.Key[1]}, v.Key[2], v.Key[3], v.Key[4])
		v.Compared = events.Compact(v.Key[1])
	}
	if v.Form == "group" {
		r = k.GroupKey(v.Key[0], v.Key[1], v.Key[2], v.Key[3])
	}
	v.Entity = string(r.Entity(k.Slot(events.Kind(v.Kind), v.Ordinal, v.Slot...)))
	v.HeldID = events.HeldID(v.Source, []byte(strings.Join(v.Key, ";")))
}

func wantedVectors() []vector {
	return []vector{
		{Farm: "larkfield", Source: "gait", Form: "own", Key: []string{"g-0001"}, Kind: "locomotion"},
		{Farm: "larkfield", Source: "gait", Form: "own", Key: []string{"g-0002"}, Kind: "locomotion"},
		{Farm: "stony-run", Source: "gait", Form: "own", Key: []string{"g-0001"}, Kind: "locomotion"},
		{Farm: "larkfield", Source: "gait-2", Form: "own", Key: []string{"g-0001"}, Kind: "locomotion"},
		{Farm: "stony-run", Source: "chute", Form: "examination", Key: []string{"V-2201"}, Kind: "examination"},
		{Farm: "stony-run", Source: "chute", Form: "examination", Key: []string{"V-2201"}, Kind: "lesion", Slot: []string{"RH", "outer", "SU", "4"}},
		{Farm: "stony-run", Source: "chute", Form: "examination", Key: []string{"V-2201"}, Kind: "lesion", Ordinal: 1, Slot: []string{"RH", "outer", "SU", "4"}},
		{Farm: "larkfield", Source: "chute", Form: "animal", Key: []string{"ear-tag", "DE 09 412 00731", "2026-03-04", "04.03.2026", "08:12"}, Kind: "examination"},
		{Farm: "larkfield", Source: "chute", Form: "animal", Key: []string{"ear-tag", "DE 09 412 00731", "2026-03-04", "04.03.2026", "08:12"}, Kind: "treatment", Slot: []string{"RH", "inner", "block"}},
		{Farm: "larkfield", Source: "chute", Form: "animal", Key: []string{"ear-tag", "de.09-412\u00a000731", "", "", ""}, Kind: "examination"},
		{Farm: "", Source: "", Form: "own", Key: []string{""}, Kind: "visit"},
		{Farm: "größe", Source: "ß", Form: "own", Key: []string{"Ä\x00;é 999999999999999999999"}, Kind: "animal"},
		{Farm: "larkfield", Source: "barn", Form: "animal", Key: []string{"ear-tag", "DE 09 412 00731", "2026-03-08", "2026-03-08", "07:05"}, Kind: "check", Slot: []string{"RH", "inner", "block"}},
		{Farm: "larkfield", Source: "barn", Form: "animal", Key: []string{"ear-tag", "DE 09 412 00731", "2026-03-08", "2026-03-08", ""}, Kind: "claw", Slot: []string{"RH", "outer"}},
		{Farm: "larkfield", Source: "barn", Form: "animal", Key: []string{"ear-tag", "DE 09 412 00731", "2026-03-08", "2026-03-08", ""}, Kind: "order", Slot: []string{"RH", "unknown", "recheck"}},
		{Farm: "larkfield", Source: "barn", Form: "group", Key: []string{"2,fresh", "2026-03-08", "8.3.26", "6:40"}, Kind: "group", Slot: []string{"footbath", "2", "fresh"}},
	}
}

const vectorFile = "testdata/entities.json"

func TestEntities_NeverChange(t *testing.T) {
	b, err := os.ReadFile(vectorFile)
	if err != nil && !*record {
		t.Fatal(err)
	}
	var kept []vector
	if b != nil {
		if err := json.Unmarshal(b, &kept); err != nil {
			t.Fatal(err)
		}
	}
	if *record {
		for _, v := range wantedVectors()[len(kept):] {
			v.make()
			kept = append(kept, v)
		}
		b, err := json.MarshalIndent(kept, "", "  ")
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(vectorFile, append(b, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if len(kept) < len(wantedVectors()) {
		t.Errorf("%s has %d vectors, wanted %d; a new one comes with -record", vectorFile, len(kept), len(wantedVectors()))
	}
	seen := map[string]bool{}
	for i, want := range kept {
		got := want
		got.Entity, got.HeldID, got.Compared = "", "", ""
		got.make()
		if got.Entity != want.Entity || got.HeldID != want.HeldID || got.Compared != want.Compared {
			t.Errorf("vector %d: entity %s, held %s, compact %q, wanted %s, %s, %q", i, got.Entity, got.HeldID, got.Compared, want.Entity, want.HeldID, want.Compared)
		}
		if seen[got.Entity] {
			t.Errorf("vector %d: entity %s a second time", i, got.Entity)
		}
		seen[got.Entity] = true
	}
}

func TestRecordID_TextSortsAsItsBytes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := events.RecordID(rapid.SliceOfN(rapid.Byte(), 13, 13).Draw(t, "a"))
		b := events.RecordID(rapid.SliceOfN(rapid.Byte(), 13, 13).Draw(t, "b"))
		if strings.Compare(a.String(), b.String()) != bytes.Compare(a[:], b[:]) {
			t.Fatalf("%s and %s do not sort as their bytes", a, b)
		}
		if got, err := events.ParseRecordID(a.String()); err != nil || got != a {
			t.Fatalf("%s reads back as %s, %v", a, got, err)
		}
	})
	for _, bad := range []string{"", "0", strings.Repeat("0", 20), strings.Repeat("0", 22), strings.Repeat("w", 21), strings.Repeat("V", 21), strings.Repeat("0", 20) + "1"} {
		if got, err := events.ParseRecordID(bad); !errors.Is(err, events.ErrInvalid) || got != (events.RecordID{}) {
			t.Errorf("ParseRecordID(%q) = %v, %v, wanted an error of kind invalid", bad, got, err)
		}
	}
}

// Parts keep apart: no two lists of parts make one key, however they are cut.
func TestKeyer_KeepsPartsApart(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.SliceOfN(rapid.StringN(0, 3, -1), 0, 4).Draw(t, "a")
		b := rapid.SliceOfN(rapid.StringN(0, 3, -1), 0, 4).Draw(t, "b")
		k := events.NewKeyer("f", "s")
		if same := k.Slot("lesion", 0, a...) == k.Slot("lesion", 0, b...); same != slices.Equal(a, b) {
			t.Fatalf("%q and %q: one slot %v", a, b, same)
		}
	})
	k := events.NewKeyer("f", "s")
	if k.OwnKey("x") == k.ExaminationKey("x") || k.Slot("a", 0) == k.Slot("a", 1) || k.Slot("a", 0) == k.Slot("b", 0) {
		t.Error("forms, ordinals or kinds are not kept apart")
	}
	if events.NewKeyer("f", "s").OwnKey("x") == events.NewKeyer("fs", "").OwnKey("x") {
		t.Error("farm and source are not kept apart")
	}
}

// An index is fast where neighbours in time are neighbours in the key.
func TestKeyer_KeepsNeighboursTogether(t *testing.T) {
	k := events.NewKeyer("f", "s")
	id := events.Identifier{Scheme: "ear-tag", Value: "DE0941200731"}
	monday := k.AnimalKey(id, "2026-03-02", "2026-03-02", "08:00")
	if tuesday := k.AnimalKey(id, "2026-03-03", "2026-03-03", "08:00"); tuesday[0] != monday[0] || tuesday[1] != monday[1]+1 {
		t.Errorf("hints of two days that follow: % x and % x", monday[:2], tuesday[:2])
	}
	if undated := k.AnimalKey(id, "", "?", ""); undated[0] != 0 || undated[1] != 0 {
		t.Errorf("hint of no day: % x", undated[:2])
	}
	for _, date := range []string{"1969-12-31", "2150-01-01", "2026-02-30", "x"} {
		if r := k.AnimalKey(id, date, date, ""); r[0] != 0 || r[1] != 0 {
			t.Errorf("hint of %s: % x", date, r[:2])
		}
	}
	if a, b := k.OwnKey("g-1024"), k.OwnKey("g-1535"); !bytes.Equal(a[:2], b[:2]) {
		t.Errorf("keys that count up lie apart: % x and % x", a[:2], b[:2])
	}
}

func TestCompact(t *testing.T) {
	for in, want := range map[string]string{
		"DE 09 412 00731": "DE0941200731", "de.09-412": "DE09412", "840\u00a0003\u202f1": "8400031", "": "", "ABC": "ABC", "größe": "GRößE", "a\xffb": "A\ufffdB",
	} {
		if got := events.Compact(in); got != want {
			t.Errorf("Compact(%q) = %q, wanted %q", in, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s")
		if once := events.Compact(s); events.Compact(once) != once {
			t.Fatalf("Compact(%q) = %q changes again", s, once)
		}
	})
}

func TestParseEventID(t *testing.T) {
	e := events.Entity("0g00000000000000000000000000v")
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 1<<31).Draw(t, "revision")
		if got, rev, err := events.ParseEventID(events.EventID(e, n)); err != nil || got != e || rev != n {
			t.Fatalf("%s reads back as %s revision %d, %v", events.EventID(e, n), got, rev, err)
		}
		moved := events.Event{Entity: e, Revision: n, Moved: true}
		if got, rev, err := events.ParseEventID(moved.ID()); err != nil || got != e || rev != n || !events.IsMovedID(moved.ID()) || moved.ID() == events.EventID(e, n) {
			t.Fatalf("%s reads back as %s revision %d, %v", moved.ID(), got, rev, err)
		}
	})
	if got, rev, err := events.ParseEventID(string(e)); err != nil || got != e || rev != 0 {
		t.Errorf("a bare entity is %s revision %d, %v", got, rev, err)
	}
	for _, bad := range []string{"", ".1", string(e) + ".", string(e) + ".0", string(e) + ".-1", string(e) + ".x", string(e) + ".moved", string(e) + ".0.moved", string(e) + ".1.moved.moved", string(e) + "1", string(e[1:]) + ".1", "h-3f9a1c20be", strings.Repeat("0", 1<<20)} {
		if got, rev, err := events.ParseEventID(bad); !errors.Is(err, events.ErrInvalid) || got != "" || rev != 0 || len(err.Error()) > 300 {
			t.Errorf("ParseEventID(%.40q) = %s, %d, %v, wanted a short error of kind invalid", bad, got, rev, err)
		}
	}
}

func TestHeldID_IsOfSourceAndContent(t *testing.T) {
	a := events.HeldID("s", []byte("x"))
	if len(a) != 14 || a[:2] != "h-" || a == events.HeldID("t", []byte("x")) || a == events.HeldID("s", []byte("y")) || a != events.HeldID("s", []byte("x")) ||
		events.HeldID("s", []byte("x")) == events.HeldID("sx", nil) {
		t.Errorf("held ids: %s", a)
	}
}
