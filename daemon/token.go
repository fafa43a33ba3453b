package main

import (
	"crypto/rand"
	"fmt"
	"strings"

	"dewclaw/adapters/http"
)

// tokenCommand makes a token for asking over HTTP or sending by MQTT, and the line of the config
// that lets it in. It opens and stores nothing: only the hash is kept, by whoever
// puts the line into the config.
type tokenCommand struct {
	Name    string   `arg:"" help:"Who gets it: lower-case letters, digits and hyphens."`
	Source  []string `placeholder:"SOURCE" help:"A source it may send records to; may be repeated."`
	Feed    []string `placeholder:"FEED" help:"A feed it may fetch; may be repeated."`
	Farm    []string `placeholder:"FARM" help:"A farm: sources and feeds that have no other farms are open to it; may be repeated."`
	Metrics bool     `help:"It may read /metrics, and why the daemon is not ready."`
	Until   string   `type:"day" placeholder:"YYYY-MM-DD" help:"The last day it works, in UTC."`
}

func (c *tokenCommand) Run(a *app) error {
	if len(c.Source)+len(c.Feed)+len(c.Farm) == 0 && !c.Metrics {
		return refuse("token: wanted --source, --feed, --farm or --metrics: what it is for, got none of them")
	}
	token, hash, err := http.NewToken(rand.Reader)
	if err != nil {
		return err
	}
	line := fmt.Sprintf("{name: %s, sha256: %q", c.Name, hash)
	for _, x := range []struct {
		key  string
		list []string
	}{{"sources", c.Source}, {"feeds", c.Feed}, {"farms", c.Farm}} {
		if len(x.list) > 0 {
			line += ", " + x.key + ": [" + strings.Join(x.list, ", ") + "]"
		}
	}
	if c.Metrics {
		line += ", metrics: true"
	}
	if c.Until != "" {
		line += ", until: " + c.Until
	}
	a.printf("%s\n\nThis is the only time it is shown; whoever has it can use it. In the config, under tokens:\n  - %s}\n", token, safe(line))
	return nil
}
