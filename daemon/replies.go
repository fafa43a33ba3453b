package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	httpx "dewclaw/adapters/http"
	"dewclaw/adapters/nats"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/delivery"
	"dewclaw/events"
)

// maxReplyBytes bounds one request with replies.
const maxReplyBytes = 4 << 20

// maxReplyFile is how much of a file with replies is read: more than so many
// replies can have.
const maxReplyFile = 64 << 20

// replyFeeds answers recipients that say what became of what they got, by feed.
func (e *engine) replyFeeds() map[string]http.Handler {
	out := map[string]http.Handler{}
	for i := range e.project.config.Feeds {
		id := e.project.config.Feeds[i].ID
		out[id] = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { e.takeReplies(w, r, id) })
	}
	return out
}

// takeReplies answers 200 when what could be matched is safely stored.
func (e *engine) takeReplies(w http.ResponseWriter, r *http.Request, feed string) {
	list, err := delivery.ReadReplies(http.MaxBytesReader(w, r.Body, maxReplyBytes))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		httpx.NewProblem("too-large", "wanted at most 4 MiB of replies").Write(w)
		return
	case err != nil && !errors.Is(err, events.ErrInvalid):
		httpx.NewProblem("request", "the body could not be read", "send it again").Write(w)
		return
	case err != nil:
		httpx.NewProblem("request", err.Error()).Write(w)
		return
	}
	noted, err := e.feeds.Reply(r.Context(), feed, list)
	if err != nil {
		e.logger.Warn("replies could not be noted", "feed", feed, "why", err.Error())
		httpx.NewProblem("unavailable", "the replies cannot be stored now", "send them again").Write(w)
		return
	}
	e.tellReplies(feed, "", noted)
	w.Header().Set("Content-Type", "application/json")
	_ = json.NewEncoder(w).Encode(map[string]any{"replies": noted}) // who does not read it sends them again
}

// tellReplies tells the log of replies that could not be matched.
func (e *engine) tellReplies(feed, name string, noted []delivery.Noted) {
	bad := 0
	var first delivery.Noted
	for _, n := range noted {
		if n.Result != "noted" {
			if bad++; bad == 1 {
				first = n
			}
		}
	}
	if bad > 0 {
		e.logger.Warn("replies that match no event", "feed", feed, "name", name, "replies", bad, "of", len(noted), "first", first.ID, "why", first.Why)
	}
}

// takenFolder is where files with replies go, below the folder they arrived in.
const takenFolder = "taken"

// replies reads the files and messages with replies until ctx ends.
func (d *daemon) replies(ctx context.Context) error {
	var wg sync.WaitGroup
	for i := range d.e.project.config.Feeds {
		if f := &d.e.project.config.Feeds[i]; f.Replies != nil {
			wg.Go(func() { d.e.readReplies(ctx, f) })
		}
	}
	wg.Wait()
	return nil
}

// A mailbox is where replies arrive.
type mailbox interface {
	adapters.Source
	io.Closer
}

// readReplies reads the replies to one feed. What cannot be read now is read later;
// what arrives there and has no replies is told, and settled as the others are.
func (e *engine) readReplies(ctx context.Context, f *config.Feed) {
	part := "replies to feed " + f.ID
	wait := backoff{first: time.Second, most: time.Minute}
	var box mailbox
	defer func() {
		if box != nil {
			_ = box.Close() // it was read only
		}
	}()
	for ctx.Err() == nil {
		if key := feedLease(f.ID); !e.leases.ours(key) { // whoever runs the feed notes what is said to it
			if box != nil {
				_ = box.Close()
				box = nil
			}
			if pause(ctx, e.leases.TTL()/leaseRenewals) != nil {
				return
			}
			continue
		}
		var err error
		if box == nil {
			box, err = e.openReplies(part, f)
		}
		if err == nil {
			err = e.nextReplies(ctx, f, box)
		}
		if ctx.Err() != nil {
			return
		}
		e.health.say(part, err)
		if err == nil {
			wait.reset()
		} else if pause(ctx, wait.next()) != nil {
			return
		}
	}
}

// openReplies returns nil with an error.
func (e *engine) openReplies(part string, f *config.Feed) (mailbox, error) {
	report := func(f *events.Fault) { e.logger.Warn("replies", "what", f.Error(), "hints", f.Hints) }
	if s := f.Replies.Stream; s != nil {
		src, err := nats.OpenSource(nats.SourceOptions{
			Who: part, Server: natsServer(&s.Server, "dewclaw "+part, e.getenv),
			Stream: s.Stream, Subject: s.Subject, Durable: s.Consumer, Now: e.now, Report: report,
		})
		if err != nil {
			return nil, err
		}
		return src, nil
	}
	taken := filepath.Join(f.Replies.Folder, takenFolder)
	if err := os.Mkdir(taken, 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
		return nil, err
	}
	src, err := folder.Open(folder.Options{
		Who: part, Dir: f.Replies.Folder, Patterns: f.Replies.Files, Rest: time.Second, Scan: 30 * time.Second,
		After: folder.Move, MoveTo: taken, Now: e.now, Report: report,
	})
	if err != nil {
		return nil, err
	}
	return src, nil
}

func (e *engine) nextReplies(ctx context.Context, f *config.Feed, box mailbox) error {
	d, err := box.Next(ctx)
	if err != nil {
		return err
	}
	err = e.noteReplies(ctx, f, d)
	v := adapters.Taken
	if err != nil {
		v = adapters.NotTaken
	}
	return errors.Join(err, d.Settle(context.WithoutCancel(ctx), v))
}

// noteReplies notes the replies of one file or message.
func (e *engine) noteReplies(ctx context.Context, f *config.Feed, d *adapters.Delivery) error {
	r, err := d.Open(ctx)
	if err != nil {
		return err
	}
	list, err := delivery.ReadReplies(io.LimitReader(r, maxReplyFile))
	err = errors.Join(err, r.Close())
	if errors.Is(err, events.ErrInvalid) {
		where := "taken off the stream"
		if f.Replies.Folder != "" {
			where = "now in " + filepath.Join(f.Replies.Folder, takenFolder)
		}
		e.logger.Error("what arrived has no replies that can be read", "feed", f.ID, "name", cmp.Or(d.Message, d.Name), "why", err.Error(), "where", where)
		return nil
	}
	if err != nil {
		return err
	}
	noted, err := e.feeds.Reply(ctx, f.ID, list)
	if err == nil {
		e.tellReplies(f.ID, d.Name, noted)
	}
	return err
}
