package watermill

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"time"

	"github.com/ThreeDotsLabs/watermill"
	"github.com/ThreeDotsLabs/watermill-sql/v4/pkg/sql"
	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/jackc/pgx/v5/pgxpool"
)

// pool opens connections to a database and sees that there is one.
func (s *Server) pool(ctx context.Context) (*pgxpool.Pool, error) {
	u, err := url.Parse(s.URL)
	if err != nil {
		return nil, err
	}
	user, password, err := s.login()
	if err != nil {
		return nil, err
	}
	if user != "" {
		u.User = url.UserPassword(user, password)
	}
	c, err := pgxpool.ParseConfig(u.String())
	if err != nil {
		return nil, errors.New("not a URL that PostgreSQL understands") // its own error has the URL
	}
	c.ConnConfig.ConnectTimeout = dialWait
	c.MinConns, c.MaxConns = 0, 4
	p, err := pgxpool.NewWithConfig(context.WithoutCancel(ctx), c)
	if err != nil {
		return nil, err
	}
	if err := p.Ping(ctx); err != nil {
		p.Close()
		return nil, err
	}
	return p, nil
}

// batchRows are the rows that one look at the table fetches.
const batchRows = 100

// A table is watermill's table of messages, whose payload may be any bytes.
type table struct {
	sql.DefaultPostgreSQLSchema
	topic string
}

func newTable(topic string) table {
	return table{sql.DefaultPostgreSQLSchema{
		SubscribeBatchSize: batchRows, GeneratePayloadType: func(string) string { return "BYTEA" },
	}, topic}
}

// UnmarshalMessage reads what the select of the schema selects. Metadata are not
// read: a row whose metadata are not texts would be read again for ever.
func (t table) UnmarshalMessage(p sql.UnmarshalMessageParams) (sql.Row, error) {
	var r sql.Row
	var transaction sql.XID8
	if err := p.Row.Scan(&r.Offset, &transaction, &r.UUID, &r.Payload, &r.Metadata); err != nil {
		return r, fmt.Errorf("read row: %w", err)
	}
	r.Msg = message.NewMessage(string(r.UUID), r.Payload)
	r.Msg.Metadata.Set(metaID, t.topic+"#"+strconv.FormatInt(r.Offset, 10)+"#"+string(r.UUID))
	r.ExtraData = map[string]any{"transaction_id": transaction}
	return r, nil
}

// A teller is the back-off of a subscriber that tells of errors.
type teller func(error)

func (t teller) HandleError(_ watermill.LoggerAdapter, nothing bool, err error) time.Duration {
	switch {
	case err != nil:
		t(err)
		return time.Second
	case nothing:
		return pollPeriod
	}
	return 0
}

func (s *Server) subscribePostgres(ctx context.Context, topic, group string) (*subscription, error) {
	p, err := s.pool(ctx)
	if err != nil {
		return nil, err
	}
	sub := newSubscription()
	var noDeadline time.Duration // a message in hand is in hand
	w, err := sql.NewSubscriber(sql.BeginnerFromPgx(p), sql.SubscriberConfig{
		ConsumerGroup: group, AckDeadline: &noDeadline, ResendInterval: nackDelay, BackoffManager: teller(sub.tell),
		SchemaAdapter: newTable(topic), OffsetsAdapter: sql.DefaultPostgreSQLOffsetsAdapter{}, InitializeSchema: true,
	}, watermill.NopLogger{})
	if err != nil {
		p.Close()
		return nil, err
	}
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	sub.close = func() error {
		// Not through ctx: what was acknowledged is still committed.
		err := w.Close()
		stop()
		p.Close()
		return err
	}
	if sub.in, err = w.Subscribe(run, topic); err != nil {
		return nil, errors.Join(err, sub.close())
	}
	return sub, nil
}

func (s *Server) postgresPublisher(ctx context.Context) (*publisher, error) {
	p, err := s.pool(ctx)
	if err != nil {
		return nil, err
	}
	w, err := sql.NewPublisher(sql.BeginnerFromPgx(p), sql.PublisherConfig{
		SchemaAdapter: newTable(""), AutoInitializeSchema: true,
	}, watermill.NopLogger{})
	if err != nil {
		p.Close()
		return nil, err
	}
	return &publisher{w, func() error { err := w.Close(); p.Close(); return err }}, nil
}
