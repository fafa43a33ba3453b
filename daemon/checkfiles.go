package main

import (
	"crypto/tls"
	"fmt"
	"os"
	"slices"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// soon is how long before its last day check tells that a grant ends.
const soon = 30 * 24 * time.Hour

// keys opens what the config names beside mappings and folders. Without a
// certificate or the key of a barn the daemon does not start; a feed waits for its
// key.
func (k *checking) keys() {
	c := k.project.config
	for _, p := range [][3]string{{"listen", c.Listen.Cert, c.Listen.Key}, {"hub", c.Hub.Cert, c.Hub.Key}} {
		if p[1] == "" {
			continue
		}
		if _, err := tls.LoadX509KeyPair(p[1], p[2]); err != nil {
			k.add(&events.Fault{
				Kind: events.ErrInvalid, Who: p[0] + ".tls", Where: p[1], What: "certificate and key", Wanted: "a pair in PEM that belongs together", Cause: err,
			})
		}
	}
	if c.Hub.NKey != "" {
		if _, err := os.ReadFile(c.Hub.NKey); err != nil {
			k.add(&events.Fault{
				Kind: events.ErrInvalid, Who: "hub.nkey", Where: c.Hub.NKey, What: "the key of the barn", Cause: err,
				Hints: []string{"make a pair at the barn: " + k.app.self + " barn-key " + c.Hub.NKey},
			})
		}
	}
	for i := range c.Feeds {
		f := &c.Feeds[i]
		if f.Webhook != nil {
			for _, s := range f.Webhook.Secrets {
				k.secret(s, "the key of feed "+f.ID)
			}
		}
	}
	for _, r := range c.Recipients {
		k.secret(r.Pseudonyms, "the key of the pseudonyms of recipient "+r.ID)
	}
}

// secret tells of one that is not in its file; what the environment of the daemon
// has is not known here.
func (k *checking) secret(s config.Secret, what string) {
	if s.File == "" {
		return
	}
	if _, err := s.Value(k.app.getenv, os.ReadFile); err != nil {
		k.tell(s.File, what+" cannot be read; feeds that need it wait: "+err.Error())
	}
}

// grants tells which farms a feed has nothing of today, and which soon.
func (k *checking) grants() {
	c := k.project.config
	for i := range c.Feeds {
		f := &c.Feeds[i]
		for _, id := range f.Farms {
			farm := c.Farm(id)
			if farm == nil {
				continue
			}
			zone, err := time.LoadLocation(farm.Zone)
			if err != nil {
				continue // told elsewhere
			}
			inForce := func(at time.Time) bool {
				day := at.In(zone).Format(time.DateOnly)
				return slices.ContainsFunc(c.Grants, func(g config.Grant) bool {
					return g.Farm == id && g.Recipient == f.Recipient && g.InForce(day)
				})
			}
			now := k.app.now()
			switch {
			case !inForce(now):
				k.tell("feed "+f.ID, fmt.Sprintf("no grant of farm %s lets recipient %s have anything today; it pauses", id, f.Recipient))
			case !inForce(now.Add(soon)):
				k.tell("feed "+f.ID, fmt.Sprintf("within 30 days no grant of farm %s lets recipient %s have anything any more; it will pause", id, f.Recipient))
			}
		}
	}
}
