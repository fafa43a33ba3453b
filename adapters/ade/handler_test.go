package ade

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"dewclaw/events"
)

// A shelf is a feed with its events in memory. Cursors are numbers.
type shelf struct {
	events  []events.Event
	dataset Dataset
	again   string // a cursor that leads nowhere any more
	err     error
}

func (s *shelf) Datasets(context.Context) ([]Dataset, error) { return []Dataset{s.dataset}, nil }

func (s *shelf) After(_ context.Context, _, cursor string, n int) (Page, error) {
	if s.err != nil {
		return Page{}, s.err
	}
	if cursor != "" && cursor == s.again {
		return Page{Again: true}, nil
	}
	at := 0
	if cursor != "" {
		var err error
		if at, err = strconv.Atoi(cursor); err != nil || at > len(s.events) {
			return Page{}, &events.Fault{Kind: events.ErrInvalid, What: "cursor", Wanted: "a place", Got: cursor}
		}
	}
	end := min(at+n, len(s.events))
	return Page{Events: s.events[at:end], Next: strconv.Itoa(end)}, nil
}

func newShelf(t testing.TB) *shelf {
	return &shelf{dataset: Dataset{Name: "herd", Kinds: []events.Kind{events.KindLesion, events.KindExamination, events.KindTreatment}, Writer: writer(t, nil)}}
}

func get(t testing.TB, h http.Handler, path string) *httptest.ResponseRecorder {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, path, nil))
	if ct := w.Header().Get("Content-Type"); ct != "application/json" {
		t.Errorf("%s: content type %q", path, ct)
	}
	return w
}

// changes asks for one page and returns its resources and its token.
func changes(t testing.TB, h http.Handler, since string) (list []map[string]any, next string, w *httptest.ResponseRecorder) {
	t.Helper()
	w = get(t, h, "/datasets/herd/changes?since="+url.QueryEscape(since))
	if w.Code != http.StatusOK {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	if err := json.Unmarshal(w.Body.Bytes(), &list); err != nil {
		t.Fatalf("%v: %s", err, w.Body)
	}
	if len(list) < 2 || list[0]["id"] != "@context" || list[len(list)-1]["id"] != "@continuation" {
		t.Fatalf("no context and continuation: %s", w.Body)
	}
	next, _ = list[len(list)-1]["token"].(string)
	return list[1 : len(list)-1], next, w
}

func lesionEvent(t testing.TB, n, revision int, change events.Change) events.Event {
	e := event(t, &events.Lesion{Common: base(), Code: []string{"SU", "DD", "WLF"}[revision%3], Foot: "RH"})
	e.Entity, e.Revision, e.Change = events.Entity(fmt.Sprintf("e%d", n)), revision, change
	return *e
}

// Outside check (adewg/ICAR, docs/generic-data-exchange-api.md): a client that
// goes by the standard, whatever the size of pages, however often it dies
// between settling a page and keeping its token, ends with what is there.
func TestHandler_AClientEndsWithWhatIsThere(t *testing.T) {
	seed := rand.Uint64()
	r := rand.New(rand.NewPCG(seed, 1))
	for round := range 60 {
		s := newShelf(t)
		h := NewHandler(HandlerOptions{Changes: s, Page: 1 + r.IntN(7)})
		want := map[string]string{} // code by id
		local := map[string]string{}
		kept := ""
		revisions := map[int]int{}
		for range 1 + r.IntN(6) {
			for range r.IntN(12) {
				n := r.IntN(8)
				revisions[n]++
				change := events.Amended
				if r.IntN(3) == 0 {
					change = events.Retracted
				}
				e := lesionEvent(t, n, revisions[n], change)
				s.events = append(s.events, e)
				if change == events.Retracted {
					delete(want, string(e.Entity))
				} else {
					want[string(e.Entity)] = []string{"SU", "DD", "WLF"}[revisions[n]%3]
				}
			}
			for {
				list, next, _ := changes(t, h, kept)
				for _, x := range list {
					settle(local, x)
				}
				if len(list) > 0 && r.IntN(4) == 0 {
					continue // died before the token was kept
				}
				if kept = next; len(list) == 0 {
					break
				}
			}
		}
		if !maps.Equal(want, local) {
			t.Fatalf("seed %d, round %d: client has %v, want %v", seed, round, local, want)
		}
	}
}

// settle does what a client must: delete, make, or replace.
func settle(local map[string]string, r map[string]any) {
	meta := r["meta"].(map[string]any)
	id := meta["sourceId"].(string)
	if meta["isDeleted"] == true {
		delete(local, id)
		return
	}
	local[id] = r["diagnoses"].([]any)[0].(map[string]any)["diagnosisCode"].(map[string]any)["id"].(string)
}

// What has no form is left out and reported, and hides nothing behind it.
func TestHandler_AnEventWithoutAFormHidesNothing(t *testing.T) {
	s := newShelf(t)
	for n := range 5 {
		e := lesionEvent(t, n, 1, events.Recorded)
		p := &events.Lesion{Common: base(), Code: "SU", Foot: "RH"}
		p.Animal, p.Derived.Animal = []events.Identifier{{Scheme: "temporary", Value: "black"}}, nil
		e.Data = event(t, p).Data
		s.events = append(s.events, e)
	}
	s.events = append(s.events, lesionEvent(t, 9, 1, events.Recorded))
	var told []string
	h := NewHandler(HandlerOptions{Changes: s, Page: 2, Report: func(f *events.Fault) { told = append(told, f.Error()) }})
	list, next, _ := changes(t, h, "")
	if len(list) != 1 || list[0]["id"] != "e9" || len(told) != 5 || !strings.Contains(told[0], "e0.1") {
		t.Errorf("got %v, told %q", list, told)
	}
	if list, _, _ := changes(t, h, next); len(list) != 0 {
		t.Errorf("behind the end: %v", list)
	}
}

// The header that makes a client begin anew.
func TestHandler_ACursorThatLeadsNowhereIsAFullSync(t *testing.T) {
	s := newShelf(t)
	s.events = append(s.events, lesionEvent(t, 1, 1, events.Recorded))
	h := NewHandler(HandlerOptions{Changes: s})
	_, next, w := changes(t, h, "")
	if w.Header().Get("icar-full-sync") != "" {
		t.Error("full sync at the start")
	}
	s.again = "1"
	list, next, w := changes(t, h, next)
	if w.Header().Get("icar-full-sync") != "true" || len(list) != 0 {
		t.Errorf("header %v, resources %v", w.Header(), list)
	}
	if list, _, _ = changes(t, h, next); len(list) != 1 {
		t.Errorf("begun anew: %v", list)
	}
}

type forbidden struct{}

func (forbidden) Error() string { return "no grant of farm larkfield is in force" }
func (forbidden) Status() int   { return http.StatusForbidden }

// Outside check: errors are collections of errors of ADE, with the status of
// what happened, and say nothing of the inside of the server.
func TestHandler_ErrorsAreThoseOfADE(t *testing.T) {
	s := newShelf(t)
	h := NewHandler(HandlerOptions{Changes: s, Prefix: "/ade"})
	other := makeToken("other", "1")
	for _, c := range []struct {
		name, method, path string
		err                error
		status             int
		says               string
	}{
		{"no such place", "GET", "/animals", nil, 404, "/ade/datasets"},
		{"too deep", "GET", "/datasets/herd/changes/1", nil, 404, "nothing here"},
		{"no such dataset", "GET", "/datasets/flock/changes", nil, 404, "no such dataset"},
		{"pushing", "POST", "/datasets/herd/resources", nil, 405, "GET"},
		{"no token", "GET", "/datasets/herd/changes?since=what", nil, 400, "no token of this server"},
		{"token of another", "GET", "/datasets/herd/changes?since=" + other, nil, 400, "of other"},
		{"no place", "GET", "/datasets/herd/changes?since=" + makeToken("herd", "99"), nil, 400, "cursor"},
		{"no grant", "GET", "/datasets/herd/changes", forbidden{}, 403, "no grant"},
		{"busy", "GET", "/datasets/herd/changes", fmt.Errorf("10.0.0.7: %w", events.ErrUnavailable), 503, "later"},
		{"damaged", "GET", "/datasets/herd/changes", fmt.Errorf("block 7: %w", events.ErrCorrupt), 500, "an error"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s.err = c.err
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest(c.method, c.path, nil))
			if w.Code != c.status || !strings.Contains(w.Body.String(), c.says) {
				t.Errorf("status %d, want %d: %s", w.Code, c.status, w.Body)
			}
			if c.status >= 500 && strings.Contains(w.Body.String(), c.err.Error()) {
				t.Errorf("tells of the inside: %s", w.Body)
			}
			if os.Getenv("DEWCLAW_ADE") != "" {
				j := newJudge(t, false)
				v := decode(t, w.Body.Bytes())
				if err := j.schema("collections", "icarErrorCollection").Validate(v); err != nil {
					t.Errorf("%#v", err)
				}
			}
			if p := decode(t, w.Body.Bytes())["errors"].([]any)[0].(map[string]any); p["status"] != float64(c.status) || p["instance"] == "" {
				t.Errorf("problem %v", p)
			}
		})
	}
}

// Outside check (adewg/ICAR, docs/generic-data-exchange-api.md, Datasets
// Endpoint): a dataset has name, url and changes, and the types it contains.
func TestHandler_ListsDatasets(t *testing.T) {
	s := newShelf(t)
	h := NewHandler(HandlerOptions{Changes: s, Prefix: "/ade"})
	var list []map[string]any
	if err := json.Unmarshal(get(t, h, "/datasets").Body.Bytes(), &list); err != nil || len(list) != 1 {
		t.Fatalf("%v %v", list, err)
	}
	one := decode(t, get(t, h, "/datasets/herd").Body.Bytes())
	for _, d := range append(list, one) {
		if d["name"] != "herd" || d["url"] != "/ade/datasets/herd" || d["changes"] != "/ade/datasets/herd/changes" {
			t.Errorf("dataset %v", d)
		}
		if types := fmt.Sprint(d["containedTypes"]); types != fmt.Sprint([]string{Diagnosis, Treatment}) {
			t.Errorf("types %v", types)
		}
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodHead, "/datasets", nil))
	if w.Code != http.StatusOK || w.Body.Len() != 0 {
		t.Errorf("HEAD: status %d, %d bytes", w.Code, w.Body.Len())
	}
}

// Outside check: what the feed gives is valid by ADE's schemas, and our own
// decoder reads it as the change feed of another.
func TestHandler_WhatItGivesIsValidAndReadable(t *testing.T) {
	j := newJudge(t, false)
	s := newShelf(t)
	for n := range 20 {
		s.events = append(s.events, lesionEvent(t, n, 1+n%3, []events.Change{events.Recorded, events.Retracted}[n%2]))
	}
	h := NewHandler(HandlerOptions{Changes: s, Page: 100})
	w := get(t, h, "/datasets/herd/changes")
	var all []json.RawMessage
	if err := json.Unmarshal(w.Body.Bytes(), &all); err != nil {
		t.Fatal(err)
	}
	for _, b := range all[1 : len(all)-1] {
		if err := j.resource(b); err != nil {
			t.Errorf("%s\n%#v", b, err)
		}
	}
	rows := read(t, w.Body.String(), "")
	if len(rows) != 22 || slices.ContainsFunc(rows, faulty) {
		t.Errorf("%d rows are read", len(rows))
	}
}
