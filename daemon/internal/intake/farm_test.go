package intake_test

import (
	"bytes"
	"errors"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

const farmByRow = `mapping: chute
direction: in
dates: YYYY-MM-DD
read: {format: csv}
farm: herd
record: {identifier: [herd-number]}
animal: {herd-number: tag}
occurred: {date: date}
row: {foot: foot}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown}
`

// settledBefore is the log of a barn that took rows of two farms in by a language
// revision, and in which a person dropped, fixed and released some; from revision 2
// on, decisions name the farm.
func settledBefore(t *testing.T, language int) *house {
	t.Helper()
	h := fresh(t)
	src := source(t, "chute", "", "chute.yaml", []byte(farmByRow))
	src.Farms = map[string]string{"larkfield": "Europe/Berlin", "stony-run": "America/Chicago"}
	src.Mapping = src.Mapping.Of(language)
	h.take(src, "a.csv", []byte("herd,tag,date,foot\nlarkfield,1,2026-03-02,LH\nlarkfield,2,2026-03-02,XX\nstony-run,3,2026-03-02,XX\nwho,4,2026-03-02,RH\n"))
	settle := func(tag, action string) {
		t.Helper()
		for _, id := range heldIDs(t, h) {
			k, _, err := h.in.Kept(t.Context(), id)
			if err != nil {
				t.Fatal(err)
			}
			if k.Held.Seen.Animal != tag {
				continue
			}
			farm, err := h.in.FarmOf(t.Context(), k, nil)
			if err != nil || farm != map[string]string{"2": "larkfield", "3": "stony-run"}[tag] {
				t.Errorf("animal %s: farm %q, %v", tag, farm, err)
			}
			s := intake.Settlement{Source: "chute", Farm: farm, Decision: events.Decision{Action: action, Held: id, Who: "anna", Why: "told by phone"}}
			switch action {
			case events.ActionRelease:
				k.Raw, k.Fixed = strings.Replace(k.Raw, "XX", "LH", 1), true
				_, err = h.in.Release(t.Context(), src, k, s)
			default:
				if action == events.ActionFix {
					s.Decision.Set = []events.Assignment{{Field: intake.RawField, To: strings.Replace(k.Raw, "XX", "LH", 1)}}
				}
				_, err = h.in.Settle(t.Context(), s)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	settle("2", events.ActionDrop)
	settle("3", events.ActionFix)
	settle("3", events.ActionRelease)
	settle("4", events.ActionDrop)
	if language > 1 {
		return h
	}
	// As it was written then: without the farm of the decision.
	for p := range h.log.bytes {
		h.log = h.log.rewrite(t, events.Position(p+1), func(e *events.Entry) {
			if e.Cause != events.CauseDecision {
				return
			}
			for _, farm := range []string{"larkfield", "stony-run"} {
				e.Events[0] = bytes.Replace(e.Events[0], []byte(`"farm":"`+farm+`",`), nil, 1)
			}
			e.Defaults.Farm = ""
		})
	}
	return h
}

func heldIDs(t *testing.T, h *house) (ids []string) {
	t.Helper()
	for e, err := range h.log.Read(t.Context(), 1) {
		if err != nil {
			t.Fatal(err)
		}
		for i := range e.Held {
			ids = append(ids, e.Held[i].ID)
		}
	}
	return ids
}

func decisionFarms(t *testing.T, log *memoryLog) (farms []string) {
	t.Helper()
	for _, ev := range eventsOf(t, log, 1) {
		if ev.Kind == events.KindDecision {
			farms = append(farms, ev.Farm)
		}
	}
	return farms
}

// A hub goes on behind decisions about held rows of a source that tells of several
// farms: of logs of before, in which none of these decisions has a farm, and of
// now, in which one about a row whose farm nobody can read has none.
func TestRepeat_DecisionsAboutRowsOfSeveralFarms(t *testing.T) {
	for language, want := range map[int][]string{1: {"", "", "", ""}, 2: {"larkfield", "stony-run", "stony-run", ""}} {
		barn := settledBefore(t, language)
		if got := decisionFarms(t, barn.log); !slices.Equal(got, want) {
			t.Fatalf("language %d: the log of the barn is another than it should be: decisions of farms %q, want %q", language, got, want)
		}
		hub := newHouse(t, t.TempDir(), &memoryLog{id: "log-hub"})
		t.Cleanup(hub.close)
		b := &intake.Barn{ID: "north", Farms: []string{"larkfield", "stony-run"}}
		if err := hub.repeat(b, barn.log); err != nil {
			t.Fatalf("language %d: %v", language, err)
		}
		if n, err := hub.ix.CountHeld(""); n != 0 || err != nil {
			t.Errorf("language %d: %d records are held at the hub, %v", language, n, err)
		}
		if got := decisionFarms(t, hub.log); !slices.Equal(got, want) {
			t.Errorf("language %d: got decisions of farms %q, want %q", language, got, want)
		}
		for _, d := range verifyLog(t, hub.dir, hub.log).Differences {
			t.Errorf("language %d: verify the hub: %+v", language, d)
		}
		for _, d := range verifyLog(t, barn.dir, barn.log).Differences {
			t.Errorf("language %d: verify the barn: %+v", language, d)
		}
	}
}

// What names no farm is taken over only if it is such a decision, and what names a
// farm that is not the barn's is not, be it in a held record.
func TestRepeat_RefusesWhatIsOfNoFarmOfTheBarn(t *testing.T) {
	barn := settledBefore(t, 2)
	for name, change := range map[string]func(e *events.Entry){
		"a held record of another farm": func(e *events.Entry) {
			if len(e.Held) > 0 {
				e.Held[0].Farm = "hilltop"
			}
		},
		"an identity of no farm": func(e *events.Entry) {
			if e.Cause == events.CauseDecision {
				e.Events[0] = bytes.Replace(e.Events[0], []byte(events.ActionDrop), []byte(events.ActionSame), 1)
				e.Events[0] = bytes.Replace(e.Events[0], []byte(`"farm":"larkfield",`), nil, 1)
				e.Defaults.Farm = ""
			}
		},
	} {
		log := barn.log
		for p := range log.bytes {
			log = log.rewrite(t, events.Position(p+1), change)
		}
		hub := newHouse(t, t.TempDir(), &memoryLog{id: "log-hub"})
		err := hub.repeat(&intake.Barn{ID: "north", Farms: []string{"larkfield", "stony-run"}}, log)
		if !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "farm: wanted one of larkfield, stony-run") {
			t.Errorf("%s: got %v", name, err)
		}
		hub.close()
	}
}

// A whole export with decisions that have no farm goes into another log, and comes
// out of it the same.
func TestImport_DecisionsWithoutAFarm(t *testing.T) {
	for _, language := range []int{1, 2} {
		was := settledBefore(t, language)
		export := func(log *memoryLog) []byte {
			var out bytes.Buffer
			for e, err := range log.Read(t.Context(), 1) {
				if err != nil {
					t.Fatal(err)
				}
				for ev, err := range e.All() {
					if err != nil {
						t.Fatal(err)
					}
					out.Write(append(intake.ExportLine(e, &ev), '\n'))
				}
			}
			return out.Bytes()
		}
		file := export(was.log)
		now := newHouse(t, t.TempDir(), &memoryLog{id: "log-2"})
		t.Cleanup(now.close)
		deps := intake.ImportDeps{
			Log: now.log, Index: now.ix, Archive: now.archive, Name: "all.ndjson",
			Farm: func(id string) bool { return id == "larkfield" || id == "stony-run" },
		}
		if _, err := intake.Import(t.Context(), deps, bytes.NewReader(file)); err != nil {
			t.Fatalf("language %d: %v", language, err)
		}
		if again := export(now.log); !bytes.Equal(again, file) {
			t.Errorf("language %d: exported again\n%s\nwant\n%s", language, again, file)
		}
		for _, d := range verifyLog(t, filepath.Clean(now.dir), now.log).Differences {
			t.Errorf("language %d: verify: %+v", language, d)
		}
		// A fact must have a farm.
		bad := bytes.Replace(file, []byte(`"farm":"larkfield",`), nil, 1)
		bad = bytes.Replace(bad, []byte("/farms/larkfield/"), []byte("/farms//"), 1)
		deps.Log, deps.Name = &memoryLog{id: "log-3"}, "bad.ndjson"
		other := newHouse(t, t.TempDir(), deps.Log.(*memoryLog))
		deps.Index, deps.Archive = other.ix, other.archive
		if _, err := intake.Import(t.Context(), deps, bytes.NewReader(bad)); !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "line 1: farm: wanted one of the config") {
			t.Errorf("language %d: an examination without a farm: got %v", language, err)
		}
		other.close()
	}
}
