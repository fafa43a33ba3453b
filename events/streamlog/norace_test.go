//go:build !race

package streamlog

const raced = false
