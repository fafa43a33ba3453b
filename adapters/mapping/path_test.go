package mapping

import (
	"encoding/json"
	"strings"
	"testing"
)

// A path is written by whoever maps, a document by anybody. With two descendant
// segments the values selected grow with the square of what the document holds,
// with three with the cube: fifty levels took the library more than six seconds.
func TestPath_IsBoundedOnAnyDocument(t *testing.T) {
	for path, ok := range map[string]bool{
		"$.a[*].b": true, "$..a": true, "$..[*]": true, "$['a..b']..c": true, `$["..\"..",'\'..']..x`: true, "$..[?@.a=='..']": true,
		"$..*..*": false, "$..a..b": false, "$..[?@..a]": false, "$..*..*..*": false, "$[?count(@..*)>count($..*)]": false,
	} {
		_, err := parsePath(path)
		if (err == nil) != ok {
			t.Errorf("%s: got %v, want allowed %t", path, err, ok)
		}
		if err != nil && !strings.Contains(err.Error(), `at most one ".."`) {
			t.Errorf("%s: %v", path, err)
		}
	}
}

// What is selected from the deepest and the widest document that is read is
// bounded by the document.
func TestPath_SelectsNoMoreThanThereIs(t *testing.T) {
	deep := strings.Repeat(`{"a":[`, 49) + `1` + strings.Repeat(`]}`, 49)
	wide := `[` + strings.Repeat(`{"a":1},`, 5000) + `{}]`
	for _, doc := range []string{deep, wide} {
		var v any
		if err := json.Unmarshal([]byte(doc), &v); err != nil {
			t.Fatal(err)
		}
		for _, path := range []string{"$..a", "$..*", "$[*]", "$..[?@.a]"} {
			p, err := parsePath(path)
			if err != nil {
				t.Fatal(err)
			}
			got, _ := p.get(v)
			if list, ok := got.([]any); ok && len(list) > len(doc) {
				t.Errorf("%s selects %d values of a document of %d bytes", path, len(list), len(doc))
			}
		}
	}
}
