package metrics

import "github.com/prometheus/client_golang/prometheus"

// An asker asks for the state when the series are read.
type asker struct {
	state func() (State, error)
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("dewclaw_"+name, help, labels, nil)
}

var (
	position    = desc("log_position", "Newest entry of the log.")
	heldNow     = desc("held_records", "Records that are held.")
	heldAge     = desc("oldest_held_seconds", "How long the oldest held record has been held; 0 if there is none.")
	bodies      = desc("waiting_bodies", "Request bodies that were let in and are not in the log yet.", "source")
	sent        = desc("feed_sent_total", "Rows and deletes sent.", "feed")
	behind      = desc("feed_behind_events", "Events between the feed and the end of the log, of any kind.", "feed")
	behindAge   = desc("feed_behind_seconds", "Age of the oldest entry the feed has not settled; 0 if there is none.", "feed")
	parked      = desc("feed_parked_events", "Events that were refused, and what follows of their animals.", "feed")
	waiting     = desc("feed_waiting_events", "Events that wait until a roster knows their animal.", "feed")
	delivering  = desc("feed_delivering", "1 if the feed delivers, 0 if it is paused, waits for its recipient or has stopped.", "feed")
	barnHere    = desc("barn_connected", "1 if the barn is connected to this hub.", "barn")
	barnBehind  = desc("barn_behind_entries", "Entries that the barn has told of and this hub does not have.", "barn")
	barnMissing = desc("barn_missing_originals", "Originals that entries of the barn name and this hub does not have.", "barn")
	devices     = desc("mqtt_devices", "Devices that are connected to the MQTT port.")
	messages    = desc("waiting_messages", "Messages that the MQTT port has acknowledged and that are not in the log yet.", "source")
	leases      = desc("lease_held", "1 if this daemon reads the source or runs the feed, 0 if another one on the log does, or none.", "what", "id")
	ready       = desc("ready", "1 if everything does its work.")
)

// Describe implements prometheus.Collector.
func (a *asker) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{position, heldNow, heldAge, bodies, sent, behind, behindAge, parked, waiting, delivering, barnHere, barnBehind, barnMissing, devices, messages, leases, ready} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (a *asker) Collect(out chan<- prometheus.Metric) {
	s, err := a.state()
	if err != nil {
		out <- prometheus.NewInvalidMetric(ready, err)
		return
	}
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	gauge(position, float64(s.Position))
	gauge(heldNow, float64(s.Held))
	gauge(heldAge, s.HeldAge.Seconds())
	gauge(ready, truth(s.Ready))
	for source, n := range s.Bodies {
		gauge(bodies, float64(n), source)
	}
	if s.Port != nil {
		gauge(devices, float64(s.Port.Devices))
		for source, n := range s.Port.Waiting {
			gauge(messages, float64(n), source)
		}
	}
	for _, b := range s.Barns {
		gauge(barnHere, truth(b.Connected), b.ID)
		gauge(barnBehind, float64(b.Behind), b.ID)
		gauge(barnMissing, float64(b.Missing), b.ID)
	}
	for _, l := range s.Leases {
		gauge(leases, truth(l.Held), l.What, l.ID)
	}
	for i := range s.Feeds {
		f := &s.Feeds[i]
		out <- prometheus.MustNewConstMetric(sent, prometheus.CounterValue, float64(f.Sent), f.ID)
		gauge(behind, float64(f.Behind), f.ID)
		gauge(behindAge, f.Age.Seconds(), f.ID)
		gauge(parked, float64(f.Parked), f.ID)
		gauge(waiting, float64(f.Waiting), f.ID)
		gauge(delivering, truth(f.Delivering), f.ID)
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
