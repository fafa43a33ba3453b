package backup

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"maps"
	"regexp"
	"slices"
)

// Sums are the checksums of files by name, as SHA256SUMS holds them.
type sums map[string]string

// bytes writes them in the form sha256sum -c reads, sorted by name.
func (s sums) bytes() []byte {
	var b bytes.Buffer
	for _, name := range slices.Sorted(maps.Keys(s)) {
		fmt.Fprintf(&b, "%s  %s\n", s[name], name)
	}
	return b.Bytes()
}

var sumLine = regexp.MustCompile(`^([0-9a-f]{64})  (.+)$`)

// parseSums reads what bytes wrote; every file must be one that can belong to m.
func parseSums(m *Manifest, where string, b []byte) (sums, error) {
	s := sums{}
	lines := bufio.NewScanner(bytes.NewReader(b))
	for lines.Scan() {
		l := sumLine.FindStringSubmatch(lines.Text())
		if l == nil || !m.belongs(l[2]) {
			return nil, corrupt(where, "checksums", "lines of SHA-256 and a file of the backup", fmt.Sprintf("%.80q", lines.Text()))
		}
		s[l[2]] = l[1]
	}
	if err := lines.Err(); err != nil {
		return nil, corrupt(where, "checksums", "lines of SHA-256 and a file of the backup", err.Error())
	}
	return s, nil
}

func digest(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}
