package main

import (
	"dewclaw/schema"
)

// schemaCommand prints the published schemas: their names, or one of them.
type schemaCommand struct {
	Name string `arg:"" optional:"" help:"A schema; without it the names of all."`
}

func (c *schemaCommand) Run(a *app) error {
	if c.Name == "" {
		for _, name := range schema.Names() {
			a.printf("%s\n", name)
		}
		return nil
	}
	b, err := schema.Source(c.Name)
	if err != nil {
		return missing("schema", c.Name, schema.Names(), "dewclaw schema")
	}
	_, err = a.stdout.Write(b)
	return err
}
