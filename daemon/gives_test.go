package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/streamlog"
)

// What a hub gives to barn north in these tests. The folder has files of others, too.
const givesConfig = `version: 1
hub:
  listen: 127.0.0.1:7422
  barns: {north: {farms: [alpha], nkey: %s, gives: {herd: {feed: roster}, due: {list: due}}}}
farms: {alpha: {zone: Europe/Berlin}, beta: {zone: Europe/Berlin}}
recipients: {barn: {name: The barn}, other: {name: Another}}
feeds:
  roster: {recipient: barn, farms: [alpha], kinds: [animal], to: {folder: out}}
  roster-b: {recipient: other, farms: [beta], kinds: [animal], to: {folder: out}}
lists:
  due: {farm: alpha, recipient: barn, at: "05:00", format: csv, folder: out}
  due-beta: {farm: beta, recipient: other, at: "05:00", format: csv, folder: out}
grants:
  - {farm: alpha, recipient: barn, purpose: care, kinds: [examination, lesion, treatment, taken-off, check, locomotion, claw, order, animal], fields: identities, from: 2025-01-01, until: 2026-12-31}
  - {farm: beta, recipient: other, purpose: care, kinds: [examination, lesion, treatment, taken-off, check, locomotion, claw, order, animal], fields: identities, from: 2025-01-01}
`

// giving is the hub's end of barn north, and what it logs.
func giving(t *testing.T, change ...string) (*takeover, *bytes.Buffer) {
	t.Helper()
	_, public, err := streamlog.NewBarnKey()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write(t, filepath.Join(dir, "dewclaw.yaml"), strings.NewReplacer(change...).Replace(fmt.Sprintf(givesConfig, public)))
	if err := os.Mkdir(filepath.Join(dir, "out"), 0o755); err != nil {
		t.Fatal(err)
	}
	c, err := config.Load(filepath.Join(dir, "dewclaw.yaml"), func(string) string { return "" })
	if err != nil {
		t.Fatal(err)
	}
	var said bytes.Buffer
	e := &engine{
		project: &project{config: c}, logger: slog.New(slog.NewTextHandler(&said, nil)),
		now: func() time.Time { return time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC) },
	}
	return &takeover{e: e, barn: &intake.Barn{ID: "north", Farms: []string{"alpha"}}, gives: c.Hub.Barns[0].Gives}, &said
}

// made leaves a file in the folder as a feed or list does.
func made(t *testing.T, x *takeover, b adapters.Batch) {
	t.Helper()
	s, err := folder.OpenSink(folder.SinkOptions{Who: "test", Dir: x.folderOf(&x.gives[0])})
	if err != nil {
		t.Fatal(err)
	}
	b.Body = []byte(b.Name + "\n")
	if err := s.Send(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
}

// allGiven asks for one file after the other, with their bytes.
func allGiven(t *testing.T, x *takeover, give, after string) (names []string) {
	t.Helper()
	for range 20 {
		q, _ := json.Marshal(fileQuery{Give: give, After: after})
		b, err := x.nextFile(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		var o fileOffer
		if err := json.Unmarshal(b, &o); err != nil {
			t.Fatal(err)
		}
		if o.Name == "" {
			return names
		}
		q, _ = json.Marshal(partQuery{Give: give, Name: o.Name})
		if b, err := x.partOfFile(t.Context(), q); err != nil || string(b) != o.Name+"\n" {
			t.Errorf("%s: got %q, %v", o.Name, b, err)
		}
		after = o.Name
		names = append(names, o.Name)
	}
	t.Fatalf("no end of %q", names)
	return nil
}

func of(kinds []events.Kind, farms ...string) (out []adapters.Extent) {
	for _, f := range farms {
		out = append(out, adapters.Extent{Farm: f, Kinds: kinds, Fields: "identities"})
	}
	return out
}

var animals = []events.Kind{events.KindAnimal}

// A barn gets the files of what it is given, in the order they were made, and none of
// another feed or list whose id begins like it and that lies in the same folder.
func TestGives_AreOfOneFeedOrList(t *testing.T) {
	x, _ := giving(t)
	feed := func(id, recipient, farm, rest string) string {
		b := adapters.Batch{Name: id + rest, Feed: id, Recipient: recipient, Extents: of(animals, farm)}
		made(t, x, b)
		return b.Name
	}
	first := feed("roster", "barn", "alpha", "-g9-000000000001.0000-000000000003.0000.ndjson")
	late := feed("roster", "barn", "alpha", "-g9-late-000001-000000000003.0001.ndjson")
	then := feed("roster", "barn", "alpha", "-g9-000000000003.0001-000000000004.0000.ndjson")
	rewound := feed("roster", "barn", "alpha", "-g10-000000000001.0000-000000000004.0000.ndjson")
	foreign := feed("roster-b", "other", "beta", "-g1-000000000001.0000-000000000004.0000.ndjson")
	for _, day := range []string{"2026-11-28", "2026-11-29"} {
		made(t, x, adapters.Batch{Name: "due-" + day + ".csv", Feed: "due", Recipient: "barn", Extents: of(config.ListKinds(), "alpha")})
		made(t, x, adapters.Batch{Name: "due-beta-" + day + ".csv", Feed: "due-beta", Recipient: "other", Extents: of(config.ListKinds(), "beta")})
	}
	if got, want := strings.Join(allGiven(t, x, "herd", ""), " "), strings.Join([]string{first, late, then, rewound}, " "); got != want {
		t.Errorf("the barn gets %s, want %s", got, want)
	}
	for _, after := range []string{"", "due-2026-11-28.csv", "due-beta-2026-11-29.csv"} { // the last: as it was given before
		if got := strings.Join(allGiven(t, x, "due", after), " "); got != "due-2026-11-29.csv" {
			t.Errorf("behind %q the barn gets the lists %q, want the newest of its own", after, got)
		}
	}
	for give, name := range map[string]string{"herd": foreign, "due": "due-beta-2026-11-29.csv"} {
		q, _ := json.Marshal(partQuery{Give: give, Name: name})
		if b, err := x.partOfFile(t.Context(), q); err == nil {
			t.Errorf("give %s: got %q of %s", give, b, name)
		}
	}
}

// A file that is older than the config is given out only if it tells of nothing that
// the barn could not have today; why not is said once.
func TestGives_HoldOldFilesToTodaysRule(t *testing.T) {
	const name = "roster-g1-000000000001.0000-000000000003.0000.ndjson"
	tests := []struct {
		name  string
		batch adapters.Batch
		cfg   []string // OLD, NEW
		why   string   // "" if it is given
	}{
		{"as it is", adapters.Batch{Recipient: "barn", Extents: of(animals, "alpha")}, nil, ""},
		{"a farm that is in the feed no more", adapters.Batch{Recipient: "barn", Extents: of(animals, "alpha", "beta")}, nil, "some of farm beta"},
		{"an older manifest", adapters.Batch{Recipient: "barn"}, nil, "one of an older version"},
		{"another recipient", adapters.Batch{Recipient: "other", Extents: of(animals, "alpha")}, nil, "recipient barn"},
		{"what came from the barn", adapters.Batch{Recipient: "barn", Extents: of(animals, "alpha"), Barns: []string{"north"}}, nil, "came from the barn itself"},
		{"what came from another", adapters.Batch{Recipient: "barn", Extents: of(animals, "alpha"), Barns: []string{"south"}}, nil, ""},
		{"a kind without a grant", adapters.Batch{Recipient: "barn", Extents: of([]events.Kind{events.KindVisit}, "alpha")}, nil, "have its visit"},
		{"a grant of pseudonyms", adapters.Batch{Recipient: "barn", Extents: of(animals, "alpha")},
			[]string{"animal], fields: identities, from: 2025-01-01, until", "animal], fields: pseudonyms, from: 2025-01-01, until", "{name: The barn}", "{name: The barn, pseudonyms: {file: k}}",
				"\n  due: {farm: alpha, recipient: barn, at: \"05:00\", format: csv, folder: out}", "", ", due: {list: due}", ""}, "(identities)"},
		{"a feed of pseudonyms", adapters.Batch{Recipient: "barn", Extents: of(animals, "alpha")},
			[]string{"alpha], kinds: [animal], to", "alpha], kinds: [animal], identities: pseudonyms, to", "{name: The barn}", "{name: The barn, pseudonyms: {file: k}}"}, "wanted pseudonyms"},
		{"a grant of some days", adapters.Batch{Recipient: "barn", Extents: of(animals, "alpha")},
			[]string{"identities, from: 2025-01-01, until", "identities, period: {from: 2026-01-01}, from: 2025-01-01, until",
				"\n  due: {farm: alpha, recipient: barn, at: \"05:00\", format: csv, folder: out}", "", ", due: {list: due}", ""}, "a grant of farm alpha"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			x, said := giving(t, tt.cfg...)
			tt.batch.Name, tt.batch.Feed = name, "roster"
			made(t, x, tt.batch)
			next := adapters.Batch{
				Name: "roster-g1-000000000003.0001-000000000004.0000.ndjson", Feed: "roster", Recipient: "barn",
				Extents: []adapters.Extent{{Farm: "alpha", Kinds: animals, Fields: "pseudonyms", From: "2026-02-01"}},
			}
			made(t, x, next)
			want := next.Name
			if tt.why == "" {
				want = name + " " + want
			}
			for range 2 {
				if got := strings.Join(allGiven(t, x, "herd", ""), " "); got != want {
					t.Errorf("the barn gets %q, want %q", got, want)
				}
			}
			q, _ := json.Marshal(partQuery{Give: "herd", Name: name})
			if _, err := x.partOfFile(t.Context(), q); (err == nil) != (tt.why == "") {
				t.Errorf("its bytes: %v", err)
			}
			if n := strings.Count(said.String(), "not given"); tt.why != "" && (n != 1 || !strings.Contains(said.String(), tt.why)) {
				t.Errorf("it is said %d times, want %q once:\n%s", n, tt.why, said)
			}
		})
	}
}
