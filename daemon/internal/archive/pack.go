package archive

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"dewclaw/events"
)

// A Message is one original of a message stream inside a pack.
type Message struct {
	ID       string    // transport identity
	Name     string    // subject or topic, as the source told it
	Received time.Time // to the nanosecond
	Body     []byte
}

// A Pack is an original made of the messages of one chunk. Its format is ours:
//
//	dewclaw pack 1 2
//	{"id":"CHUTE@…#17","name":"barn.chute","received":"2026-03-04T07:12:00Z","size":5}
//	first
//	{"id":"CHUTE@…#18","name":"barn.chute","received":"2026-03-04T07:12:01Z","size":0}
//
// The first line has the version of the format and the number of messages. Each
// message is a line of JSON, then as many bytes as its size says, then a line
// feed. Lines end with a line feed alone. Nothing stands behind the last
// message, so a pack that was cut or lengthened is seen.
//
// Safe for use by several goroutines at once, but for Close.
type Pack struct {
	blob    *Blob
	where   string
	heads   []packHead
	offsets []int64 // of the bodies
}

type packHead struct {
	ID       string    `json:"id"`
	Name     string    `json:"name"`
	Received time.Time `json:"received"`
	Size     int64     `json:"size"`
}

const (
	packMagic   = "dewclaw pack "
	packVersion = 1
	maxPackLine = 64 << 10
)

// PutPack keeps messages as one original, in their order. The same messages give
// the same bytes. Errors as of [Archive.Put].
func (a *Archive) PutPack(ctx context.Context, messages []Message) (hash string, size int64, err error) {
	readers := []io.Reader{strings.NewReader(fmt.Sprintf("%s%d %d\n", packMagic, packVersion, len(messages)))}
	for i, m := range messages {
		head, err := json.Marshal(packHead{m.ID, m.Name, m.Received.UTC(), int64(len(m.Body))})
		if err != nil {
			return "", 0, fmt.Errorf("pack message %d: %w", i, err)
		}
		if len(head) >= maxPackLine {
			return "", 0, &events.Fault{
				Kind: events.ErrInvalid, What: fmt.Sprintf("identity and name of message %d", i),
				Wanted: fmt.Sprintf("less than %d bytes", maxPackLine), Got: strconv.Itoa(len(head)),
			}
		}
		readers = append(readers, bytes.NewReader(append(head, '\n')), bytes.NewReader(m.Body), strings.NewReader("\n"))
	}
	return a.Put(ctx, io.MultiReader(readers...))
}

// OpenPack opens a pack and reads its index, not its bodies. The error is of kind
// not found if there is no such original, invalid if the original is not a pack
// or one of a newer version, corrupt if it is a pack that is not whole.
func (a *Archive) OpenPack(hash string) (*Pack, error) {
	b, err := a.Open(hash)
	if err != nil {
		return nil, err
	}
	p := &Pack{blob: b, where: a.Path(hash)}
	if err := p.index(); err != nil {
		_ = b.Close()
		return nil, err
	}
	return p, nil
}

func (p *Pack) index() error {
	line, next, err := p.line(0)
	if err != nil || !strings.HasPrefix(line, packMagic) {
		return &events.Fault{Kind: events.ErrInvalid, Where: p.where, What: "the original is not a pack of messages"}
	}
	var version, count int
	if _, err := fmt.Sscanf(line[len(packMagic):], "%d %d", &version, &count); err != nil || version < 1 || count < 0 {
		return p.broken(0, "a version and a number of messages", strconv.Quote(line))
	}
	if version > packVersion {
		return &events.Fault{
			Kind: events.ErrInvalid, Where: p.where, What: "version of the pack",
			Wanted: "at most " + strconv.Itoa(packVersion), Got: strconv.Itoa(version),
			Hints: []string{"it was written by a newer dewclaw; use that version"},
		}
	}
	for range count {
		line, body, err := p.line(next)
		if err != nil {
			return p.broken(next, fmt.Sprintf("%d messages", count), strconv.Itoa(len(p.heads)))
		}
		var h packHead
		if err := json.Unmarshal([]byte(line), &h); err != nil || h.Size < 0 || h.Size >= p.blob.size-body {
			return p.broken(next, "a message that ends inside the pack", strconv.Quote(line))
		}
		p.heads = append(p.heads, h)
		p.offsets = append(p.offsets, body)
		next = body + h.Size + 1
	}
	if next != p.blob.size {
		return p.broken(next, "the end of the pack", fmt.Sprintf("%d bytes more", p.blob.size-next))
	}
	return nil
}

// line reads the line at an offset and returns where the next one begins.
func (p *Pack) line(at int64) (string, int64, error) {
	r := bufio.NewReaderSize(io.NewSectionReader(p.blob, at, maxPackLine), 512)
	s, err := r.ReadString('\n')
	if err != nil {
		return "", 0, err
	}
	return s[:len(s)-1], at + int64(len(s)), nil
}

// Len returns how many messages the pack has.
func (p *Pack) Len() int { return len(p.heads) }

// Index returns the index of the first message with an identity, from 0.
func (p *Pack) Index(id string) (i int, ok bool) {
	for i := range p.heads {
		if p.heads[i].ID == id {
			return i, true
		}
	}
	return 0, false
}

// Message reads message i, from 0 to Len. The error is of kind not found if there
// is none, corrupt if it is not closed as it was written, unavailable if the disk
// cannot be read. The body is the caller's.
func (p *Pack) Message(i int) (Message, error) {
	if i < 0 || i >= len(p.heads) {
		return Message{}, &events.Fault{
			Kind: events.ErrNotFound, Where: p.where, What: "message of the pack",
			Wanted: fmt.Sprintf("0 to %d", len(p.heads)-1), Got: strconv.Itoa(i),
		}
	}
	h := p.heads[i]
	body := make([]byte, h.Size+1)
	if _, err := p.blob.ReadAt(body, p.offsets[i]); err != nil {
		return Message{}, diskFault(p.where, "read an original", err)
	}
	if body[h.Size] != '\n' {
		return Message{}, p.broken(p.offsets[i]+h.Size, "the line feed behind a message", strconv.QuoteRune(rune(body[h.Size])))
	}
	return Message{h.ID, h.Name, h.Received, body[:h.Size:h.Size]}, nil
}

// Close ends the reading.
func (p *Pack) Close() error { return p.blob.Close() }

func (p *Pack) broken(at int64, wanted, got string) error {
	return corruptFault(p.where+":byte "+strconv.FormatInt(at, 10), wanted, got)
}
