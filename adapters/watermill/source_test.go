package watermill

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/redis/go-redis/v9"
)

func TestNext_HandsOverWhatOthersPublish(t *testing.T) {
	each(t, func(t *testing.T, s *server) {
		l := &log{}
		s.publish("1", `{"n":2}`)
		src := newSource(t, s, l)
		take(t, src, l, "1", `{"n":2}`)
		s.publish("3\x00\xff")
		take(t, src, l, "3\x00\xff")
		must(t, src.Close())
		nothing(t, newSource(t, s, l))
	})
}

func TestSettle_NotTakenComesAgainBeforeThoseBehind(t *testing.T) {
	each(t, func(t *testing.T, s *server) {
		l := &log{}
		s.publish("1", "2")
		src := newSource(t, s, l)
		first := next(t, src)
		must(t, first.Settle(t.Context(), adapters.NotTaken))
		again := next(t, src)
		if again.Message != first.Message || again.Sequence != first.Sequence || body(t, again) != "1" {
			t.Errorf("got %s, want %s again", again.Message, first.Message)
		}
		l.append(t, again)
		must(t, again.Settle(t.Context(), adapters.Taken))
		take(t, src, l, "2")
	})
}

// The daemon commits and dies before the server is told, with more behind it: the
// message comes again, first, and is known by its transport identity.
func TestNext_KnowsWhatWasCommittedAndNotAcknowledged(t *testing.T) {
	each(t, func(t *testing.T, s *server) {
		l := &log{}
		s.publish("1", "2", "3", "4")
		src := newSource(t, s, l)
		take(t, src, l, "1")
		l.append(t, next(t, src)) // 2 is in the log, and the process ends here
		must(t, src.Close())
		src = newSource(t, s, l)
		d := next(t, src) // 3 is handed over, not committed, and the process ends again
		if got := body(t, d); got != "3" {
			t.Fatalf("got %q, want 3", got)
		}
		must(t, src.Close())
		s.publish("5", "1")
		src = newSource(t, s, l)
		take(t, src, l, "3", "4", "5", "1")
		if want := []string{"1", "2", "3", "4", "5", "1"}; !slices.Equal(l.bodies, want) {
			t.Errorf("log has %q, want %q", l.bodies, want)
		}
		must(t, src.Close())
		nothing(t, newSource(t, s, l))
	})
}

func TestNext_GoesOnOverARestartOfTheServer(t *testing.T) {
	alone(t, func(t *testing.T, s *server) {
		l := &log{}
		s.publish("1", "2", "3")
		src := newSource(t, s, l)
		take(t, src, l, "1")
		d := next(t, src)
		must(t, s.Kill())
		l.append(t, d)
		must(t, d.Settle(t.Context(), adapters.Taken)) // nobody hears it
		for {                                          // what was fetched may come still
			d, err := src.Next(t.Context())
			if errors.Is(err, events.ErrUnavailable) {
				break
			}
			must(t, err)
			l.append(t, d)
			must(t, d.Settle(t.Context(), adapters.Taken))
		}
		must(t, s.Start())
		s.publish("4")
		take(t, src, l, []string{"3", "4"}[len(l.bodies)-2:]...)
		nothing(t, src)
		if want := []string{"1", "2", "3", "4"}; !slices.Equal(l.bodies, want) {
			t.Errorf("log has %q, want %q", l.bodies, want)
		}
	})
}

// What another program puts into a stream, whatever its fields, is a message.
func TestNext_TakesAnyEntryOfARedisStream(t *testing.T) {
	s, l := newServer(t, Redis), &log{}
	for _, values := range []map[string]any{{"payload": "p"}, {"eid": "276", "score": "2"}, {"payload": "", "x": "y"}} {
		must(t, s.redis().XAdd(t.Context(), &redis.XAddArgs{Stream: "chute", Values: values}).Err())
	}
	take(t, newSource(t, s, l), l, "p", `{"eid":"276","score":"2"}`, "")
}

// A row whose metadata watermill cannot read does not hold up those behind it.
func TestNext_TakesAnyRowOfATable(t *testing.T) {
	s, l := newServer(t, Postgres), &log{}
	src := newSource(t, s, l)
	nothing(t, src) // the table is made
	p := s.pool()
	for i, metadata := range []string{`{"a":1}`, `[]`, `"x"`} {
		_, err := p.Exec(t.Context(), `INSERT INTO "watermill_chute" (uuid, payload, metadata, transaction_id) VALUES ($1, $2, $3, pg_current_xact_id())`,
			fmt.Sprint(i), []byte(fmt.Sprint("row ", i)), metadata)
		must(t, err)
	}
	_, err := p.Exec(t.Context(), `INSERT INTO "watermill_chute" (uuid, transaction_id) VALUES ('3', pg_current_xact_id())`)
	must(t, err)
	take(t, src, l, "row 0", "row 1", "row 2", "")
}

// Many, with a crash after every thirtieth, in the middle of what PostgreSQL
// fetches at once.
func TestNext_LosesNothingOverCrashes(t *testing.T) {
	each(t, func(t *testing.T, s *server) {
		l := &log{}
		var want []string
		for i := range 130 {
			want = append(want, fmt.Sprint(i))
		}
		s.publish(want...)
		for len(l.bodies) < len(want) {
			src := newSource(t, s, l)
			n := min(30, len(want)-len(l.bodies))
			take(t, src, l, want[len(l.bodies):len(l.bodies)+n]...)
			if len(l.bodies) < len(want) {
				l.append(t, next(t, src))
			}
			must(t, src.Close())
		}
		if !slices.Equal(l.bodies, want) {
			t.Errorf("log has %q", l.bodies)
		}
		nothing(t, newSource(t, s, l))
	})
}

func TestOpenSource_RefusesWhatCannotBe(t *testing.T) {
	for name, change := range map[string]func(*SourceOptions){
		"transport":       func(o *SourceOptions) { o.Server.Transport = "kafka" },
		"scheme":          func(o *SourceOptions) { o.Server.URL = "postgres://a" },
		"no host":         func(o *SourceOptions) { o.Server.URL = "redis://" },
		"password in URL": func(o *SourceOptions) { o.Server.URL = "redis://me:hunter2@a" },
		"no topic":        func(o *SourceOptions) { o.Topic = "" },
		"topic":           func(o *SourceOptions) { o.Topic = `a"; DROP TABLE b; --` },
		"no group":        func(o *SourceOptions) { o.Group = "" },
	} {
		o := SourceOptions{Who: "source chute", Server: Server{Transport: Redis, URL: "redis://a"}, Topic: "t", Group: "g"}
		if _, err := OpenSource(o); err != nil {
			t.Fatal(err)
		}
		change(&o)
		_, err := OpenSource(o)
		if !errors.Is(err, events.ErrInvalid) || strings.Contains(err.Error(), "hunter2") {
			t.Errorf("%s: got %v", name, err)
		}
	}
}
