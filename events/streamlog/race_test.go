//go:build race

package streamlog

const raced = true
