package backup

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"path"
	"regexp"
	"strings"

	"dewclaw/events"
)

// Version is the version of the layout that is written. Every older one stays
// readable; a newer one is refused.
const Version = 1

const (
	what         = "dewclaw backup"
	manifestName = "manifest.json"
	readmeName   = "README"
	sumsName     = "SHA256SUMS"
	cursorsName  = "cursors.json"
	configFolder = "config"
	maxManifest  = 64 << 20
)

// A Manifest says what belongs to a backup: see the package comment.
type Manifest struct {
	V         int             `json:"v"`
	What      string          `json:"what"`
	Log       string          `json:"log"`
	Position  events.Position `json:"position"`
	Hash      string          `json:"hash"`
	Time      string          `json:"time,omitempty"`
	Taken     string          `json:"taken"`
	State     string          `json:"state"`
	Sums      string          `json:"sums"`
	Segments  []Segment       `json:"segments,omitempty"`
	Config    string          `json:"config,omitempty"`
	Originals int             `json:"originals"`
	Bytes     int64           `json:"bytes"`
	Damage    string          `json:"damage,omitempty"`
	Missing   []string        `json:"missing,omitempty"`
	Later     []string        `json:"later,omitempty"` // originals that a barn or its lost data folder has; sorted
	Sum       string          `json:"sum"`
}

// A Segment is a file of entries.
type Segment struct {
	Name  string          `json:"name"`
	First events.Position `json:"first"`
	Last  events.Position `json:"last"`
}

// seal returns the manifest as it is stored, with its sum.
func (m *Manifest) seal() ([]byte, error) {
	sum, err := m.sum()
	if err != nil {
		return nil, err
	}
	m.Sum = sum
	b, err := json.MarshalIndent(m, "", "  ")
	return append(b, '\n'), err
}

func (m *Manifest) sum() (string, error) {
	n := *m
	n.Sum = ""
	b, err := json.Marshal(&n)
	if err != nil {
		return "", fmt.Errorf("write manifest: %w", err)
	}
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:]), nil
}

// parseManifest reads a manifest and checks its sum. where is for messages.
func parseManifest(where string, b []byte) (*Manifest, error) {
	m := new(Manifest)
	var head struct {
		V    int    `json:"v"`
		What string `json:"what"`
	}
	if err := json.Unmarshal(b, &head); err != nil || head.What != what {
		return nil, corrupt(where, "manifest", "that of a backup", fmt.Sprintf("%.60q", b))
	}
	if head.V > Version {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: "backup", Where: where, What: "version", Wanted: fmt.Sprintf("at most %d", Version), Got: fmt.Sprint(head.V),
			Hints: []string{"this backup was written by a newer dewclaw; use that version"},
		}
	}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(m); err != nil {
		return nil, corrupt(where, "manifest", "the JSON of a manifest", err.Error())
	}
	if sum, err := m.sum(); err != nil || sum != m.Sum {
		return nil, corrupt(where, "manifest", "the sum "+m.Sum, sum)
	}
	if !stateName.MatchString(m.State) || m.Config != "" && !safeName(m.Config) {
		return nil, corrupt(where, "manifest", "names of files in the backup", fmt.Sprintf("%q, %q", m.State, m.Config))
	}
	return m, nil
}

var (
	stateName   = regexp.MustCompile(`^state-[0-9]{12}-[0-9]{8}T[0-9]{6}[0-9]{9}Z$`)
	segmentName = regexp.MustCompile(`^entries/[0-9]{12}-[0-9]{12}\.ndjson$`)
	blobName    = regexp.MustCompile(`^archive/([0-9a-f]{2})/([0-9a-f]{64})$`)
)

// safeName reports whether a name stays below the folder it is joined to.
func safeName(name string) bool {
	return name != "" && path.Clean(name) == name && !path.IsAbs(name) && name != ".." && !strings.HasPrefix(name, "../") &&
		!strings.ContainsAny(name, "\\:\x00\n\r")
}

// belongs reports whether a file of this name can be part of the backup.
func (m *Manifest) belongs(name string) bool {
	if b := blobName.FindStringSubmatch(name); b != nil {
		return strings.HasPrefix(b[2], b[1])
	}
	rest, ok := strings.CutPrefix(name, m.State+"/")
	return name == readmeName || segmentName.MatchString(name) ||
		ok && safeName(rest) && (rest == cursorsName || strings.HasPrefix(rest, configFolder+"/"))
}

func blobPath(hash string) string { return "archive/" + hash[:2] + "/" + hash }

func corrupt(where, thing, wanted, got string) error {
	return &events.Fault{
		Kind: events.ErrCorrupt, Who: "backup", Where: where, What: thing, Wanted: wanted, Got: got,
		Hints: []string{"nothing was changed; take another backup, or put this file back from a copy of this one"},
	}
}

func unavailable(where, thing string, err error) error {
	return &events.Fault{Kind: events.ErrUnavailable, Who: "backup", Where: where, What: thing, Cause: err}
}
