// Receives events as signed webhooks (Standard Webhooks 1.0.0) with nothing but
// Go's own library.
//
// Usage: SECRET=whsec_… go run webhook.go PORT FILE
//
// Each event is a line of FILE, once, safely on the disk before it is answered.
package main

import (
	"bufio"
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"io"
	"log"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"
)

func main() {
	key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(os.Getenv("SECRET"), "whsec_"))
	if err != nil {
		log.Fatal(err)
	}
	s := &store{have: map[string]bool{}}
	if s.file, err = os.OpenFile(os.Args[2], os.O_CREATE|os.O_RDWR|os.O_APPEND, 0o600); err != nil {
		log.Fatal(err)
	}
	for lines := bufio.NewScanner(s.file); lines.Scan(); {
		s.have[idOf(lines.Bytes())] = true
	}
	log.Fatal(http.ListenAndServe("127.0.0.1:"+os.Args[1], http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 1<<20))
		switch {
		case err != nil:
			w.WriteHeader(http.StatusBadRequest)
		case !signed(key, r.Header, body):
			w.WriteHeader(http.StatusUnauthorized)
		case s.keep(body) != nil:
			w.WriteHeader(http.StatusServiceUnavailable) // it comes again
		default:
			w.WriteHeader(http.StatusNoContent)
		}
	})))
}

// signed tells whether whoever has the key made this request, within the last
// five minutes.
func signed(key []byte, h http.Header, body []byte) bool {
	at, err := strconv.ParseInt(h.Get("webhook-timestamp"), 10, 64)
	if err != nil || time.Since(time.Unix(at, 0)).Abs() > 5*time.Minute {
		return false
	}
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(h.Get("webhook-id") + "." + h.Get("webhook-timestamp") + "."))
	mac.Write(body)
	for _, s := range strings.Fields(h.Get("webhook-signature")) {
		got, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(s, "v1,"))
		if err == nil && hmac.Equal(got, mac.Sum(nil)) {
			return true
		}
	}
	return false
}

type store struct {
	mu   sync.Mutex
	file *os.File
	have map[string]bool
}

func (s *store) keep(event []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	id := idOf(event)
	if s.have[id] {
		return nil
	}
	var line bytes.Buffer
	if err := json.Compact(&line, event); err != nil {
		return err
	}
	line.WriteByte('\n')
	if _, err := s.file.Write(line.Bytes()); err != nil {
		return err
	}
	if err := s.file.Sync(); err != nil {
		return err
	}
	s.have[id] = true
	return nil
}

func idOf(event []byte) string {
	var e struct{ ID string }
	_ = json.Unmarshal(event, &e)
	return e.ID
}
