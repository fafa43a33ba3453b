package main

import (
	"io/fs"
	"maps"
	"slices"
)

// mappingCommand prints the mappings that are built in: their names, or one of
// them, to make one's own of it.
type mappingCommand struct {
	Name string `arg:"" optional:"" help:"A mapping that is built in; without it the names of all."`
}

func (c *mappingCommand) Run(a *app) error {
	names := slices.Sorted(maps.Keys(builtins))
	if c.Name == "" {
		for _, name := range names {
			a.printf("%s\n", name)
		}
		return nil
	}
	x, ok := builtins[c.Name]
	if !ok {
		return missing("mapping that is built in", c.Name, names, "dewclaw mapping")
	}
	b, err := fs.ReadFile(x.files, x.name+".yaml")
	if err != nil {
		return err
	}
	_, err = a.stdout.Write(b)
	return err
}
