package ade

import "embed"

// Files is the built-in mapping of direction in and its examples: roster.yaml and
// roster.txtar.
//
//go:embed roster.yaml roster.txtar
var Files embed.FS
