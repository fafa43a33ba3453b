package main

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"dewclaw/events"
)

// named refuses a farm or source that neither the config nor the log knows: an
// empty answer would say that there is nothing of it. The log is read only for
// one that the config does not have, or no longer.
func (e *engine) named(ctx context.Context, farm, source string) error {
	c := e.project.config
	farms, sources := map[string]bool{}, map[string]bool{}
	for _, f := range c.Farms {
		farms[f.ID] = true
	}
	for _, s := range c.Sources {
		sources[s.ID] = true
	}
	all := func() bool { return (farm == "" || farms[farm]) && (source == "" || sources[source]) }
	if all() {
		return nil
	}
	for entry, err := range e.log.Read(ctx, 1) {
		if err != nil {
			return err
		}
		if entry.Source != "" {
			sources[entry.SourceKey()] = true
			if entry.Source == source {
				sources[source] = true // of a barn, without its name
			}
		}
		if err := farmsOf(entry, farms); err != nil {
			return err
		}
		if all() {
			return nil
		}
	}
	if farm != "" && !farms[farm] {
		return strange("--farm", "a farm of the config or the log", farm, farms)
	}
	return strange("--source", "a source of the config or the log", source, sources)
}

// farmsOf adds the farms that an entry tells of.
func farmsOf(entry *events.Entry, farms map[string]bool) error {
	if entry.Defaults.Farm != "" {
		farms[entry.Defaults.Farm] = true
		return nil
	}
	for i := range entry.Held {
		farm, maybe := entry.FarmOf(&entry.Held[i])
		for _, f := range append(maybe, farm) {
			if f != "" {
				farms[f] = true
			}
		}
	}
	for ev, err := range entry.All() {
		if err != nil {
			return err
		}
		if ev.Farm != "" {
			farms[ev.Farm] = true
		}
	}
	return nil
}

func strange(option, wanted, got string, there map[string]bool) error {
	hint := "there are none"
	if len(there) > 0 {
		hint = "there are " + join(slices.Sorted(maps.Keys(there)))
	}
	return &events.Fault{Kind: events.ErrNotFound, What: option, Wanted: wanted, Got: fmt.Sprintf("%q", got), Hints: []string{hint}}
}
