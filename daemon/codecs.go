package main

import (
	stdjson "encoding/json"
	"fmt"
	"io/fs"

	"dewclaw/adapters"
	"dewclaw/adapters/ade"
	"dewclaw/adapters/csv"
	"dewclaw/adapters/json"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
)

// What is built in, by format: an adapter is listed here by hand.
var (
	decoders = map[string]adapters.NewDecoder{
		"csv":    csv.NewDecoder,
		"json":   json.NewDecoder,
		"ndjson": json.NewDecoder,
		"ade":    ade.NewDecoder(json.NewDecoder),
	}
	encoders = map[string]adapters.NewEncoder{
		"csv":    csv.NewEncoder,
		"json":   json.NewEncoder,
		"ndjson": json.NewEncoder,
	}
	writers = map[config.Format]delivery.WriterMaker{
		config.ADE: {Settings: adeSettings, New: newADE},
	}
	// Mappings that are built in: by name the folder and the name there, its examples beside it.
	builtins = map[string]builtin{
		"ade-roster": {ade.Files, "roster"},
	}
)

// A builtin mapping is a file of a folder.
type builtin struct {
	files fs.FS
	name  string // without .yaml
}

// adeSettings gathers what the resources of a feed depend on.
func adeSettings(c *config.Config, f *config.Feed) string {
	o := ade.Options{Source: f.ADE.Source, Zones: map[string]string{}, First: f.ADE.Identifiers, Schemes: f.ADE.Schemes, Toes: f.ADE.Toes}
	for _, id := range f.Farms {
		if farm := c.Farm(id); farm != nil {
			o.Zones[id] = farm.Zone
		}
		if l, ok := f.ADE.Locations[id]; ok {
			if o.Locations == nil {
				o.Locations = map[string]ade.Identifier{}
			}
			o.Locations[id] = ade.Identifier{ID: l.ID, Scheme: l.Scheme}
		}
	}
	b, _ := stdjson.Marshal(o) // texts and truths only
	return string(b)
}

func newADE(settings string) (delivery.Writer, error) {
	var o ade.Options
	if err := stdjson.Unmarshal([]byte(settings), &o); err != nil {
		return nil, fmt.Errorf("read settings of ade: %w: %w", err, events.ErrCorrupt)
	}
	return ade.NewWriter(o)
}
