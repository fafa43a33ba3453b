// Command gen fills the published schemas from the code lists, in place. It is
// run by "go generate ./schema"; a repeat changes nothing.
//
// A schema object with the member x-list gets the codes of that list as its
// enum. One with x-each gets, as its allOf, a condition for each entry of a list
// whose entries say more than a code: the points of a scale, the zones of a map,
// the range of a measure, the payload of a kind. One with x-fields gets
// a property for each field a mapping may set on that kind. These members stay in the
// published schema and tell a reader where the values come from. Everything else
// in the files is written by hand.
package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
)

func main() {
	if err := run("v1"); err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

// run fills every schema in the folder.
func run(folder string) error {
	names, err := filepath.Glob(filepath.Join(folder, "*.schema.json"))
	if err != nil {
		return err
	}
	if len(names) == 0 {
		return fmt.Errorf("%s: no schema there", folder)
	}
	for _, name := range names {
		old, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		filled, err := fill(old)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if bytes.Equal(old, filled) {
			continue
		}
		if err := os.WriteFile(name, filled, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// fill returns a schema with its lists filled in, in the form all schemas have.
func fill(src []byte) ([]byte, error) {
	doc, err := parse(src)
	if err != nil {
		return nil, err
	}
	if doc, err = walk(doc); err != nil {
		return nil, err
	}
	return append(write(nil, doc, 0), '\n'), nil
}
