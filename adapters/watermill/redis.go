package watermill

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"github.com/ThreeDotsLabs/watermill"
	"github.com/ThreeDotsLabs/watermill-redisstream/pkg/redisstream"
	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/redis/go-redis/v9"
)

func (s *Server) redisClient() (*redis.Client, error) {
	o, err := redis.ParseURL(s.URL)
	if err != nil {
		return nil, err
	}
	if o.Username, o.Password, err = s.login(); err != nil {
		return nil, err
	}
	o.DialTimeout, o.MaxRetries = dialWait, -1
	o.ReadTimeout, o.WriteTimeout = dialWait, dialWait
	o.DialerRetries = 1
	quiet.Do(func() { redis.SetLogger(silence{}) })
	return redis.NewClient(o), nil
}

// The library has one logger for all of its clients; what it says there is told by
// errors too.
var quiet sync.Once

type silence struct{}

func (silence) Printf(context.Context, string, ...any) {}

// fieldID is the field that the client adds to an entry: its id in the stream.
const fieldID = "\x00id"

// A tellingClient is a client that puts the id of an entry among its fields and
// tells of errors.
type tellingClient struct {
	redis.UniversalClient
	tell    func(error)
	started atomic.Bool // what is new is being read

	mu     sync.Mutex
	issued map[string]bool // entries that were read here and not acknowledged
}

// errStrange means that an entry was handed to a connection that is no more, and
// stands before one that was read here.
var errStrange = errors.New("an entry was handed to an earlier connection")

func (c *tellingClient) XReadGroup(ctx context.Context, a *redis.XReadGroupArgs) *redis.XStreamSliceCmd {
	c.started.Store(true)
	cmd := c.UniversalClient.XReadGroup(ctx, a)
	for _, s := range cmd.Val() {
		c.issue(s.Messages)
		if err := c.strange(ctx, s.Stream, a.Group, s.Messages); err != nil {
			cmd.SetErr(err)
		}
	}
	c.told(ctx, cmd.Err())
	return cmd
}

func (c *tellingClient) XClaim(ctx context.Context, a *redis.XClaimArgs) *redis.XMessageSliceCmd {
	cmd := c.UniversalClient.XClaim(ctx, a)
	c.issue(cmd.Val())
	c.told(ctx, cmd.Err())
	return cmd
}

func (c *tellingClient) XPendingExt(ctx context.Context, a *redis.XPendingExtArgs) *redis.XPendingExtCmd {
	cmd := c.UniversalClient.XPendingExt(ctx, a)
	c.told(ctx, cmd.Err())
	return cmd
}

func (c *tellingClient) XAck(ctx context.Context, stream, group string, ids ...string) *redis.IntCmd {
	cmd := c.UniversalClient.XAck(ctx, stream, group, ids...)
	c.told(ctx, cmd.Err())
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, id := range ids {
		if cmd.Err() == nil {
			delete(c.issued, id)
		}
	}
	return cmd
}

// strange looks whether all that is pending was read here. A server may hand an
// entry to a connection that has just gone; it would stay there.
func (c *tellingClient) strange(ctx context.Context, stream, group string, list []redis.XMessage) error {
	if len(list) == 0 {
		return nil
	}
	pending, err := c.UniversalClient.XPendingExt(ctx, &redis.XPendingExtArgs{
		Stream: stream, Group: group, Start: "-", End: list[0].ID, Count: 100,
	}).Result()
	if err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, p := range pending {
		if !c.issued[p.ID] {
			return errStrange
		}
	}
	return nil
}

func (c *tellingClient) told(ctx context.Context, err error) {
	if err != nil && !errors.Is(err, redis.Nil) && ctx.Err() == nil {
		c.tell(err)
	}
}

// issue notes entries that were read, and puts their ids among their fields.
func (c *tellingClient) issue(list []redis.XMessage) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, m := range list {
		c.issued[m.ID] = true
		if m.Values != nil {
			m.Values[fieldID] = m.ID
		}
	}
}

// An unmarshaller makes a message of any fields.
type unmarshaller struct{ stream string }

func (u unmarshaller) Unmarshal(values map[string]any) (*message.Message, error) {
	id, _ := values[fieldID].(string)
	delete(values, fieldID)
	body, ok := values["payload"].(string)
	if !ok {
		b, err := json.Marshal(values) // fields are texts: it cannot fail
		if err != nil {
			return nil, err
		}
		body = string(b)
	}
	m := message.NewMessage(id, []byte(body))
	m.Metadata.Set(metaID, u.stream+"#"+id)
	return m, nil
}

func (s *Server) subscribeRedis(ctx context.Context, topic, group string) (*subscription, error) {
	client, err := s.redisClient()
	if err != nil {
		return nil, err
	}
	sub := newSubscription()
	telling := &tellingClient{UniversalClient: client, tell: sub.tell, issued: map[string]bool{}}
	w, err := redisstream.NewSubscriber(redisstream.SubscriberConfig{
		Client: telling, Unmarshaller: unmarshaller{topic}, Consumer: group, ConsumerGroup: group,
		NackResendSleep: nackDelay, BlockTime: pollPeriod, DisableIndefiniteInitialBlock: true,
		// The group is ours alone: what is pending is claimed whoever had it, at the
		// begin and never again.
		MaxIdleTime: time.Millisecond, ClaimInterval: 1000 * time.Hour, ClaimBatchSize: 10_000,
		ShouldClaimPendingMessage: func(redis.XPendingExt) bool { return !telling.started.Load() },
		ShouldStopOnReadErrors:    func(error) bool { return true },
	}, watermill.NopLogger{})
	if err != nil {
		return nil, errors.Join(err, client.Close())
	}
	if err := client.Ping(ctx).Err(); err != nil { // the subscriber would wait for ever
		return nil, errors.Join(err, client.Close())
	}
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	sub.close = func() error {
		stop()
		return ended(w.Close())
	}
	if sub.in, err = w.Subscribe(run, topic); err != nil {
		return nil, errors.Join(err, sub.close())
	}
	return sub, nil
}

func ended(err error) error {
	if errors.Is(err, redis.ErrClosed) || errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}

func (s *Server) redisPublisher(ctx context.Context) (*publisher, error) {
	client, err := s.redisClient()
	if err != nil {
		return nil, err
	}
	if err := client.Ping(ctx).Err(); err != nil {
		return nil, errors.Join(err, client.Close())
	}
	w, err := redisstream.NewPublisher(redisstream.PublisherConfig{Client: client}, watermill.NopLogger{})
	if err != nil {
		return nil, fmt.Errorf("make publisher: %w", errors.Join(err, client.Close()))
	}
	return &publisher{w, func() error { return ended(w.Close()) }}, nil
}
