package mqtt

import (
	"errors"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/testdata/outside"
)

// With mqtts:// both sides show who they are; a broker that nobody vouches for is
// not spoken to.
func TestNext_SpeaksTLS(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		ca, cert, key := outside.Certificates(t)
		b := newBroker(t, "cafile "+ca, "certfile "+cert, "keyfile "+key, "require_certificate true")
		secure := func(o *SourceOptions) {
			o.Server.URL, o.Server.Dial = "mqtts://"+b.Address(), nil
			o.Server.CA, o.Server.Cert, o.Server.Key = ca, cert, key
		}
		join(t, newSource(t, b, &log{}, version(v), secure))
		for name, change := range map[string]func(*Server){
			"nobody vouches": func(s *Server) { s.CA = "" },
			"no certificate": func(s *Server) { s.Cert, s.Key = "", "" },
		} {
			c := newSource(t, b, &log{}, version(v), secure, func(o *SourceOptions) { change(&o.Server) })
			if _, err := c.Next(t.Context()); !errors.Is(err, events.ErrUnavailable) {
				t.Errorf("%s: got %v", name, err)
			} else if name == "nobody vouches" && !strings.Contains(err.Error(), "certificate") {
				t.Errorf("%s: got %v", name, err)
			}
		}
	})
}
