package main

import (
	"dewclaw/adapters"
	"dewclaw/adapters/watermill"
	"dewclaw/daemon/internal/config"
)

func (r *reader) watermill() (*watermill.Source, error) {
	c := r.config.Watermill
	return watermill.OpenSource(watermill.SourceOptions{
		Who: r.part(), Server: watermillServer(c, r.e.getenv), Topic: c.Topic, Group: c.Group, After: r.newest, Now: r.e.now,
	})
}

func (e *engine) watermillSink(f *config.Feed) (adapters.Sink, error) {
	c := f.Watermill
	return watermill.OpenSink(watermill.SinkOptions{Who: "feed " + f.ID, Server: watermillServer(c, e.getenv), Topic: c.Topic})
}

func watermillServer(c *config.WatermillTopic, getenv func(string) string) watermill.Server {
	return watermill.Server{
		Transport: watermill.Transport(c.Transport), URL: c.URL, User: watermill.Secret(c.User), Password: watermill.Secret(c.Password), Getenv: getenv,
	}
}
