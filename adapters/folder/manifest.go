package folder

import (
	"encoding/json"
	"fmt"
	"strconv"

	"dewclaw/adapters"
	"dewclaw/events"
)

// ManifestVersion is the version of the manifest format that is written.
const ManifestVersion = 1

// A Manifest tells the recipient what a file is and lets it check that it is
// whole. It stands beside the file as <name>.manifest.json, one JSON object,
// indented, the same bytes whenever the batch is sent again:
//
//	{
//	  "manifest": 1,
//	  "file": "vet-daily-000000000017-0.csv",
//	  "sha256": "…",
//	  "bytes": 4711,
//	  "rows": 50,
//	  "first": {"position": 17, "index": 0},
//	  "last": {"position": 18, "index": 3},
//	  "feed": "vet-daily",
//	  "recipient": "vet",
//	  "generation": 1,
//	  "grant": "…",
//	  "schemas": ["https://…"],
//	  "extents": [{"farm": "larkfield", "kinds": ["lesion"], "fields": "identities"}],
//	  "ids": ["…"]
//	}
//
// Members that are empty are left out, from feed on. Manifests of older versions
// have no extents: what such a file tells of cannot be known from outside.
type Manifest struct {
	Manifest   int          `json:"manifest"`             // version of this format
	File       string       `json:"file"`                 // name of the file beside it
	SHA256     string       `json:"sha256"`               // of the file, in hex
	Bytes      int64        `json:"bytes"`                // of the file
	Rows       int          `json:"rows"`                 // as the feed counts them
	First      events.Place `json:"first"`                // first event in the log it covers
	Last       events.Place `json:"last"`                 // last one
	Feed       string       `json:"feed,omitempty"`       // feed id
	Recipient  string       `json:"recipient,omitempty"`  // recipient id
	Generation int          `json:"generation,omitempty"` // of the feed: counted up when it is rewound
	Late       bool         `json:"late,omitempty"`       // it holds events that had to wait, out of their turn
	Grant      string       `json:"grant,omitempty"`      // the grants it was sent under, in words
	Schemas    []string     `json:"schemas,omitempty"`    // dataschema of each kind in it
	IDs        []string     `json:"ids,omitempty"`        // of its events, in order

	Extents []adapters.Extent `json:"extents,omitempty"` // whose facts its rows may tell of
	Barns   []string          `json:"barns,omitempty"`   // barns whose facts are in it, at a hub
}

func newManifest(b *adapters.Batch, ids bool) *Manifest {
	m := &Manifest{
		Manifest: ManifestVersion, File: b.Name, SHA256: digest(b.Body), Bytes: int64(len(b.Body)), Rows: b.Rows,
		First: b.First, Last: b.Last, Feed: b.Feed, Recipient: b.Recipient, Generation: b.Generation, Late: b.Late,
		Grant: b.Grant, Schemas: b.Schemas, Extents: b.Extents, Barns: b.Barns,
	}
	if ids {
		m.IDs = b.IDs
	}
	return m
}

func (m *Manifest) encode() ([]byte, error) {
	b, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("write manifest of %s: %w", m.File, err)
	}
	return append(b, '\n'), nil
}

// ReadManifest reads a manifest. The error is of kind invalid if it is none, or
// one of a newer version.
func ReadManifest(b []byte) (*Manifest, error) {
	m := new(Manifest)
	if err := json.Unmarshal(b, m); err != nil {
		return nil, &events.Fault{Kind: events.ErrInvalid, What: "manifest", Cause: err}
	}
	if m.Manifest < 1 || m.Manifest > ManifestVersion {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, What: "version of the manifest",
			Wanted: "1 to " + strconv.Itoa(ManifestVersion), Got: strconv.Itoa(m.Manifest),
		}
	}
	return m, nil
}
