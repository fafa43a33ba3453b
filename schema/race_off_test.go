//go:build !race

package schema

const raced = false
