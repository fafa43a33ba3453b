package main

import (
	"context"
	"io"
	"time"

	"dewclaw/adapters/mqttport"
	"dewclaw/adapters/nats"
	"dewclaw/daemon/internal/metrics"
)

// portFolder is where messages wait that the MQTT port has acknowledged and that
// are not in the log yet. It is no part of what can be built again.
const portFolder = "mqtt"

// openPort opens the MQTT port, if there is one. It is there before the readers
// and after them: what comes meanwhile waits on the disk.
func (e *engine) openPort(ctx context.Context) error {
	c := e.project.config
	if c.Listen.MQTT == "" {
		return nil
	}
	g := e.guard()
	o := mqttport.Options{Listen: c.Listen.MQTT, Cert: c.Listen.Cert, Key: c.Listen.Key, Certificate: e.certificate(c.Listen.Cert, c.Listen.Key), Dir: e.data(portFolder), Logger: e.logger}
	for i := range c.Sources {
		if s := &c.Sources[i]; s.Devices != nil {
			o.Sources = append(o.Sources, mqttport.Source{
				ID: s.ID, Topics: s.Devices.Topics, May: func(token string) bool { return g.Lets(token, "source", s.ID) },
			})
		}
	}
	var err error
	if e.port, err = mqttport.Open(ctx, o); err != nil {
		return err
	}
	e.closes("MQTT port", e.port.Close)
	e.logger.Info("listening for devices", "address", e.port.Addr(), "tls", c.Listen.Cert != "")
	return nil
}

// checkTopics refuses topics of devices that the port cannot take.
func (p *project) checkTopics() error {
	for _, s := range p.config.Sources {
		if s.Devices == nil {
			continue
		}
		if err := mqttport.CheckTopics("source "+s.ID, s.Devices.Topics); err != nil {
			return err
		}
	}
	return nil
}

// watchPort opens the port again after its server has failed, as when the disk was
// full: what it had acknowledged is there again.
func (d *daemon) watchPort(ctx context.Context) error {
	const part = "MQTT port"
	wait := backoff{first: time.Second, most: time.Minute}
	for pause(ctx, time.Second) == nil {
		err := d.e.port.Failed()
		if err == nil {
			continue
		}
		d.e.health.say(part, err)
		for err != nil && pause(ctx, wait.next()) == nil {
			if err = d.e.port.Reopen(ctx); err != nil {
				d.e.health.say(part, err)
			}
		}
		if err == nil {
			d.e.health.say(part, nil)
			wait.reset()
		}
	}
	return nil
}

// devices reads what devices have sent to the port.
func (r *reader) devices() (*nats.Source, error) {
	return deviceSource(r.e.port, r.config.ID, nats.SourceOptions{
		Who: r.part(), Now: r.e.now, Report: r.tell,
		After: func(stream string) (uint64, bool) {
			n, known, err := r.e.index.Newest(r.config.ID, stream)
			return n, known && err == nil
		},
	})
}

// deviceSource reads the stream of a source at the port, over a connection in the
// process that comes back when the port is opened again.
func deviceSource(port *mqttport.Port, source string, o nats.SourceOptions) (*nats.Source, error) {
	o.Stream, o.Durable, o.Name = mqttport.Stream, mqttport.Durable, mqttport.Topic
	o.Server = nats.Server{
		URL: "nats://mqtt-port", Name: "dewclaw source " + source, Dial: port.InProcessConn,
		User: nats.Secret{Env: portUser}, Password: nats.Secret{Env: portPassword},
		Getenv: func(name string) string {
			return map[string]string{portUser: source, portPassword: port.Password()}[name]
		},
	}
	return nats.OpenSource(o)
}

// Names under which a reader asks for its user and password at the port.
const (
	portUser     = "user"
	portPassword = "password"
)

// onPort opens the adapter of a source with devices. Without a running daemon there
// is no port, and what waits there goes on waiting.
func (r *reader) onPort() error {
	if r.once {
		return io.EOF
	}
	return r.adopt(r.devices())
}

// portState is how the port stands.
func (e *engine) portState(ctx context.Context) (*metrics.Port, error) {
	if e.port == nil {
		return nil, nil
	}
	s := &metrics.Port{Devices: e.port.Devices(), Waiting: map[string]int{}}
	for i := range e.project.config.Sources {
		src := &e.project.config.Sources[i]
		if src.Devices == nil {
			continue
		}
		n, err := e.port.Waiting(ctx, src.ID)
		if err != nil {
			return nil, err
		}
		s.Waiting[src.ID] = n
	}
	return s, nil
}
