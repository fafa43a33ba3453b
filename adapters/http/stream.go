package http

import (
	"bytes"
	"context"
	"net/http"
	"time"
)

// streamPage is how many events of a stream are made at once.
const streamPage = 256

// stream sends events as they come, until the client goes, the feed may give
// nothing more, the daemon stops or the stream has lived long enough. The id of
// each is the cursor behind it, which the client sends as Last-Event-ID when it
// connects again.
func (f *Feed) stream(w http.ResponseWriter, r *http.Request, a asking) {
	ctx, cancel := f.alive(r.Context())
	defer cancel()
	ctx, stop := context.WithTimeout(ctx, f.Life)
	defer stop()
	p, err := f.Fetch(ctx, a.from, min(a.limit, streamPage))
	if err != nil {
		f.refusal(err).Write(w)
		return
	}
	h := w.Header()
	h.Set("Content-Type", mediaStream)
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // proxies that collect answers: common practice, no source
	c := http.NewResponseController(w)
	var out bytes.Buffer
	out.WriteString("retry: 2000\n\n")
	for {
		var b []byte
		for i := range p.Events {
			b = p.Events[i].AppendCloudEvent(b[:0])
			out.WriteString("id: " + WriteCursor(f.Log, p.After[i]) + "\ndata: ")
			out.Write(b) // JSON of ours has no line ends
			out.WriteString("\n\n")
		}
		if len(p.Events) == 0 {
			out.WriteString("id: " + WriteCursor(f.Log, p.Next) + "\n\n") // nothing happens, and the cursor moves
		}
		_ = c.SetWriteDeadline(time.Now().Add(writeTime))
		if _, err := w.Write(out.Bytes()); err != nil || c.Flush() != nil {
			return
		}
		out.Reset()
		if len(p.Events) == 0 {
			beat, done := context.WithTimeout(ctx, f.Beat)
			_ = f.Wait(beat, p.Seen)
			done()
		}
		if ctx.Err() != nil {
			return
		}
		if p, err = f.Fetch(ctx, p.Next, streamPage); err != nil {
			return // the client connects again and is told why
		}
	}
}
