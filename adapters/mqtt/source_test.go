package mqtt

import (
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/testdata/outside"
)

func TestNext_HandsOverWhatCameWhileNobodyWasThere(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		b, l := newBroker(t), &log{}
		c := newSource(t, b, l, version(v))
		join(t, c)
		must(t, c.Close())
		b.publish(1, "chute/one", "1", "2")
		b.publish(2, "chute/two", "3", "4")
		c = newSource(t, b, l, version(v))
		take(t, c, l, "1", "2", "3", "4")
		b.publish(0, "chute/one", "5")
		b.publish(1, "other/one", "not ours")
		b.publish(2, "chute", "6")
		take(t, c, l, "5", "6")
		if !c.told("best effort") {
			t.Errorf("QoS 0 was not told of: %q", c.reports)
		}
		b.said("Sending PUBCOMP to", 3) // to the publisher
		b.said("Received PUBACK from dewclaw-chute", 2)
		b.said("Received PUBREC from dewclaw-chute", 3)
		must(t, c.Close())
		nothing(t, newSource(t, b, l, version(v)))
	})
}

// The daemon commits a batch and the machine dies before the broker was told, or
// the connection does: the messages come again and are known by their transport
// identity; what was not taken is handed over.
func TestNext_KnowsWhatWasCommittedAndNotAcknowledged(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		for _, qos := range []int{1, 2} {
			for _, how := range []string{"crash", "cut"} {
				t.Run(fmt.Sprint("QoS ", qos, " ", how), func(t *testing.T) {
					b, l := newBroker(t), &log{}
					c := newSource(t, b, l, version(v))
					join(t, c)
					b.publish(qos, "chute/one", count(1, 6)...)
					take(t, c, l, "1", "2")
					b.said(map[int]string{1: "Received PUBACK from dewclaw-chute", 2: "Received PUBCOMP from dewclaw-chute"}[qos], 2)
					c.deaf.Store(true)
					take(t, c, l, "3", "4") // the broker does not hear of it
					if how == "crash" {
						c.crash()
						c = newSource(t, b, l, version(v))
					} else {
						c.deaf.Store(false)
						c.cut()
					}
					take(t, c, l, "5", "6")
					b.publish(qos, "chute/one", "5", "1") // said again by the device, which is no redelivery
					take(t, c, l, "5", "1")
					want := []string{"1", "2", "3", "4", "5", "6", "5", "1"}
					if !slices.Equal(l.bodies, want) {
						t.Errorf("log has %q, want %q", l.bodies, want)
					}
					must(t, c.Close())
					nothing(t, newSource(t, b, l, version(v)))
				})
			}
		}
	})
}

// A message that was handed over and not settled before the connection went comes
// again on the next one, but not to whoever has it in hand still.
func TestNext_HasAMessageOnceThatIsInHand(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		b, l := newBroker(t), &log{}
		c := newSource(t, b, l, version(v))
		join(t, c)
		b.publish(1, "chute/one", "1", "2")
		one := next(t, c)
		c.cut()
		take(t, c, l, "2")
		l.highest = 0 // settled out of turn
		l.append(t, one)
		must(t, one.Settle(t.Context(), adapters.Taken))
		b.said("Received PUBACK from dewclaw-chute", 2)
		nothing(t, c)
	})
}

func TestSettle_NotTakenComesAgainBeforeThoseBehind(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		b, l := newBroker(t), &log{}
		c := newSource(t, b, l, version(v))
		join(t, c)
		b.publish(1, "chute/one", count(1, 4)...)
		take(t, c, l, "1")
		for range 3 {
			list, err := c.NextBatch(t.Context(), 3, patience)
			must(t, err)
			for i, d := range list {
				if got := body(t, d); got != fmt.Sprint(i+2) {
					t.Fatalf("got %q, want %d", got, i+2)
				}
				must(t, d.Settle(t.Context(), adapters.NotTaken))
			}
		}
		b.said("Received PUBACK from dewclaw-chute", 1)
		take(t, c, l, "2", "3", "4")
	})
}

// A broker that is stopped and started again, with messages on either side of it.
func TestNext_GoesOnOverARestartOfTheBroker(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		b, l := newBroker(t), &log{}
		c := newSource(t, b, l, version(v))
		join(t, c)
		b.publish(2, "chute/one", count(1, 3)...)
		take(t, c, l, "1")
		open := next(t, c)
		must(t, b.Stop())
		l.append(t, open)
		must(t, open.Settle(t.Context(), adapters.Taken)) // nobody hears it
		for {                                             // what was read before may come still
			d, err := c.Next(t.Context())
			if errors.Is(err, events.ErrUnavailable) {
				break
			}
			must(t, err)
			l.append(t, d)
			must(t, d.Settle(t.Context(), adapters.Taken))
		}
		must(t, b.Start())
		b.publish(1, "chute/one", "4")
		take(t, c, l, []string{"3", "4"}[len(l.bodies)-2:]...)
		nothing(t, c)
		if want := count(1, 4); !slices.Equal(l.bodies, want) {
			t.Errorf("log has %q, want %q", l.bodies, want)
		}
	})
}

// The reader holds up the connection when so many are in hand; nothing is dropped.
func TestNext_IsBounded(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		b, l := newBroker(t, "max_inflight_messages 1000"), &log{}
		c := newSource(t, b, l, version(v), func(o *SourceOptions) { o.InFlight = 3; o.Server.KeepAlive = 100 * time.Millisecond })
		join(t, c)
		b.publish(1, "chute/one", count(1, 50)...)
		list := []*adapters.Delivery{next(t, c), next(t, c), next(t, c)}
		nothing(t, c)
		c.line.mu.Lock()
		held := len(c.line.items)
		c.line.mu.Unlock()
		if held > 3 {
			t.Errorf("%d messages in hand, want 3", held)
		}
		time.Sleep(300 * time.Millisecond) // longer than the broker may be silent
		for _, d := range list {
			l.append(t, d)
			must(t, d.Settle(t.Context(), adapters.Taken))
		}
		take(t, c, l, count(4, 50)...)
		if strings.Contains(b.Log(), "already connected") || strings.Count(b.Log(), "New client connected") > 2 {
			t.Errorf("it connected again:\n%s", b.Log())
		}
	})
}

func TestNext_SaysThatTheSessionWasLost(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		b, l := newBroker(t), &log{}
		c := newSource(t, b, l, version(v))
		join(t, c)
		b.publish(1, "chute/one", "1")
		take(t, c, l, "1")
		b.said("Received PUBACK from dewclaw-chute", 1)
		must(t, c.Close())
		// Another client with the same id ends the session.
		args := []string{"-p", fmt.Sprint(b.Port), "-i", "dewclaw-chute", "-t", "x", "-m", "y"}
		if out, err := exec.Command("mosquitto_pub", args...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		c = newSource(t, b, l, version(v))
		join(t, c)
		if !c.told("may be lost") {
			t.Errorf("not told: %q", c.reports)
		}
		b.publish(1, "chute/one", "1") // the same bytes under the same identifier, and new
		take(t, c, l, "1")
	})
}

func TestNext_TakesRetainedMessagesOnlyIfAsked(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		b, l := newBroker(t), &log{}
		args := []string{"-p", fmt.Sprint(b.Port), "-t", "chute/state", "-q", "1", "-r", "-m", "kept"}
		if out, err := exec.Command("mosquitto_pub", args...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		nothing(t, newSource(t, b, l, version(v), func(o *SourceOptions) { o.Client = "without" }))
		c := newSource(t, b, l, version(v), func(o *SourceOptions) { o.Retained = true })
		take(t, c, l, "kept")
		b.said("Received PUBACK from dewclaw-chute", 1)
		must(t, c.Close())
		nothing(t, newSource(t, b, l, version(v), func(o *SourceOptions) { o.Retained = true }))
	})
}

func TestNext_NamesAnotherClientOfTheSameName(t *testing.T) {
	b, l := newBroker(t), &log{}
	one, two := newSource(t, b, l), newSource(t, b, l)
	join(t, one)
	join(t, two)
	_, err := one.Next(t.Context())
	var f *events.Fault
	if !errors.As(err, &f) || !errors.Is(err, events.ErrUnavailable) || !strings.Contains(strings.Join(f.Hints, ""), "another client uses the id dewclaw-chute") {
		t.Errorf("got %v", err)
	}
}

// Credentials are read at every connect; a broker that refuses is unavailable,
// never a secret in the message.
func TestNext_LogsIn(t *testing.T) {
	outside.Need(t, "mosquitto_passwd")
	both(t, func(t *testing.T, v Version) {
		passwords := filepath.Join(t.TempDir(), "passwords")
		if out, err := exec.Command("mosquitto_passwd", "-c", "-b", passwords, "barn", "hoofbeat").CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		b := newBroker(t, "allow_anonymous false", "password_file "+passwords)
		env := map[string]string{"USER_OF": "barn", "PASSWORD_OF": "wrong"}
		c := newSource(t, b, &log{}, version(v), func(o *SourceOptions) {
			o.Server.Getenv = func(k string) string { return env[k] }
			o.Server.User, o.Server.Password = Secret{Env: "USER_OF"}, Secret{Env: "PASSWORD_OF"}
		})
		_, err := c.Next(t.Context())
		if !errors.Is(err, events.ErrUnavailable) || !strings.Contains(err.Error(), "not authorized") || strings.Contains(err.Error(), "wrong") {
			t.Errorf("got %v", err)
		}
		env["PASSWORD_OF"] = "hoofbeat"
		join(t, c)
	})
}

func TestOpenSource_RefusesWhatCannotBe(t *testing.T) {
	for name, change := range map[string]func(*SourceOptions){
		"no client":        func(o *SourceOptions) { o.Client = "" },
		"no topic":         func(o *SourceOptions) { o.Topics = nil },
		"wild":             func(o *SourceOptions) { o.Topics = []string{"a#"} },
		"shared":           func(o *SourceOptions) { o.Topics = []string{"$share/g/a"} },
		"QoS":              func(o *SourceOptions) { o.QoS = 3 },
		"in flight":        func(o *SourceOptions) { o.InFlight = MaxInFlight + 1 },
		"version":          func(o *SourceOptions) { o.Server.Version = "4" },
		"scheme":           func(o *SourceOptions) { o.Server.URL = "nats://a" },
		"password in URL":  func(o *SourceOptions) { o.Server.URL = "mqtt://me:hunter2@a" },
		"no password file": func(o *SourceOptions) { o.Server.Password.File = "/does/not/exist" },
		"half a pair":      func(o *SourceOptions) { o.Server.Cert = "x" },
		"no certificates":  func(o *SourceOptions) { o.Server.CA = "source_test.go" },
	} {
		o := SourceOptions{Who: "source chute", Server: Server{URL: "mqtt://a"}, Client: "c", Topics: []string{"a/+/b"}}
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

// MQTT 5.0, sections 4.7.1.2, 4.7.1.3 and 4.7.2: the examples there.
func TestMatches(t *testing.T) {
	for _, tt := range []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true},
		{"sport/#", "sport", true},
		{"#", "sport/tennis", true},
		{"sport/tennis/+", "sport/tennis/player1", true},
		{"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false},
		{"sport/+", "sport/", true},
		{"+/+", "/finance", true},
		{"/+", "/finance", true},
		{"+", "/finance", false},
		{"#", "$SYS/broker", false},
		{"+/monitor/Clients", "$SYS/monitor/Clients", false},
		{"$SYS/#", "$SYS/monitor/Clients", true},
		{"$SYS/monitor/+", "$SYS/monitor/Clients", true},
	} {
		if got := matches(tt.filter, tt.topic); got != tt.want {
			t.Errorf("%s, %s: got %v, want %v", tt.filter, tt.topic, got, tt.want)
		}
	}
}
