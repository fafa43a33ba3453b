package http

import (
	_ "embed"
	"net/http"
)

//go:embed openapi.json
var openAPI []byte

//go:embed asyncapi.json
var asyncAPI []byte

// OpenAPI answers with the description of everything that can be asked over HTTP:
// OpenAPI 3.1.0.
func OpenAPI(w http.ResponseWriter, _ *http.Request) { writeDocument(w, openAPI) }

// AsyncAPI answers with the description of what goes over NATS: AsyncAPI 3.0.0.
func AsyncAPI(w http.ResponseWriter, _ *http.Request) { writeDocument(w, asyncAPI) }

func writeDocument(w http.ResponseWriter, b []byte) {
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(b) // who does not read it has gone
}
