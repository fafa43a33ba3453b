package watermill

import (
	"context"
	"net/url"
	"os"
	"regexp"
	"strings"
	"time"

	"dewclaw/events"

	"github.com/ThreeDotsLabs/watermill/message"
)

// A Transport is what carries the messages.
type Transport string

// The transports.
const (
	Redis    Transport = "redis"    // a Redis stream; the topic is its key
	Postgres Transport = "postgres" // a table of PostgreSQL, "watermill_" and the topic
)

// A Server says how to reach a server.
type Server struct {
	Transport      Transport
	URL            string // redis:// or rediss:// (TLS), with the number of the database; postgres://, with the name of the database
	User, Password Secret

	Getenv func(string) string // for secrets from the environment; nil means os.Getenv
}

// A Secret is read from a file or the environment at every connect. The zero
// value is no secret.
type Secret struct{ File, Env string }

// value reads the secret. A line end behind it is not part of it.
func (s Secret) value(getenv func(string) string) (string, error) {
	switch {
	case s.File != "":
		b, err := os.ReadFile(s.File)
		return strings.TrimRight(string(b), "\r\n"), err
	case s.Env != "":
		return getenv(s.Env), nil
	}
	return "", nil
}

var schemes = map[Transport][]string{Redis: {"redis", "rediss"}, Postgres: {"postgres", "postgresql"}}

// topicForm is what a topic may be, as PostgreSQL's becomes part of the name of
// a table.
var topicForm = regexp.MustCompile(`^[A-Za-z0-9_.:-]{1,40}$`)

func (s *Server) check(who, topic string) error {
	bad := func(what, wanted, got string) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: who, What: what, Wanted: wanted, Got: got}
	}
	known, ok := schemes[s.Transport]
	if !ok {
		return bad("transport", "redis or postgres", string(s.Transport))
	}
	u, err := url.Parse(s.URL)
	switch {
	case err != nil || u.Hostname() == "" || u.Scheme != known[0] && u.Scheme != known[1]:
		return bad("server", "a URL such as "+known[0]+"://localhost", "something else")
	case u.User != nil:
		return bad("server", "a URL without user and password", "one with them; give them as files or environment variables")
	case !topicForm.MatchString(topic):
		return bad("topic", "letters, digits and . _ : -, at most 40", `"`+topic+`"`)
	}
	return nil
}

// login reads the secrets.
func (s *Server) login() (user, password string, err error) {
	getenv := s.Getenv
	if getenv == nil {
		getenv = os.Getenv
	}
	if user, err = s.User.value(getenv); err != nil {
		return "", "", err
	}
	password, err = s.Password.value(getenv)
	return user, password, err
}

// away is the error of a server that does not answer now. Errors of the libraries
// do not have the password, but the URL with which they were told of.
func (s *Server) away(who, what string, err error) error {
	f := &events.Fault{Kind: events.ErrUnavailable, Who: who, Where: s.URL, What: what, Cause: err}
	for _, text := range []string{"AUTH", "NOPERM", "password", "permission denied"} {
		if strings.Contains(err.Error(), text) {
			f.Hints = []string{"check the credentials and what they allow; they are read again at every try"}
			break
		}
	}
	return f
}

// A subscription is a topic that is being read. Its messages have the metadata
// metaID. It tells of an error once, and of none behind it.
type subscription struct {
	in      <-chan *message.Message
	trouble chan error // has room for one
	close   func() error
}

func newSubscription() *subscription { return &subscription{trouble: make(chan error, 1)} }

func (s *subscription) tell(err error) {
	select {
	case s.trouble <- err:
	default:
	}
}

// subscribe begins to read a topic from the first message that the group has not
// acknowledged. The subscription outlives ctx.
func (s *Server) subscribe(ctx context.Context, topic, group string) (*subscription, error) {
	if s.Transport == Redis {
		return s.subscribeRedis(ctx, topic, group)
	}
	return s.subscribePostgres(ctx, topic, group)
}

// A publisher is a watermill publisher and what it stands on.
type publisher struct {
	message.Publisher
	close func() error
}

func (s *Server) publisher(ctx context.Context) (*publisher, error) {
	if s.Transport == Redis {
		return s.redisPublisher(ctx)
	}
	return s.postgresPublisher(ctx)
}

const (
	metaID     = "dewclaw-id" // metadata of a message that comes in: its identity
	dialWait   = 5 * time.Second
	nackDelay  = time.Second // until a message that was not taken comes again
	pollPeriod = 200 * time.Millisecond
)
