package http

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"mime"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"
)

// memoryBody is how much of a body is kept in memory; a larger one goes into a
// file. Bodies up to this size share a commit.
const memoryBody = 128 << 10

// A head is what is known of a body before it is read.
type head struct {
	gzip bool
	key  string
}

// mediaTypes are what bodies of each format are called; the first is the one we
// name. JSON: RFC 8259; CSV: RFC 4180. Of NDJSON none is registered: these two are
// common practice, no source.
var mediaTypes = map[string][]string{
	"json":   {"application/json"},
	"ndjson": {"application/x-ndjson", "application/jsonl"},
	"csv":    {"text/csv"},
	"ade":    {"application/json"},
}

// head looks at what a request says of its body.
func (s *Source) head(r *http.Request) (head, *Problem) {
	var h head
	wanted := mediaTypes[s.o.Format]
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || !slices.Contains(wanted, media) {
		p := problem("media-type", fmt.Sprintf("source %s: Content-Type: wanted %s, got %q", s.o.ID, strings.Join(wanted, " or "), r.Header.Get("Content-Type")),
			fmt.Sprintf(`curl --data-binary @FILE -H "Content-Type: %s" …`, wanted[0]))
		p.Header = http.Header{"Accept": wanted} // RFC 9110, section 12.5.1
		return h, p
	}
	switch coding := strings.ToLower(r.Header.Get("Content-Encoding")); coding {
	case "", "identity":
	case "gzip", "x-gzip": // RFC 9110, section 8.4.1.3
		h.gzip = true
	default:
		p := problem("media-type", fmt.Sprintf("Content-Encoding: wanted gzip or none, got %q", coding))
		p.Header = http.Header{"Accept-Encoding": {"gzip"}} // RFC 9110, section 12.5.3
		return h, p
	}
	keys := r.Header.Values("Idempotency-Key")
	if len(keys) == 1 {
		h.key = strings.Trim(keys[0], `"`) // the draft has it as a string of RFC 9651, in quotes
	}
	if len(keys) > 1 || len(keys) == 1 && !usableKey(h.key) {
		return h, problem("request", "Idempotency-Key: wanted one, of 1 to 255 printable ASCII characters")
	}
	if !h.gzip && r.ContentLength > s.o.MaxBody {
		return h, s.tooLarge()
	}
	return h, nil
}

func usableKey(key string) bool {
	return key != "" && len(key) <= 255 && strings.IndexFunc(key, func(c rune) bool { return c < ' ' || c > '~' }) < 0
}

func (s *Source) tooLarge() *Problem {
	return problem("too-large", fmt.Sprintf("source %s: wanted at most %d bytes, unpacked", s.o.ID, s.o.MaxBody), "send it in parts: records are known again wherever they stand")
}

// A body is the bytes of a request, unpacked: in memory, or in a file without a
// name.
type body struct {
	memory []byte
	file   *os.File // nil if memory has it
	size   int64
	sha256 string
}

func (b *body) reader() io.Reader {
	if b.file == nil {
		return bytes.NewReader(b.memory)
	}
	return io.NewSectionReader(b.file, 0, b.size)
}

func (b *body) close() error {
	if b.file == nil {
		return nil
	}
	return b.file.Close()
}

// read reads the body of a request.
func (s *Source) read(w http.ResponseWriter, r *http.Request, h head) (*body, *Problem) {
	in := io.Reader(&patient{r: http.MaxBytesReader(w, r.Body, s.o.MaxBody), c: http.NewResponseController(w), stall: s.o.Stall})
	if h.gzip {
		z, err := gzip.NewReader(in)
		if err != nil {
			return nil, s.unreadable(err)
		}
		in = z
	}
	k := &keeper{dir: s.o.Spool, hash: sha256.New()}
	n, err := io.Copy(k, io.LimitReader(in, s.o.MaxBody+1))
	if err == nil && n > s.o.MaxBody {
		err = &http.MaxBytesError{Limit: s.o.MaxBody}
	}
	if err == nil && n == 0 {
		err = errors.New("it is empty")
	}
	if err != nil {
		_ = k.body.close()
		return nil, s.unreadable(err)
	}
	k.body.size, k.body.sha256 = n, hex.EncodeToString(k.hash.Sum(nil))
	return &k.body, nil
}

func (s *Source) unreadable(err error) *Problem {
	var large *http.MaxBytesError
	var disk *os.PathError
	switch {
	case errors.As(err, &large):
		return s.tooLarge()
	case errors.As(err, &disk):
		return problem("unavailable", "there is no room for it now", resend)
	}
	return problem("request", "read the body: "+err.Error(), resend)
}

// A patient reader lets a client stall for so long and no longer.
type patient struct {
	r     io.Reader
	c     *http.ResponseController
	stall time.Duration
}

func (p *patient) Read(b []byte) (int, error) {
	_ = p.c.SetReadDeadline(time.Now().Add(p.stall)) // a server that cannot has its own
	n, err := p.r.Read(b)
	if err != nil {
		_ = p.c.SetReadDeadline(time.Time{})
	}
	return n, err
}

// A keeper keeps what is written to it in memory, and in a file once that is
// too much.
type keeper struct {
	dir  string
	hash hash.Hash
	body body
}

func (k *keeper) Write(p []byte) (int, error) {
	k.hash.Write(p)
	if k.body.file == nil && len(k.body.memory)+len(p) <= memoryBody {
		k.body.memory = append(k.body.memory, p...)
		return len(p), nil
	}
	if k.body.file == nil {
		f, err := os.CreateTemp(k.dir, "body-")
		if err != nil {
			return 0, err
		}
		_ = os.Remove(f.Name()) // a crash leaves nothing behind
		k.body.file = f
		if _, err := f.Write(k.body.memory); err != nil {
			return 0, err
		}
		k.body.memory = nil
	}
	return k.body.file.Write(p)
}
