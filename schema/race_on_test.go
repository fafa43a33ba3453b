//go:build race

package schema

// raced tells that the race detector is on, under which a pool drops what it is
// given now and then, so that allocations cannot be counted.
const raced = true
