// Package metrics tells how a running daemon does, in the form that Prometheus
// reads (its text format 0.0.4, and OpenMetrics 1.0). It counts what it is told of,
// asks for the rest when it is asked itself, and decides nothing. Start at [New].
//
// # The series
//
//	dewclaw_records_total{source, outcome}   accepted, duplicate, amended, held, ignored; their sum is what was read
//	dewclaw_records_read_total{source}       all of them
//	dewclaw_events_total{source}             events that went into the log
//	dewclaw_append_seconds                   how long an entry took, its fsync included
//	dewclaw_log_position                     newest entry
//	dewclaw_held_records                     records that are held now
//	dewclaw_oldest_held_seconds              how long the oldest of them has been; 0 if none is
//	dewclaw_waiting_bodies{source}           request bodies that were let in and are not in the log yet
//	dewclaw_feed_sent_total{feed}            rows and deletes sent
//	dewclaw_feed_behind_events{feed}         events between the feed and the end of the log, of any kind
//	dewclaw_feed_behind_seconds{feed}        age of the oldest entry it has not settled; 0 if there is none
//	dewclaw_feed_parked_events{feed}         events that were refused, and what follows of their animals
//	dewclaw_feed_waiting_events{feed}        events that wait until a roster knows their animal
//	dewclaw_feed_delivering{feed}            1 if it does, 0 if it is paused, waits for its recipient or has stopped
//	dewclaw_barn_connected{barn}             1 if the barn is connected to this hub, 0 if it goes on alone
//	dewclaw_barn_behind_entries{barn}        entries it has told of that are not in the log of the hub
//	dewclaw_barn_missing_originals{barn}     originals that its entries name and this hub does not have
//	dewclaw_mqtt_devices                     devices that are connected to the MQTT port
//	dewclaw_waiting_messages{source}         messages that the port has acknowledged and that are not in the log yet
//	dewclaw_lease_held{what, id}             1 if this daemon reads the source or runs the feed, 0 if another one on the log does, or none
//	dewclaw_ready                            1 if everything does its work
//	dewclaw_requests_total{route, code}      requests that were answered
//	dewclaw_request_seconds{route}           how long that took; of streams, until they ended
//
// and what the Go runtime and the process tell of themselves, with the heap that the
// last collection of garbage left as go_gc_heap_live_bytes. What is counted
// begins at zero with each start of the daemon. No label has the name of a farm,
// an animal or a person.
package metrics

import (
	"net/http"
	"regexp"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"dewclaw/events"
)

// A Feed is how one feed stands.
type Feed struct {
	ID         string
	Sent       int
	Behind     int           // events
	Age        time.Duration // of the oldest entry it has not settled; 0 if there is none
	Parked     int
	Waiting    int
	Delivering bool
}

// A Barn is how a barn stands at its hub.
type Barn struct {
	ID        string
	Connected bool
	Behind    int // entries
	Missing   int // originals
}

// A Port is how the MQTT port of devices stands.
type Port struct {
	Devices int            // that are connected
	Waiting map[string]int // messages that are acknowledged and not in the log yet, by source
}

// A Lease says whether a source or feed is this daemon's.
type Lease struct {
	What, ID string
	Held     bool
}

// A State is how the daemon stands.
type State struct {
	Position events.Position // of the log
	Held     int
	HeldAge  time.Duration // of the oldest held record; 0 if there is none
	Bodies   map[string]int
	Feeds    []Feed
	Barns    []Barn  // of a hub
	Port     *Port   // nil without devices
	Leases   []Lease // nil unless several daemons may share the log
	Ready    bool
}

// Metrics counts. Safe for use by several goroutines at once; nothing in it blocks
// but the handler, which asks for the state.
type Metrics struct {
	registry *prometheus.Registry
	records  *prometheus.CounterVec
	read     *prometheus.CounterVec
	events   *prometheus.CounterVec
	appends  prometheus.Histogram
	requests *prometheus.CounterVec
	took     *prometheus.HistogramVec
}

// liveHeap is what the last collection of garbage left: unlike the heap it does not
// rise until the next one, so that whether memory is held for good can be seen.
var liveHeap = collectors.GoRuntimeMetricsRule{Matcher: regexp.MustCompile(`^/gc/heap/live:bytes$`)}

// New returns a Metrics that asks state for what it does not count itself, once for
// each answer. What state cannot tell is left out of the answer.
func New(state func() (State, error)) *Metrics {
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		records: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "dewclaw_records_total", Help: "Records by what became of them.",
		}, []string{"source", "outcome"}),
		read: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "dewclaw_records_read_total", Help: "Records that were read."}, []string{"source"}),
		events: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "dewclaw_events_total", Help: "Events that went into the log.",
		}, []string{"source"}),
		appends: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "dewclaw_append_seconds", Help: "How long an entry of the log took, its fsync included.",
			Buckets: prometheus.ExponentialBuckets(0.0005, 2, 15),
		}),
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "dewclaw_requests_total", Help: "Requests that were answered."}, []string{"route", "code"}),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "dewclaw_request_seconds", Help: "How long an answer took.", Buckets: prometheus.ExponentialBuckets(0.001, 2, 17),
		}, []string{"route"}),
	}
	m.registry.MustRegister(m.records, m.read, m.events, m.appends, m.requests, m.took, &asker{state},
		collectors.NewGoCollector(collectors.WithGoCollectorRuntimeMetrics(liveHeap)), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Entry counts an entry that was appended.
func (m *Metrics) Entry(e *events.Entry) {
	if e.Cause != events.CauseChunk {
		return
	}
	c := e.Counts
	for outcome, n := range map[string]int{
		"accepted": c.Accepted, "duplicate": c.Duplicate, "amended": c.Amended, "held": c.Held, "ignored": c.Ignored,
	} {
		m.records.WithLabelValues(e.SourceKey(), outcome).Add(float64(n))
	}
	m.read.WithLabelValues(e.SourceKey()).Add(float64(c.Read))
	m.events.WithLabelValues(e.SourceKey()).Add(float64(len(e.Events)))
}

// Append counts how long an entry took.
func (m *Metrics) Append(d time.Duration) { m.appends.Observe(d.Seconds()) }

// Request counts an answer.
func (m *Metrics) Request(route string, code int, took time.Duration) {
	m.requests.WithLabelValues(route, strconv.Itoa(code)).Inc()
	m.took.WithLabelValues(route).Observe(took.Seconds())
}

// Handler answers with all series.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{EnableOpenMetrics: true, ErrorHandling: promhttp.ContinueOnError})
}
