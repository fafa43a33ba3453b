package schema

import (
	"embed"
	"fmt"
	"io/fs"
	"strings"

	"dewclaw/events"
)

//go:embed v1/*.schema.json
var files embed.FS

const (
	folder = "v1/"
	suffix = ".schema.json"
)

// Names returns the names of all schemas, sorted: the kinds of events, common
// (which they share), config, entry, envelope and mapping.
func Names() []string {
	names, err := fs.Glob(files, folder+"*"+suffix)
	if err != nil {
		panic("list the built-in schemas: " + err.Error())
	}
	for i, n := range names {
		names[i] = strings.TrimSuffix(strings.TrimPrefix(n, folder), suffix)
	}
	return names
}

// Source returns the text of a schema as published. The error for a name that is
// not one of [Names] is of kind [events.ErrNotFound].
func Source(name string) ([]byte, error) {
	b, err := files.ReadFile(folder + name + suffix)
	if err != nil {
		return nil, fmt.Errorf("schema %q: wanted one of %s: %w", name, strings.Join(Names(), ", "), events.ErrNotFound)
	}
	return b, nil
}
