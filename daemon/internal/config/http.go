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
	Address     string // host:port for HTTP; "" if it does not listen
	MQTT        string // host:port for MQTT; "" if it does not listen
	Cert, Key   string // TLS files; both or none
	Unencrypted bool   // no TLS although others than this machine can reach it
	MaxBody     int    // bytes of one request body, unless its source says otherwise
	OpenMetrics bool   // /metrics, and why the daemon is not ready, want no token
}

// A Token lets whoever has it do some things over HTTP, and send to the MQTT port.
// Only its hash is known.
type Token struct {
	Name    string
	Hash    string   // SHA-256 of the token in hex
	Sources []string // it may send records to these
	Feeds   []string // it may fetch these, and reply to them
	Farms   []string // and both of sources and feeds of no other farm than these
	Metrics bool     // it may read /metrics, and why the daemon is not ready
	Until   string   // last day it works, YYYY-MM-DD in UTC; "" if it does not end
}

// A Webhook is a URL that a feed posts each event to, signed as Standard Webhooks
// 1.0.0 says.
type Webhook struct {
	URL         string
	Secrets     []Secret      // each "whsec_" and base64; all sign, so that keys can be changed one after the other
	Attempts    int           // refusals of one event before it is parked
	Timeout     time.Duration // of one request
	CA          string        // file with the certificates that vouch for the receiver; "" for those of the system
	Unencrypted bool          // http: to another machine is meant
}

// A Pull is a feed that its recipient fetches: GET /v1/feeds/<feed>/events.
type Pull struct {
	Page int // events in one answer, at most
}

// Replies say where the recipient tells what became of what it got: in files or in
// messages. Over HTTP it can tell that of every feed: POST /v1/feeds/<feed>/replies.
type Replies struct {
	Folder string        // "" with Stream
	Files  []string      // patterns of names; at least one
	Stream *StreamSource // nil with Folder
}

// Target says where the feed goes, for people.
func (f *Feed) Target() string {
	switch {
	case f.Stream != nil:
		return f.Stream.URL
	case f.MQTT != nil:
		return f.MQTT.URL
	case f.Watermill != nil:
		return f.Watermill.URL
	case f.Webhook != nil:
		return f.Webhook.URL
	case f.Pull != nil:
		return "whoever fetches it"
	}
	return f.Folder
}

// MaySend reports whether the token lets its holder send records to the source.
func (t *Token) MaySend(s *Source) bool {
	farms := s.Farms
	if s.Farm != "" {
		farms = []string{s.Farm}
	}
	return slices.Contains(t.Sources, s.ID) || t.covers(farms)
}

// MayFetch reports whether the token lets its holder fetch the feed and reply to it.
func (t *Token) MayFetch(f *Feed) bool { return slices.Contains(t.Feeds, f.ID) || t.covers(f.Farms) }

func (t *Token) covers(farms []string) bool {
	return len(farms) > 0 && !slices.ContainsFunc(farms, func(f string) bool { return !slices.Contains(t.Farms, f) })
}

// Expired reports whether the last day of the token is over.
func (t *Token) Expired(now time.Time) bool {
	return t.Until != "" && now.UTC().Format(time.DateOnly) > t.Until
}
