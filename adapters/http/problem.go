package http

import (
	"encoding/json"
	"net/http"
	"strconv"
	"time"
)

// ProblemBase is what the types of our problems begin with. They are names, not
// addresses.
const ProblemBase = "https://dewclaw.example/problem/"

// A Problem is an answer to a request that is not met: RFC 9457, section 3.
type Problem struct {
	Type   string   `json:"type"`   // ProblemBase and one of the words below
	Title  string   `json:"title"`  // the same for every problem of the type
	Status int      `json:"status"` // of the answer
	Detail string   `json:"detail,omitempty"`
	Hints  []string `json:"hints,omitempty"` // what to do about it

	RetryAfter time.Duration `json:"-"` // when to ask again; 0 if that does not help
	Header     http.Header   `json:"-"` // what the answer must have beside it
}

// problems are the types with their titles and states.
var problems = map[string]Problem{
	"not-found":    {Title: "There is no such thing", Status: http.StatusNotFound},
	"method":       {Title: "This cannot be done to it", Status: http.StatusMethodNotAllowed},
	"no-token":     {Title: "A token is needed", Status: http.StatusUnauthorized},
	"not-allowed":  {Title: "The token is for other things", Status: http.StatusForbidden},
	"paused":       {Title: "The feed is paused", Status: http.StatusForbidden},
	"request":      {Title: "The request cannot be read", Status: http.StatusBadRequest},
	"media-type":   {Title: "The body is of another kind", Status: http.StatusUnsupportedMediaType},
	"too-large":    {Title: "The body is too large", Status: http.StatusRequestEntityTooLarge},
	"key-reused":   {Title: "The idempotency key came with another body before", Status: http.StatusUnprocessableEntity},
	"busy":         {Title: "Too much at once", Status: http.StatusTooManyRequests, RetryAfter: time.Second},
	"unavailable":  {Title: "It cannot be taken now", Status: http.StatusServiceUnavailable, RetryAfter: 5 * time.Second},
	"not-prepared": {Title: "There is nothing that could answer", Status: http.StatusNotAcceptable},
	"internal":     {Title: "A bug", Status: http.StatusInternalServerError},
}

// WriteState answers whether all is well: 200, or 503 with the reasons that are
// told.
func WriteState(w http.ResponseWriter, ok bool, reasons []string) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	if !ok {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	_ = json.NewEncoder(w).Encode(struct {
		OK      bool     `json:"ok"`
		Reasons []string `json:"reasons,omitempty"`
	}{ok, reasons})
}

// NewProblem returns a problem of a type of this package.
func NewProblem(kind, detail string, hints ...string) Problem {
	p, ok := problems[kind]
	if !ok {
		kind, p = "internal", problems["internal"]
	}
	p.Type, p.Detail, p.Hints = ProblemBase+kind, detail, hints
	return p
}

// Write answers with the problem.
func (p Problem) Write(w http.ResponseWriter) {
	h := w.Header()
	for k, v := range p.Header {
		h[k] = v
	}
	h.Set("Content-Type", "application/problem+json")
	h.Set("Cache-Control", "no-store")
	if p.RetryAfter > 0 {
		h.Set("Retry-After", strconv.Itoa(int((p.RetryAfter+time.Second-1)/time.Second)))
	}
	w.WriteHeader(p.Status)
	_ = json.NewEncoder(w).Encode(p) // who does not read it has gone
}
