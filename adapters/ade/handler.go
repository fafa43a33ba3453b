package ade

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"
	"strings"

	"dewclaw/events"
)

// A Dataset is one feed as the change feed of ADE shows it.
type Dataset struct {
	Name   string        // id of the feed; letters, digits, hyphens
	Kinds  []events.Kind // that it carries
	Writer *Writer       // by which its events are written
}

// A Page is a run of changes of one dataset.
type Page struct {
	// Events are what the recipient gets, in the order of the log: newest
	// revisions, and for what it should no longer have the event with change =
	// retracted and the data it had. Only what the feed's rule and the grants in
	// force let out.
	Events []events.Event
	// Next is the cursor behind the last of them; the cursor that was asked for
	// if there are none. It may move although Events is empty.
	Next string
	// Again says that the cursor leads nowhere any more (the feed was rewound,
	// the log is another one): the recipient must drop what it has and begin at
	// the start. Events is empty.
	Again bool
}

// Changes is what a [Handler] serves: feeds, as far as the client of a request
// may see them. Who the client is stands in ctx, put there by whoever checked
// its token. Everything a Handler gives away comes from here, so grants are kept
// here and nowhere else.
//
// Methods may be called by several goroutines at once. Errors of kind not found
// become status 404, of kind invalid 400, of kind unavailable 503, others 500; an
// error with a method Status() int says itself which (a client without a grant:
// 403). Texts of errors of kind invalid and not found, and of those with a
// status, are shown to the client, others are not.
type Changes interface {
	// Datasets returns the datasets the client may see, in a fixed order.
	Datasets(ctx context.Context) ([]Dataset, error)
	// After returns up to n changes of the dataset behind the cursor, "" for the
	// start. A page without events whose Next is the cursor is the end for now.
	After(ctx context.Context, dataset, cursor string, n int) (Page, error)
}

// HandlerOptions say how a [Handler] answers. Changes must be set.
type HandlerOptions struct {
	Changes Changes
	Prefix  string // path under which it is mounted and which is taken off before: "/ade"; "" for none
	Page    int    // resources in one answer, at most; 0 means 500

	// Report is told of what could not be given: an event that has no form (an
	// animal without an identifier the recipient could know), which is left out,
	// and errors the client is not told. It may be nil.
	Report func(*events.Fault)
}

// A Handler serves the change feed of ADE (adewg/ICAR,
// docs/generic-data-exchange-api.md): GET /datasets, /datasets/{name} and
// /datasets/{name}/changes?since={token}. It answers nothing else; it takes in
// nothing. Errors are collections of errors of ADE, in the manner of RFC 7807.
//
// The array of changes begins with "@context" and ends with "@continuation",
// whose token a client keeps once it has settled everything before it; it asks
// again with it until nothing comes. Asking twice with one token gives the same
// resources, or newer ones, and nothing is forgotten between.
type Handler struct{ o HandlerOptions }

var _ http.Handler = (*Handler)(nil)

// Bounds of an answer.
const (
	usualPage  = 500
	emptyPages = 64 // in a row, before an answer without resources is given
	fullSync   = "icar-full-sync"
)

// NewHandler returns a [Handler].
func NewHandler(o HandlerOptions) *Handler {
	if o.Page <= 0 {
		o.Page = usualPage
	}
	return &Handler{o}
}

// ServeHTTP answers one request.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		w.Header().Set("Allow", "GET, HEAD")
		h.refuse(w, r, &answer{http.StatusMethodNotAllowed, "this method is not answered", "datasets are for reading: GET"})
		return
	}
	part := strings.Split(strings.Trim(r.URL.Path, "/"), "/")
	if part[0] != "datasets" || len(part) > 3 || len(part) == 3 && part[2] != "changes" {
		h.refuse(w, r, &answer{http.StatusNotFound, "there is nothing here", "begin at " + h.o.Prefix + "/datasets"})
		return
	}
	list, err := h.o.Changes.Datasets(r.Context())
	if err != nil {
		h.fail(w, r, err)
		return
	}
	if len(part) == 1 {
		out := make([]datasetResource, 0, len(list))
		for i := range list {
			out = append(out, h.resource(&list[i]))
		}
		h.give(w, r, out)
		return
	}
	i := slices.IndexFunc(list, func(d Dataset) bool { return d.Name == part[1] })
	switch {
	case i < 0:
		h.refuse(w, r, &answer{http.StatusNotFound, "there is no such dataset", "those there are: " + h.o.Prefix + "/datasets"})
	case len(part) == 2:
		h.give(w, r, h.resource(&list[i]))
	default:
		h.changes(w, r, &list[i])
	}
}

// A datasetResource is a dataset in the form of the standard.
type datasetResource struct {
	Name           string   `json:"name"`
	URL            string   `json:"url"`
	Changes        string   `json:"changes"`
	ContainedTypes []string `json:"containedTypes"`
}

func (h *Handler) resource(d *Dataset) datasetResource {
	r := datasetResource{Name: d.Name, URL: h.o.Prefix + "/datasets/" + d.Name, ContainedTypes: []string{}}
	r.Changes = r.URL + "/changes"
	for _, k := range d.Kinds {
		if t := ResourceTypeOf(k); t != "" && !slices.Contains(r.ContainedTypes, t) {
			r.ContainedTypes = append(r.ContainedTypes, t)
		}
	}
	return r
}

// changes answers with a page of resources. A client stops asking when none
// come, so a page of which nothing can be written is not the answer yet.
func (h *Handler) changes(w http.ResponseWriter, r *http.Request, d *Dataset) {
	cursor, wrong := readToken(d.Name, r.URL.Query().Get("since"))
	if wrong != nil {
		h.refuse(w, r, wrong)
		return
	}
	var body bytes.Buffer
	body.WriteString(`[{"id":"` + contextID + `","description":"dewclaw: each resource has its event in the member dewclaw"}`)
	for range emptyPages {
		p, err := h.o.Changes.After(r.Context(), d.Name, cursor, h.o.Page)
		if err != nil {
			h.fail(w, r, err)
			return
		}
		if p.Again {
			w.Header().Set(fullSync, "true")
			cursor = ""
			break
		}
		written := h.write(&body, d, p.Events)
		moved := p.Next != cursor
		if cursor = p.Next; written > 0 || !moved {
			break
		}
	}
	body.WriteString(",\n" + `{"id":"` + continuationID + `","token":"` + makeToken(d.Name, cursor) + `"}]` + "\n")
	h.send(w, r, http.StatusOK, body.Bytes())
}

// write writes the resources of a page and returns how many there are. The
// numbers of what is left out are reported.
func (h *Handler) write(body *bytes.Buffer, d *Dataset, list []events.Event) (written int) {
	for i := range list {
		e := &list[i]
		p, err := e.Payload()
		var line []byte
		if err == nil && d.Writer.Carries(e.Kind, p) || e.Change == events.Retracted {
			line, err = d.Writer.Append(nil, e, p)
		}
		if err != nil {
			h.report(&events.Fault{Kind: events.ErrInvalid, Who: "dataset " + d.Name, Where: "event " + e.ID(), What: "not given", Cause: err})
			continue
		}
		if line == nil {
			continue
		}
		body.WriteString(",\n")
		body.Write(line)
		written++
	}
	return written
}

func (h *Handler) report(f *events.Fault) {
	if h.o.Report != nil {
		h.o.Report(f)
	}
}

func (h *Handler) give(w http.ResponseWriter, r *http.Request, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		h.fail(w, r, err)
		return
	}
	h.send(w, r, http.StatusOK, append(b, '\n'))
}

func (h *Handler) send(w http.ResponseWriter, r *http.Request, status int, body []byte) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(body) // who does not listen any more asks again with the same token
	}
}

// An answer is a refusal in words.
type answer struct {
	status        int
	title, detail string
}

// fail answers with an error of Changes.
func (h *Handler) fail(w http.ResponseWriter, r *http.Request, err error) {
	var own interface{ Status() int }
	a := &answer{http.StatusInternalServerError, "an error of the server", ""}
	switch {
	case errors.As(err, &own):
		a = &answer{own.Status(), http.StatusText(own.Status()), err.Error()}
	case errors.Is(err, events.ErrNotFound):
		a = &answer{http.StatusNotFound, "there is no such dataset", err.Error()}
	case errors.Is(err, events.ErrInvalid):
		a = &answer{http.StatusBadRequest, "the request cannot be answered", err.Error()}
	case errors.Is(err, events.ErrUnavailable):
		w.Header().Set("Retry-After", "30")
		a = &answer{http.StatusServiceUnavailable, "not now", "ask again later"}
	}
	if a.status >= 500 {
		h.report(&events.Fault{Kind: events.ErrUnavailable, Who: "change feed", Where: r.URL.Path, What: "not answered", Cause: err})
	}
	h.refuse(w, r, a)
}

// refuse answers with a collection of one error (icarErrorCollection).
func (h *Handler) refuse(w http.ResponseWriter, r *http.Request, a *answer) {
	type problem struct {
		Severity string `json:"severity"`
		Status   int    `json:"status"`
		Title    string `json:"title"`
		Detail   string `json:"detail,omitempty"`
		Instance string `json:"instance"`
	}
	b, err := json.Marshal(map[string][]problem{"errors": {{"Error", a.status, a.title, a.detail, h.o.Prefix + r.URL.Path}}})
	if err != nil {
		b = []byte(`{"errors":[]}`)
	}
	h.send(w, r, a.status, append(b, '\n'))
}
