package delivery

import (
	"reflect"
	"testing"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/events"
)

// The manifest of a file says whose facts are in it, and nothing of farms that are in
// the feed and not in the file.
func TestManifest_SaysOfWhichFarmsTheFileTells(t *testing.T) {
	const two = `
feeds:
  vet: {recipient: vet, farms: [larkfield, stony-run], kinds: [lesion, treatment], to: {folder: OUT} }
grants:
  - {farm: larkfield, recipient: vet, purpose: care, kinds: [lesion, treatment], fields: identities, from: 2026-01-01}
  - {farm: stony-run, recipient: vet, purpose: care, kinds: [lesion], fields: pseudonyms, period: {from: 2026-03-01}, from: 2026-01-01}
  - {farm: stony-run, recipient: vet, purpose: care, kinds: [treatment], fields: pseudonyms, from: 2026-01-01}
`
	w := newWorld(t, two)
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	w.say("A", "r2/x", lesion("SU"))
	w.say("B", "r3/x", lesion("WL"))
	w.pending[1].farm = "stony-run"
	w.commit()
	w.once()
	w.unsay("B", "r3/x", lesion("WL"))
	w.pending[0].farm = "stony-run"
	w.commit()
	w.once()
	lark := adapters.Extent{Farm: "larkfield", Kinds: []events.Kind{events.KindLesion}, Fields: "identities"}
	stony := adapters.Extent{Farm: "stony-run", Kinds: []events.Kind{events.KindLesion}, Fields: "pseudonyms", From: "2026-03-01"}
	want := [][]adapters.Extent{{lark}, {lark, stony}, {stony}}
	names := w.files()
	if len(names) != len(want) {
		t.Fatalf("got files %q", names)
	}
	for i, name := range names {
		m, err := folder.ReadManifest([]byte(w.read(name + folder.ManifestSuffix)))
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(m.Extents, want[i]) {
			t.Errorf("%s: got %+v, want %+v", name, m.Extents, want[i])
		}
	}
}

// A row of a mapping may have what the examination says that its event belongs to.
func TestManifest_OfAMappingSaysWhatARowMayHave(t *testing.T) {
	w := newWorld(t, vet("format: mapping\nmapping: herd.yaml"))
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	m, err := folder.ReadManifest([]byte(w.read(w.files()[0] + folder.ManifestSuffix)))
	if err != nil {
		t.Fatal(err)
	}
	want := []adapters.Extent{{Farm: "larkfield", Kinds: []events.Kind{events.KindExamination, events.KindLesion}, Fields: "identities"}}
	if !reflect.DeepEqual(m.Extents, want) {
		t.Errorf("got %+v, want %+v", m.Extents, want)
	}
}
