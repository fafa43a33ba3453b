package streamlog

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"

	"dewclaw/events"
)

const (
	headName = "head"
	slotSize = 512  // written at once; one sector
	slotGap  = 4096 // apart, so that no page holds both
	headForm = "dewclaw head 1 log %s turn %020d position %020d hash %s"
)

// A mark is a place in the log and the hash of the entry there; position 0 has
// the hash [events.NoEntry].
type mark struct {
	pos  events.Position
	hash string
}

var start = mark{0, events.NoEntry}

// A head is the head anchor: the id of the log and the newest entry that was
// acknowledged, in a file of its own. The package comment gives its layout.
type head struct {
	id string

	mu   sync.Mutex
	f    *os.File // nil when read-only or closed
	turn uint64   // of the newest slot
	mark mark     // in the newest slot
}

// A slot is what one of the two slots says.
type slot struct {
	id   string
	turn uint64
	mark mark
}

var errNoHead = errors.New("no head file")

// openHead reads the anchor. The error is errNoHead if there is none, and a
// *flaw if neither slot is whole.
func openHead(dir string, readOnly bool) (*head, error) {
	name := filepath.Join(dir, headName)
	how := os.O_RDWR
	if readOnly {
		how = os.O_RDONLY
	}
	f, err := os.OpenFile(name, how, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errNoHead
	}
	if err != nil {
		return nil, unavailable("open the head anchor", err)
	}
	best, err := newestSlot(f, name)
	if err != nil {
		f.Close()
		return nil, err
	}
	h := &head{id: best.id, turn: best.turn, mark: best.mark, f: f}
	if readOnly {
		f.Close()
		h.f = nil
	}
	return h, nil
}

func newestSlot(f *os.File, name string) (slot, error) {
	var best slot
	for i := range int64(2) {
		b := make([]byte, slotSize)
		if n, err := f.ReadAt(b, i*slotGap); err != nil && err != io.EOF {
			return best, unavailable("read the head anchor", err)
		} else if s, ok := parseSlot(b[:n]); ok && s.turn >= best.turn {
			best = s
		}
	}
	if best.id == "" {
		return best, &flaw{where: name, what: "head anchor", wanted: "a whole slot", got: "two damaged ones"}
	}
	return best, nil
}

// formatSlot returns a slot: a line of text and its SHA-256, filled up with
// blanks.
func formatSlot(s slot) []byte {
	line := fmt.Sprintf(headForm, s.id, s.turn, uint64(s.mark.pos), s.mark.hash)
	b := fmt.Appendf(nil, "%s sum %x", line, sha256.Sum256([]byte(line)))
	b = append(b, bytes.Repeat([]byte{' '}, slotSize-1-len(b))...)
	return append(b, '\n')
}

func parseSlot(b []byte) (slot, bool) {
	var s slot
	line, sum, ok := strings.Cut(string(b), " sum ")
	if !ok || strings.TrimRight(sum, " \n") != fmt.Sprintf("%x", sha256.Sum256([]byte(line))) {
		return s, false
	}
	n, err := fmt.Sscanf(line, headForm, &s.id, &s.turn, (*uint64)(&s.mark.pos), &s.mark.hash)
	return s, err == nil && n == 4
}

// createHead makes the anchor of a log: whole under its name or not there.
func createHead(dir, id string, m mark) (*head, error) {
	name := filepath.Join(dir, headName)
	f, err := os.OpenFile(name+".new", os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return nil, unavailable("make the head anchor", err)
	}
	h := &head{id: id, f: f}
	err = h.write(m)
	if err == nil {
		err = h.write(m)
	}
	if err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = os.Rename(name+".new", name)
	}
	if err == nil {
		err = syncFolder(dir)
	}
	if err != nil {
		f.Close()
		return nil, unavailable("make the head anchor", err)
	}
	return h, nil
}

// write puts m into the older slot and returns when it is on the disk. After
// an error the newer slot is still whole, and write may be tried again.
func (h *head) write(m mark) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.f == nil {
		return unavailable("write the head anchor", fs.ErrClosed)
	}
	s := slot{id: h.id, turn: h.turn + 1, mark: m}
	_, err := h.f.WriteAt(formatSlot(s), int64(s.turn%2)*slotGap)
	if err == nil {
		err = datasync(h.f)
	}
	if err != nil {
		return unavailable("write the head anchor", err)
	}
	h.turn, h.mark = s.turn, m
	return nil
}

// newest returns what the newer slot says.
func (h *head) newest() mark {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.mark
}

func (h *head) close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.f != nil {
		_ = h.f.Close()
		h.f = nil
	}
}

// syncFolder makes the names in a folder durable.
func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
