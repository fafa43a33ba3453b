package mqttport

import (
	"slices"
	"strconv"
	"strings"

	"github.com/nats-io/nats-server/v2/server"

	"dewclaw/events"
)

// subjects returns the subjects of the server that a topic filter stands for. The
// rules are those of nats-server (mqttToNATSSubjectConversion): a level is a token,
// an empty one is a slash, a dot is two slashes. A filter that ends in # has the
// level above as well (MQTT-4.7.1-2).
func subjects(filter string) []string {
	levels := strings.Split(filter, "/")
	for i, l := range levels {
		switch l {
		case "":
			levels[i] = "/"
		case "+":
			levels[i] = "*"
		case "#":
			levels[i] = ">"
		default:
			levels[i] = strings.ReplaceAll(l, ".", "//")
		}
	}
	list := []string{strings.Join(levels, ".")}
	if n := len(levels); n > 1 && levels[n-1] == ">" {
		list = append(list, strings.Join(levels[:n-1], "."))
	}
	return list
}

// Topic is the way back: the topic of a message that is read from the stream under
// a subject.
func Topic(subject string) string {
	levels := strings.Split(strings.TrimPrefix(subject, prefix), ".")
	for i, l := range levels {
		if l == "/" {
			levels[i] = ""
		} else {
			levels[i] = strings.ReplaceAll(l, "//", ".")
		}
	}
	return strings.Join(levels, "/")
}

// CheckTopics refuses topic filters that cannot be read here: the server's own
// topics begin with $, it takes no white space in one, and filters of one source
// that overlap would be one message twice. The error is of kind invalid.
func CheckTopics(who string, filters []string) error {
	bad := func(wanted, got string) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: who, What: "topics", Wanted: wanted, Got: got}
	}
	var list []string
	for _, f := range filters {
		if f == "" || strings.HasPrefix(f, "$") || strings.ContainsAny(f, " \t\r\n\f\x7f\x00") {
			return bad("topics without white space that do not begin with $, as the daemon's own MQTT port takes them", strconv.Quote(f))
		}
		for _, s := range subjects(f) {
			if covered(s, list) {
				return bad("topics that have none in common, as each message comes once", strconv.Quote(f)+", which overlaps another")
			}
		}
		list = append(list, subjects(f)...)
	}
	return nil
}

// covered reports whether a subject has one in common with some others.
func covered(subject string, by []string) bool {
	return slices.ContainsFunc(by, func(s string) bool { return server.SubjectsCollide(subject, s) })
}
