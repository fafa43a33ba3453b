package config

import (
	"slices"
	"time"
)

// An HTTPSource takes records as request bodies: POST /v1/records/<source>.
type HTTPSource struct {
	MaxBody int // bytes of one body, unpacked
}

// A Listen says where the daemon answers requests from outside.
type Listen struct {
	Address     string // host:port; "" if it does not listen
	Cert, Key   string // TLS files; both or none
	Unencrypted bool   // no TLS although others than this machine can reach it
	MaxBody     int    // bytes of one request body, unless its source says otherwise
}

// A Token lets whoever has it do some things over HTTP. Only its hash is known.
type Token struct {
	Name    string
	Hash    string   // SHA-256 of the token in hex
	Sources []string // it may send records to these
	Farms   []string // and to sources of no other farm than these
	Until   string   // last day it works, YYYY-MM-DD in UTC; "" if it does not end
}

// MaySend reports whether the token lets its holder send records to the source.
func (t *Token) MaySend(s *Source) bool {
	farms := s.Farms
	if s.Farm != "" {
		farms = []string{s.Farm}
	}
	return slices.Contains(t.Sources, s.ID) || t.covers(farms)
}

func (t *Token) covers(farms []string) bool {
	return len(farms) > 0 && !slices.ContainsFunc(farms, func(f string) bool { return !slices.Contains(t.Farms, f) })
}

// Expired reports whether the last day of the token is over.
func (t *Token) Expired(now time.Time) bool {
	return t.Until != "" && now.UTC().Format(time.DateOnly) > t.Until
}
