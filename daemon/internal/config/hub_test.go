package config

import (
	"strings"
	"testing"
)

const givingHub = `version: 1
hub:
  listen: 127.0.0.1:7422
  barns:
    north: {farms: [larkfield], nkey: UAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA, gives: {herd: {feed: roster}}}
farms: {larkfield: {zone: Europe/Berlin}, stony-run: {zone: Europe/Berlin}}
recipients: {barn: {name: The barn}}
feeds:
  roster: {recipient: barn, farms: [larkfield], kinds: [animal], to: {folder: out}}
  other: {recipient: barn, farms: [larkfield, stony-run], kinds: [animal], to: {folder: out2}}
grants:
  - {farm: larkfield, recipient: barn, purpose: care, kinds: [animal], fields: identities, from: 2025-01-01}
  - {farm: stony-run, recipient: barn, purpose: care, kinds: [animal], fields: identities, from: 2025-01-01}
`

// TestHub_GivesABarnWhatIsOfItsFarms refuses what is of other farms, or is not there;
// a feed that is given to a barn leaves out what came from it.
func TestHub_GivesABarnWhatIsOfItsFarms(t *testing.T) {
	c, err := Parse("dewclaw.yaml", []byte(givingHub), nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := c.Feed("roster").Without; len(got) != 1 || got[0] != "north" {
		t.Errorf("the feed leaves out what came from %v, want north", got)
	}
	for old, want := range map[string]string{
		"{feed: other}":                   "hub.barns.north.gives.herd.feed: wanted one of farms larkfield only, got one of farm stony-run",
		"{feed: rooster}":                 `hub.barns.north.gives.herd.feed: wanted a feed of this file that goes into a folder, got "rooster"`,
		"{list: mornings}":                `hub.barns.north.gives.herd.list: wanted a list of this file, got "mornings"`,
		"{feed: roster, mapping: a.yaml}": "hub.barns.north.gives.herd",
		"{}":                              "hub.barns.north.gives.herd",
	} {
		_, err := Parse("dewclaw.yaml", []byte(strings.Replace(givingHub, "{feed: roster}", old, 1)), nil)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %s", old, err, want)
		}
	}
}
