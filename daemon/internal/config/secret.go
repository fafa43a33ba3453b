package config

import (
	"bytes"
	"fmt"

	"dewclaw/events"
)

// A Secret says where a secret is to be found: in a file or in a variable of
// the environment. The config never holds the secret itself. The zero value is
// no secret.
type Secret struct {
	File string
	Env  string
}

// IsZero reports whether there is no secret.
func (s Secret) IsZero() bool { return s == Secret{} }

// String says where the secret is to be found, for messages.
func (s Secret) String() string {
	switch {
	case s.File != "":
		return "file " + s.File
	case s.Env != "":
		return "environment variable " + s.Env
	}
	return "no secret"
}

// Value reads the secret; a line end after it does not count. An empty secret
// is an error of kind invalid, a file that cannot be read one of kind
// unavailable. The zero value gives nil.
func (s Secret) Value(getenv func(string) string, readFile func(string) ([]byte, error)) ([]byte, error) {
	if s.IsZero() {
		return nil, nil
	}
	var b []byte
	if s.Env != "" {
		b = []byte(getenv(s.Env))
	} else {
		var err error
		if b, err = readFile(s.File); err != nil {
			return nil, fmt.Errorf("read secret: %w: %w", err, events.ErrUnavailable)
		}
	}
	if b = bytes.TrimRight(b, "\r\n"); len(b) == 0 {
		return nil, &events.Fault{Kind: events.ErrInvalid, Where: s.String(), What: "secret", Wanted: "at least one character", Got: "nothing"}
	}
	return b, nil
}
