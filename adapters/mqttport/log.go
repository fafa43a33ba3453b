package mqttport

import (
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"sync"

	"github.com/nats-io/nats-server/v2/server"
)

// A serverLog hands what the server says to slog. What it says of one connection
// is told as that; the first of its other errors is remembered, which may be all
// that is heard of a failed write.
type serverLog struct {
	srv    *server.Server
	logger *slog.Logger

	mu    sync.Mutex
	first string
}

// Noticef drops what is no error.
func (s *serverLog) Noticef(string, ...any) {}

// Debugf drops what is no error.
func (s *serverLog) Debugf(string, ...any) {}

// Tracef drops what is no error.
func (s *serverLog) Tracef(string, ...any) {}

// Warnf passes a warning on for debugging.
func (s *serverLog) Warnf(format string, v ...any) {
	s.logger.Debug("MQTT server", "warning", oneLine(format, v))
}

// Errorf passes an error on.
func (s *serverLog) Errorf(format string, v ...any) {
	text := oneLine(format, v)
	id, ofDevice := connection(text)
	if !ofDevice {
		s.fail(text)
		return
	}
	s.logger.Warn("MQTT port", "device", text)
	if strings.Contains(text, "Publish Violation") {
		// The server drops the message and would acknowledge it.
		_ = s.srv.DisconnectClientByID(id) // it may have gone
	}
}

// Fatalf passes an error on that the server cannot go on after.
func (s *serverLog) Fatalf(format string, v ...any) { s.fail(oneLine(format, v)) }

func (s *serverLog) fail(text string) {
	s.logger.Error("MQTT server", "error", text)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.first == "" {
		s.first = text
	}
}

func (s *serverLog) failure() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.first
}

// connection returns the number of the connection of a device that the server
// speaks of: "127.0.0.1:40312 - mid:7 - …".
func connection(text string) (uint64, bool) {
	_, rest, ok := strings.Cut(text, " - mid:")
	number, _, _ := strings.Cut(rest, " ")
	id, err := strconv.ParseUint(strings.Trim(number, `"`), 10, 64)
	return id, ok && err == nil
}

func oneLine(format string, v []any) string { return strings.TrimSpace(fmt.Sprintf(format, v...)) }
