package http

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"
)

// tokenPrefix makes a token known for what it is wherever it turns up.
const tokenPrefix = "dewclaw_"

// NewToken makes a token of 256 random bits and the hash that a config keeps of
// it. With so many bits the hash needs no salt: nobody can guess through them.
func NewToken(random io.Reader) (token, hash string, err error) {
	b := make([]byte, 32)
	if _, err := io.ReadFull(random, b); err != nil {
		return "", "", fmt.Errorf("make token: %w", err)
	}
	token = tokenPrefix + base64.RawURLEncoding.EncodeToString(b)
	return token, HashToken(token), nil
}

// HashToken returns the SHA-256 of a token in hex.
func HashToken(token string) string {
	h := sha256.Sum256([]byte(token))
	return hex.EncodeToString(h[:])
}

// A Pass is what a token lets its holder do.
type Pass struct {
	Name    string
	Expired func(now time.Time) bool // nil: never
	May     func(what, id string) bool
}

// A Guard lets in who has a token (RFC 6750, bearer tokens in the header
// Authorization). Its fields do not change while it is used.
type Guard struct {
	Passes map[string]Pass // by the hash of the token
	Now    func() time.Time
}

// Check returns whose token a request has, and whether it may do what it asks
// for: the problem to answer with if not. A token is looked up by its hash, so
// that the time this takes tells nothing of any token.
func (g *Guard) Check(r *http.Request, what, id string) (name string, refused *Problem) {
	scheme, token, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	if !ok || !strings.EqualFold(scheme, "Bearer") {
		return "", unauthorized("no bearer token in the header Authorization", `Bearer realm="dewclaw"`)
	}
	p, known := g.Passes[HashToken(strings.TrimSpace(token))]
	switch {
	case !known:
		return "", unauthorized("the token is not known", `Bearer realm="dewclaw", error="invalid_token"`)
	case p.Expired != nil && p.Expired(g.Now()):
		return "", unauthorized("the token has ended", `Bearer realm="dewclaw", error="invalid_token"`)
	case p.May == nil || !p.May(what, id):
		bad := NewProblem("not-allowed", fmt.Sprintf("token %q is not for %s %q", p.Name, what, id))
		bad.Header = http.Header{"Www-Authenticate": {`Bearer realm="dewclaw", error="insufficient_scope"`}}
		return p.Name, &bad
	}
	return p.Name, nil
}

// Lets reports whether a token that did not come with a request is for something.
func (g *Guard) Lets(token, what, id string) bool {
	p, known := g.Passes[HashToken(token)]
	return known && (p.Expired == nil || !p.Expired(g.Now())) && p.May != nil && p.May(what, id)
}

func unauthorized(detail, challenge string) *Problem {
	p := NewProblem("no-token", detail, `send it as "Authorization: Bearer TOKEN"; who runs the daemon makes one: dewclaw token NAME`)
	p.Header = http.Header{"Www-Authenticate": {challenge}}
	return &p
}
