package schema

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
)

// accept appends what v1 accepts today to testdata/accepted: the samples of this
// room and the expected events of the shared samples. It only ever appends.
var accept = flag.Bool("accept", false, "append to the payloads that stay accepted for ever")

const acceptedFolder = "testdata/accepted/v1"

// TestAccepted_StaysAccepted holds that a payload v1 accepted once is accepted
// for ever, and that no such payload was lost or edited: the file SUMS says of
// each file how many lines it had and their SHA-256.
func TestAccepted_StaysAccepted(t *testing.T) {
	if *accept {
		appendAccepted(t)
	}
	sums := readSums(t)
	for _, k := range events.Kinds() {
		lines := readAccepted(t, k)
		want, ok := sums[string(k)]
		if !ok || len(lines) == 0 {
			t.Errorf("kind %s has no accepted payloads; run: go test ./schema -run Accepted -accept", k)
			continue
		}
		if got := sumOf(lines); got != want {
			t.Errorf("accepted payloads of %s: %s, SUMS says %s; a line is never edited or removed, a new one comes with -accept", k, got, want)
		}
		for i, line := range lines {
			if got := Check(k, line); got != nil {
				t.Errorf("%s line %d was accepted and is now refused: %v", k, i+1, got)
			}
			if got := explain(string(k), line); got != nil {
				t.Errorf("%s line %d was accepted and is now refused by the library: %v", k, i+1, got)
			}
			if p, err := events.DecodePayload(k, line); err != nil {
				t.Errorf("%s line %d can no longer be decoded: %v", k, i+1, err)
			} else if again, _ := new(events.Encoder).Append(nil, p); !bytes.Equal(again, line) {
				t.Errorf("%s line %d is written again as\n%s, it was\n%s", k, i+1, again, line)
			}
		}
	}
	if len(sums) != len(events.Kinds()) {
		t.Errorf("SUMS has %d files, there are %d kinds", len(sums), len(events.Kinds()))
	}
}

func readAccepted(t *testing.T, k events.Kind) [][]byte {
	b, err := os.ReadFile(filepath.Join(acceptedFolder, string(k)+".ndjson"))
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	var lines [][]byte
	for line := range bytes.Lines(b) {
		lines = append(lines, bytes.TrimSuffix(line, []byte("\n")))
	}
	return lines
}

func sumOf(lines [][]byte) string {
	h := sha256.New()
	for _, l := range lines {
		h.Write(append(l, '\n'))
	}
	return fmt.Sprintf("%d lines %s", len(lines), hex.EncodeToString(h.Sum(nil)))
}

// readSums reads lines such as "lesion 14 lines 0123…".
func readSums(t *testing.T) map[string]string {
	b, err := os.ReadFile(filepath.Join(acceptedFolder, "SUMS"))
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	sums := map[string]string{}
	for line := range strings.Lines(string(b)) {
		name, sum, _ := strings.Cut(strings.TrimSpace(line), " ")
		sums[name] = sum
	}
	return sums
}

func appendAccepted(t *testing.T) {
	sums := readSums(t)
	all := append(samples(), sharedSamples(t)...)
	var out strings.Builder
	for _, k := range events.Kinds() {
		lines := readAccepted(t, k)
		if want, ok := sums[string(k)]; ok && sumOf(lines) != want {
			t.Fatalf("accepted payloads of %s were changed by hand; nothing was appended", k)
		}
		for _, s := range all {
			same := func(l []byte) bool { return bytes.Equal(l, s.data) }
			if s.kind == k && Check(k, s.data) == nil && !slices.ContainsFunc(lines, same) {
				lines = append(lines, s.data)
			}
		}
		fmt.Fprintln(&out, k, sumOf(lines))
		if err := os.MkdirAll(acceptedFolder, 0o755); err != nil {
			t.Fatal(err)
		}
		body := append(bytes.Join(lines, []byte("\n")), '\n')
		if err := os.WriteFile(filepath.Join(acceptedFolder, string(k)+".ndjson"), body, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(acceptedFolder, "SUMS"), []byte(out.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}

var (
	entityLabel  = regexp.MustCompile(`"examination": "@[^"]*"`)
	archiveLabel = regexp.MustCompile(`"archive": "@[^"]*"`)
)

// sharedSamples are the payloads of the expected events of the shared samples,
// their labels replaced.
func sharedSamples(t testing.TB) []sample {
	files, err := filepath.Glob("../testdata/samples/*.golden.ndjson")
	if err != nil || len(files) != 8 {
		t.Fatalf("found %d files of expected events, %v", len(files), err)
	}
	var out []sample
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for s := bufio.NewScanner(bytes.NewReader(b)); s.Scan(); {
			line := entityLabel.ReplaceAll(s.Bytes(), []byte(`"examination": "`+string(someEntity)+`"`))
			line = archiveLabel.ReplaceAll(line, []byte(`"archive": "`+someHash+`"`))
			var e struct {
				Type string          `json:"type"`
				Data json.RawMessage `json:"data"`
			}
			if err := json.Unmarshal(line, &e); err != nil {
				t.Fatalf("%s: %v", f, err)
			}
			for _, k := range events.Kinds() {
				if k.Type() != e.Type {
					continue
				}
				p, err := events.DecodePayload(k, e.Data)
				if err != nil {
					t.Fatalf("%s: %v", f, err)
				}
				data, _ := new(events.Encoder).Append(nil, p)
				out = append(out, sample{k, data})
			}
		}
	}
	return out
}

func TestCheck_AcceptsTheSharedSamplesOnTheFastPath(t *testing.T) {
	all := sharedSamples(t)
	if len(all) != 94 {
		t.Fatalf("found %d expected events, wanted 94", len(all))
	}
	for _, s := range all {
		if got := Check(s.kind, s.data); got != nil {
			t.Errorf("%s %s: %v", s.kind, s.data, got)
		}
		if !surely(program().kinds[s.kind], s.data) {
			t.Errorf("the fast check is unsure of %s %s", s.kind, s.data)
		}
	}
}
