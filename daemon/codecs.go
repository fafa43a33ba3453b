package main

import (
	"dewclaw/adapters"
	"dewclaw/adapters/csv"
	"dewclaw/adapters/json"
)

// What is built in, by format: an adapter is listed here by hand.
var (
	decoders = map[string]adapters.NewDecoder{
		"csv":    csv.NewDecoder,
		"json":   json.NewDecoder,
		"ndjson": json.NewDecoder,
	}
	encoders = map[string]adapters.NewEncoder{
		"csv":    csv.NewEncoder,
		"json":   json.NewEncoder,
		"ndjson": json.NewEncoder,
	}
)
