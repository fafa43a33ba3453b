package main

import (
	"context"

	"dewclaw/adapters"
	"dewclaw/adapters/mqtt"
	"dewclaw/daemon/internal/config"
)

func (r *reader) mqtt() (*mqtt.Source, error) {
	c := r.config.MQTT
	return mqtt.OpenSource(mqtt.SourceOptions{
		Who: r.part(), Server: mqttServer(&c.Broker, r.e.getenv), Client: c.Client,
		Topics: c.Topics, QoS: byte(c.QoS), Session: c.Session, Retained: c.Retained,
		After: r.newest, Now: r.e.now, Report: r.tell,
	})
}

func (e *engine) mqttSink(f *config.Feed) (adapters.Sink, error) {
	c := f.MQTT
	return mqtt.OpenSink(mqtt.SinkOptions{
		Who: "feed " + f.ID, Server: mqttServer(&c.Broker, e.getenv), Client: c.Client, Topic: c.Topic, Mode: mqtt.Mode(c.Mode),
	})
}

func mqttServer(b *config.Broker, getenv func(string) string) mqtt.Server {
	return mqtt.Server{
		URL: b.URL, Version: mqtt.Version(b.Version), User: mqtt.Secret(b.User), Password: mqtt.Secret(b.Password),
		CA: b.CA, Cert: b.Cert, Key: b.Key, Getenv: getenv,
	}
}

// newest returns the highest sequence of a stream of the source in the log, and
// the identities of its newest messages, up to most, the oldest first: of what is
// handed over again that tells what was taken.
func (r *reader) newest(ctx context.Context, stream string, most int) (uint64, []string, error) {
	if err := r.e.upToDate(ctx); err != nil {
		return 0, nil, err
	}
	last, known, err := r.e.index.Newest(r.config.ID, stream)
	if err != nil || !known {
		return 0, nil, err
	}
	places, err := r.e.index.Tail(r.config.ID, stream, most)
	if err != nil {
		return 0, nil, err
	}
	var list []string
	for _, at := range places {
		more, err := r.e.intake.Messages(ctx, at)
		if err != nil {
			return 0, nil, err
		}
		list = append(list, more...)
	}
	return last, list[max(len(list)-most, 0):], nil
}
