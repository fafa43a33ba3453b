package http

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"strconv"
	"strings"
	"time"

	"dewclaw/events"
)

// secretPrefix opens a key as Standard Webhooks 1.0.0 writes it.
const secretPrefix = "whsec_"

// parseKey reads a key: the prefix and the base64 of 24 to 64 bytes. What stands
// there instead is not repeated.
func parseKey(who string, secret []byte) ([]byte, error) {
	text, ok := strings.CutPrefix(strings.TrimSpace(string(secret)), secretPrefix)
	key, err := base64.StdEncoding.DecodeString(text)
	if !ok || err != nil || len(key) < 24 || len(key) > 64 {
		return nil, &events.Fault{
			Kind: events.ErrUnavailable, Who: who, What: "key of the webhook", Wanted: secretPrefix + " and the base64 of 24 to 64 bytes", Got: "something else",
			Hints: []string{`make one: printf 'whsec_%s\n' "$(head -c 32 /dev/urandom | base64)"`},
		}
	}
	return key, nil
}

// sign returns the header webhook-signature: for each key "v1," and the base64 of
// the HMAC-SHA256 over id, time in seconds and body, with points between them
// (Standard Webhooks 1.0.0, "Signature scheme").
func sign(keys [][]byte, id string, at time.Time, body []byte) string {
	var out []string
	for _, k := range keys {
		h := hmac.New(sha256.New, k)
		h.Write([]byte(id + "." + strconv.FormatInt(at.Unix(), 10) + "."))
		h.Write(body)
		out = append(out, "v1,"+base64.StdEncoding.EncodeToString(h.Sum(nil)))
	}
	return strings.Join(out, " ")
}
