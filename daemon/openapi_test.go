package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v5"

	httpx "dewclaw/adapters/http"
	"dewclaw/daemon/internal/config"
	"dewclaw/daemon/internal/metrics"
	"dewclaw/events"
)

// An openAPI document, as far as the test looks at it.
type openAPI struct {
	OpenAPI string
	Paths   map[string]map[string]struct {
		Security   *[]map[string]any
		Parameters []struct{ Name, In string }
		Responses  map[string]struct {
			Ref     string `json:"$ref"`
			Content map[string]any
		}
	}
}

func document(t *testing.T, h http.HandlerFunc, into any) []byte {
	t.Helper()
	w := httptest.NewRecorder()
	h(w, nil)
	if err := json.Unmarshal(w.Body.Bytes(), into); err != nil {
		t.Fatal(err)
	}
	return w.Body.Bytes()
}

// TestOpenAPI_IsWhatTheSpecificationSays holds the document to the schema of OpenAPI
// 3.1 that the OpenAPI Initiative publishes (2022-10-07, see testdata/openapi), which
// leaves the schemas in it to their own: each is one of JSON Schema 2020-12.
func TestOpenAPI_IsWhatTheSpecificationSays(t *testing.T) {
	specification, err := jsonschema.Compile("../testdata/openapi/schema-3.1-2022-10-07.json")
	if err != nil {
		t.Fatal(err)
	}
	dialect, err := jsonschema.Compile("https://json-schema.org/draft/2020-12/schema")
	if err != nil {
		t.Fatal(err)
	}
	var doc map[string]any
	document(t, httpx.OpenAPI, &doc)
	if err := specification.Validate(doc); err != nil {
		t.Errorf("%#v", err)
	}
	schemas := 0
	var walk func(at string, v any)
	walk = func(at string, v any) {
		switch v := v.(type) {
		case map[string]any:
			for k, x := range v {
				if k == "schema" || strings.HasSuffix(at, "/components/schemas") {
					schemas++
					if err := dialect.Validate(x); err != nil {
						t.Errorf("%s/%s: %#v", at, k, err)
					}
				}
				walk(at+"/"+k, x)
			}
		case []any:
			for i, x := range v {
				walk(fmt.Sprint(at, "/", i), x)
			}
		}
	}
	walk("", doc)
	if schemas < 10 {
		t.Errorf("%d schemas were looked at", schemas)
	}
	for what, spoil := range map[string]func(){ // the check can fail
		"a method that is none": func() { doc["paths"].(map[string]any)["/healthz"].(map[string]any)["got"] = 1 },
		"a parameter in a cupboard": func() {
			doc["components"].(map[string]any)["parameters"] = map[string]any{"x": map[string]any{"name": "x", "in": "cupboard"}}
		},
		"a document without a title": func() { delete(doc["info"].(map[string]any), "title") },
	} {
		document(t, httpx.OpenAPI, &doc)
		if spoil(); specification.Validate(doc) == nil {
			t.Errorf("%s passes", what)
		}
	}
}

// TestOpenAPI_IsWhatTheServerDoes walks the document against a real daemon: every
// route is in it and nothing else, and every answer it names is seen and is as its
// schema says (JSON Schema 2020-12, which is that of OpenAPI 3.1).
func TestOpenAPI_IsWhatTheServerDoes(t *testing.T) {
	var doc openAPI
	text := document(t, httpx.OpenAPI, &doc)
	if doc.OpenAPI != "3.1.0" {
		t.Errorf("version %s", doc.OpenAPI)
	}
	schemas := jsonschema.NewCompiler()
	schemas.AssertFormat = true
	if err := schemas.AddResource("openapi.json", bytes.NewReader(text)); err != nil {
		t.Fatal(err)
	}
	holdRoutes(t, &doc)

	p := fedProject(t, "  vet: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {pull: {}}}\n"+
		"  gone: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {pull: {}}}\n"+
		"  herd: {recipient: vet, farms: [hilltop], kinds: [locomotion], format: ade, ade: {source: org.example.hilltop}, to: {pull: {}}}\n")
	rewrite(t, p, "farms: [hilltop]}]", fmt.Sprintf("farms: [hilltop], metrics: true}, {name: other, sha256: %q, feeds: [gone]}]", httpx.HashToken("other")))
	p.run(t)
	p.send(t, 1, 2)
	(&killer{t: t}).dewclaw(p.dir, "feed", "pause", "gone")
	ndjson, own, other := "application/x-ndjson", "Bearer "+p.token, "Bearer other"
	seen := map[string]bool{}
	for _, q := range []struct {
		method, path, route, body string
		status                    int
		header                    []string
	}{
		{"POST", "/v1/records/scores", "/v1/records/{source}", gaitLine(3), 200, []string{"Authorization", own, "Content-Type", ndjson, "Idempotency-Key", "k"}},
		{"POST", "/v1/records/scores", "/v1/records/{source}", gaitLine(3), 200, []string{"Authorization", own, "Content-Type", ndjson}},
		{"POST", "/v1/records/scores", "/v1/records/{source}", "{\n", 200, []string{"Authorization", own, "Content-Type", ndjson}},
		{"POST", "/v1/records/scores", "/v1/records/{source}", strings.Replace(gaitLine(9), ":2}", ":7}", 1) + gaitLine(4), 200, []string{"Authorization", own, "Content-Type", ndjson}},
		{"POST", "/v1/records/scores", "/v1/records/{source}", "", 400, []string{"Authorization", own, "Content-Type", ndjson}},
		{"POST", "/v1/records/scores", "/v1/records/{source}", gaitLine(3), 401, []string{"Content-Type", ndjson}},
		{"POST", "/v1/records/scores", "/v1/records/{source}", gaitLine(3), 403, []string{"Authorization", other, "Content-Type", ndjson}},
		{"POST", "/v1/records/none", "/v1/records/{source}", gaitLine(3), 403, []string{"Authorization", own, "Content-Type", ndjson}},
		{"POST", "/v1/records/scores", "/v1/records/{source}", strings.Repeat("x", 70<<10), 413, []string{"Authorization", own, "Content-Type", ndjson}},
		{"POST", "/v1/records/scores", "/v1/records/{source}", gaitLine(3), 415, []string{"Authorization", own, "Content-Type", "text/csv"}},
		{"POST", "/v1/records/scores", "/v1/records/{source}", gaitLine(5), 422, []string{"Authorization", own, "Content-Type", ndjson, "Idempotency-Key", "k"}},
		{"GET", "/v1/feeds/vet/events", "/v1/feeds/{feed}/events", "", 200, []string{"Authorization", own}},
		{"GET", "/v1/feeds/vet/events?limit=1", "/v1/feeds/{feed}/events", "", 200, []string{"Authorization", own, "Accept", ndjson}},
		{"GET", "/v1/feeds/vet/events?after=x", "/v1/feeds/{feed}/events", "", 400, []string{"Authorization", own}},
		{"GET", "/v1/feeds/vet/events", "/v1/feeds/{feed}/events", "", 401, nil},
		{"GET", "/v1/feeds/gone/events", "/v1/feeds/{feed}/events", "", 403, []string{"Authorization", other}},
		{"GET", "/v1/feeds/vet/events", "/v1/feeds/{feed}/events", "", 406, []string{"Authorization", own, "Accept", "text/html"}},
		{"POST", "/v1/feeds/vet/replies", "/v1/feeds/{feed}/replies", `{"id":"none","outcome":"confirmed"}`, 200, []string{"Authorization", own}},
		{"POST", "/v1/feeds/vet/replies", "/v1/feeds/{feed}/replies", `{"id":7}`, 400, []string{"Authorization", own}},
		{"POST", "/v1/feeds/vet/replies", "/v1/feeds/{feed}/replies", "", 400, []string{"Authorization", own}},
		{"POST", "/v1/feeds/vet/replies", "/v1/feeds/{feed}/replies", "{}", 401, nil},
		{"POST", "/v1/feeds/vet/replies", "/v1/feeds/{feed}/replies", "{}", 403, []string{"Authorization", other}},
		{"POST", "/v1/feeds/vet/replies", "/v1/feeds/{feed}/replies", strings.Repeat(" ", 5<<20), 413, []string{"Authorization", own}},
		{"GET", "/ade/datasets", "/ade/datasets", "", 200, []string{"Authorization", own}},
		{"GET", "/ade/datasets", "/ade/datasets", "", 401, nil},
		{"GET", "/ade/datasets", "/ade/datasets", "", 403, []string{"Authorization", other}},
		{"GET", "/ade/datasets/herd", "/ade/datasets/{feed}", "", 200, []string{"Authorization", own}},
		{"GET", "/ade/datasets/herd", "/ade/datasets/{feed}", "", 401, nil},
		{"GET", "/ade/datasets/herd", "/ade/datasets/{feed}", "", 403, []string{"Authorization", other}},
		{"GET", "/ade/datasets/herd/changes", "/ade/datasets/{feed}/changes", "", 200, []string{"Authorization", own}},
		{"GET", "/ade/datasets/herd/changes", "/ade/datasets/{feed}/changes", "", 401, nil},
		{"GET", "/ade/datasets/herd/changes", "/ade/datasets/{feed}/changes", "", 403, []string{"Authorization", other}},
		{"GET", "/v1/openapi.json", "/v1/openapi.json", "", 200, nil},
		{"GET", "/v1/asyncapi.json", "/v1/asyncapi.json", "", 200, nil},
		{"GET", "/healthz", "/healthz", "", 200, nil},
		{"GET", "/readyz", "/readyz", "", 200, []string{"Authorization", own}},
		{"GET", "/metrics", "/metrics", "", 200, []string{"Authorization", own}},
		{"GET", "/metrics", "/metrics", "", 401, nil},
		{"GET", "/metrics", "/metrics", "", 403, []string{"Authorization", other}},
	} {
		r, err := http.NewRequest(q.method, p.url+q.path, strings.NewReader(q.body))
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i < len(q.header); i += 2 {
			r.Header.Set(q.header[i], q.header[i+1])
		}
		w, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(w.Body)
		w.Body.Close()
		name := q.method + " " + q.path
		if err != nil || w.StatusCode != q.status {
			t.Errorf("%s: got %d %s, %v; want %d", name, w.StatusCode, body, err, q.status)
			continue
		}
		at := fmt.Sprintf("#/paths/%s/%s/responses/%d", strings.ReplaceAll(q.route, "/", "~1"), strings.ToLower(q.method), q.status)
		seen[at] = true
		media, _, err := mime.ParseMediaType(w.Header.Get("Content-Type"))
		if err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if q.status >= 400 && media == "application/problem+json" {
			at = "#/components/responses/Problem"
		}
		holdAnswer(t, schemas, name, at+"/content/"+strings.ReplaceAll(media, "/", "~1")+"/schema", media, body)
	}
	// those that need a log that is away, or too many clients, are in the tests of their rooms
	apart := []string{"404", "429", "503"}
	for path, methods := range doc.Paths {
		for method, op := range methods {
			for status := range op.Responses {
				at := fmt.Sprintf("#/paths/%s/%s/responses/%s", strings.ReplaceAll(path, "/", "~1"), method, status)
				if !seen[at] && !slices.Contains(apart, status) {
					t.Errorf("%s was not seen", at)
				}
			}
		}
	}
}

// holdRoutes wants the routes of the server in the document, and no others, each
// with what it needs to be let in.
func holdRoutes(t *testing.T, doc *openAPI) {
	t.Helper()
	e := &engine{project: &project{config: &config.Config{}}, metrics: metrics.New(nil)}
	var want, got []string
	for _, r := range e.routes(&httpx.Guard{}, nil) {
		want = append(want, fmt.Sprint(strings.ToLower(r.method), " ", r.path, " ", r.what != ""))
	}
	for path, methods := range doc.Paths {
		for method, op := range methods {
			open := op.Security != nil && (len(*op.Security) == 0 || len((*op.Security)[0]) == 0)
			got = append(got, fmt.Sprint(method, " ", path, " ", !open))
			for name := range strings.SplitSeq(path, "{") {
				name, _, is := strings.Cut(name, "}")
				if is && !slices.ContainsFunc(op.Parameters, func(p struct{ Name, In string }) bool { return p.Name == name && p.In == "path" }) {
					t.Errorf("%s: no parameter %s", path, name)
				}
			}
		}
	}
	slices.Sort(want)
	slices.Sort(got)
	if !slices.Equal(got, want) {
		t.Errorf("the document has\n%s\nthe server\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// holdAnswer wants the body to be as the schema says that stands in the document.
func holdAnswer(t *testing.T, c *jsonschema.Compiler, name, at, media string, body []byte) {
	t.Helper()
	s, err := c.Compile("openapi.json" + at)
	if err != nil {
		t.Errorf("%s: answers with %s, which the document does not have: %v", name, media, err)
		return
	}
	var v any = string(body)
	if media != "text/plain" && media != "application/x-ndjson" {
		d := json.NewDecoder(bytes.NewReader(body))
		d.UseNumber()
		if err := d.Decode(&v); err != nil {
			t.Errorf("%s: %v in %s", name, err, body)
			return
		}
	}
	if err := s.Validate(v); err != nil {
		t.Errorf("%s: %#v\n%s", name, err, body)
	}
}

// TestAsyncAPI_NamesTheSubjectsAndHeaders holds the document to the kinds there are;
// that the NATS sink uses these subjects and headers is tested beside it.
func TestAsyncAPI_NamesTheSubjectsAndHeaders(t *testing.T) {
	var doc struct {
		AsyncAPI string
		Channels map[string]struct {
			Address    string
			Parameters map[string]struct{ Enum []string }
		}
		Operations map[string]struct{ Action string }
		Components struct {
			Messages map[string]struct {
				ContentType string
				Headers     struct{ Properties map[string]any }
				Payload     any
			}
		}
	}
	document(t, httpx.AsyncAPI, &doc)
	c := doc.Channels["events"]
	var kinds []string
	for _, k := range events.Kinds() {
		kinds = append(kinds, string(k))
	}
	if doc.AsyncAPI != "3.0.0" || c.Address != "{prefix}.{farm}.{kind}" || !slices.Equal(c.Parameters["kind"].Enum, kinds) {
		t.Errorf("got %s, %+v; want kinds %v", doc.AsyncAPI, c, kinds)
	}
	if doc.Operations["sendEvents"].Action != "send" || doc.Operations["receiveRecords"].Action != "receive" {
		t.Errorf("got %+v", doc.Operations)
	}
	headers := slices.Sorted(maps.Keys(doc.Components.Messages["event"].Headers.Properties))
	if want := []string{"Nats-Msg-Id", "content-type", "dewclaw-late"}; !slices.Equal(headers, want) {
		t.Errorf("headers %v, want %v", headers, want)
	}
	text, err := json.Marshal(doc.Components.Messages["event"].Payload)
	if err != nil {
		t.Fatal(err)
	}
	s, err := jsonschema.CompileString("event.json", string(text))
	if err != nil {
		t.Fatal(err)
	}
	k := events.NewKeyer("hilltop", "scores")
	e := events.Event{
		Kind: events.KindLocomotion, Entity: k.OwnKey("1").Entity(k.Slot(events.KindLocomotion, 0, "x")), Revision: 1, Change: events.Recorded,
		Source: "scores", Farm: "hilltop", Subject: "transponder:276000312312341", Data: []byte(`{"score":"2"}`),
	}
	var v any
	if err := json.Unmarshal(e.AppendCloudEvent(nil), &v); err != nil {
		t.Fatal(err)
	}
	if err := s.Validate(v); err != nil {
		t.Errorf("%#v", err)
	}
}

// TestMetrics_FollowWhatTheDaemonDoes reads the series of a real daemon.
func TestMetrics_FollowWhatTheDaemonDoes(t *testing.T) {
	p := fedProject(t, "  vet: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {webhook: {url: \"http://127.0.0.1:9/\", secrets: [{file: hook.key}]}}}\n")
	rewrite(t, p, "listen: {", "listen: {metrics: open, ")
	p.run(t)
	p.send(t, 1, 3)
	if status, got, err := p.post(strings.Replace(gaitLine(9), ":2}", ":7}", 1) + gaitLine(1)); status != 200 || got.Counts.Held != 1 || got.Counts.Duplicate != 1 {
		t.Fatalf("%d %+v %v", status, got, err)
	}
	want := []string{
		`dewclaw_records_total{outcome="accepted",source="scores"} 3`, `dewclaw_records_total{outcome="held",source="scores"} 1`,
		`dewclaw_records_total{outcome="duplicate",source="scores"} 1`, `dewclaw_records_read_total{source="scores"} 5`,
		`dewclaw_events_total{source="scores"} 3`, `dewclaw_append_seconds_count 2`, `dewclaw_log_position 2`, `dewclaw_held_records 1`,
		`dewclaw_waiting_bodies{source="scores"} 0`, `dewclaw_feed_behind_events{feed="vet"} 3`, `dewclaw_feed_delivering{feed="vet"} 0`,
		`dewclaw_requests_total{code="200",route="/v1/records/{source}"} 2`,
	}
	var body string
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		w, err := http.Get(p.url + "/metrics")
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(w.Body)
		w.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		if body = string(b); strings.Contains(body, `dewclaw_feed_delivering{feed="vet"} 0`) {
			break
		}
	}
	for _, s := range want {
		if !strings.Contains(body, "\n"+s+"\n") {
			t.Errorf("%s is not told", s)
		}
	}
	if t.Failed() {
		t.Log(body)
	}
}
