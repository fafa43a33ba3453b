package ade

import (
	"encoding/base64"
	"encoding/json"
	"net/http"
)

// A token is where a client stands in a dataset, in base64 as the standard wants
// it. It is no secret and gives no right: what is behind it is asked for anew, by
// the grants of the day.
type token struct {
	V       int    `json:"v"` // 1
	Dataset string `json:"d"`
	Cursor  string `json:"c"`
}

const tokenVersion = 1

func makeToken(dataset, cursor string) string {
	b, _ := json.Marshal(token{tokenVersion, dataset, cursor}) // texts only
	return base64.RawURLEncoding.EncodeToString(b)
}

// readToken returns the cursor in a token of the dataset, "" for no token.
func readToken(dataset, s string) (string, *answer) {
	if s == "" {
		return "", nil
	}
	b, err := base64.RawURLEncoding.DecodeString(s)
	var t token
	if err == nil {
		err = json.Unmarshal(b, &t)
	}
	switch {
	case err != nil || t.V != tokenVersion:
		return "", &answer{http.StatusBadRequest, "this is no token of this server", "since: give the token of the last @continuation back as it was, or none to begin at the start"}
	case t.Dataset != dataset:
		return "", &answer{http.StatusBadRequest, "this token is of another dataset", "since: each dataset has tokens of its own; this one is of " + t.Dataset}
	}
	return t.Cursor, nil
}
