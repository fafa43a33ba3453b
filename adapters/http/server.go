package http

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"dewclaw/events"
)

// ServerOptions say where a [Server] listens.
type ServerOptions struct {
	Address   string // host:port
	Cert, Key string // PEM files; "" for no TLS
	// Certificate answers connections instead of the pair as the files had it at first;
	// nil for that one.
	Certificate func(*tls.ClientHelloInfo) (*tls.Certificate, error)
	Handler     http.Handler
	Logger      *slog.Logger
}

// A Server answers requests from outside.
type Server struct {
	l      net.Listener
	http   *http.Server
	cancel context.CancelFunc
}

// Listen opens the port. It answers once [Server.Serve] is called. Errors: of kind
// unavailable if the port cannot be had, invalid if the certificate cannot be
// used.
func Listen(o ServerOptions) (*Server, error) {
	who := "listen"
	var cert tls.Certificate
	if o.Cert != "" {
		var err error
		if cert, err = tls.LoadX509KeyPair(o.Cert, o.Key); err != nil {
			return nil, &events.Fault{
				Kind: events.ErrInvalid, Who: who, Where: o.Cert, What: "certificate and key", Wanted: "a pair in PEM that belongs together", Cause: err,
			}
		}
	}
	l, err := net.Listen("tcp", o.Address)
	if err != nil {
		return nil, &events.Fault{
			Kind: events.ErrUnavailable, Who: who, Where: o.Address, What: "open the port", Cause: err,
			Hints: []string{"another process may have it; or change listen.address in the config"},
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	s := &Server{l: l, cancel: cancel}
	s.http = &http.Server{
		Handler: o.Handler, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
		BaseContext: func(net.Listener) context.Context { return ctx },
		ErrorLog:    slog.NewLogLogger(o.Logger.Handler(), slog.LevelDebug),
	}
	if o.Cert != "" {
		s.http.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: o.Certificate}
		if o.Certificate == nil {
			s.http.TLSConfig.Certificates = []tls.Certificate{cert}
		}
	}
	return s, nil
}

// Address is where it listens, with the port it was given.
func (s *Server) Address() string { return s.l.Addr().String() }

// Serve answers until [Server.Close] is called, and then returns nil. An error is
// of kind unavailable.
func (s *Server) Serve() error {
	var err error
	if s.http.TLSConfig != nil {
		err = s.http.ServeTLS(s.l, "", "")
	} else {
		err = s.http.Serve(s.l)
	}
	if !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("answer requests: %w: %w", err, events.ErrUnavailable)
	}
	return nil
}

// Close takes no further request, waits for the running ones until ctx ends, and
// then cuts them off.
func (s *Server) Close(ctx context.Context) error {
	err := s.http.Shutdown(ctx)
	s.cancel()
	if err != nil {
		err = s.http.Close()
	}
	return err
}
