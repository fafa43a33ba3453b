package packed_test

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"

	"dewclaw/adapters/packed"
)

func ExampleMembers() {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	w, _ := z.Create("chute.csv")
	_, _ = io.WriteString(w, "animal;foot\n17;LF\n")
	_, _ = z.Create("../away.csv")
	_ = z.Close()

	for m, err := range packed.Members(bytes.NewReader(b.Bytes()), int64(b.Len()), "march.zip", packed.Limits{}) {
		if err != nil {
			fmt.Println("refused:", err)
			continue
		}
		text, err := io.ReadAll(m.Reader)
		fmt.Printf("%s: %d bytes, %v\n", m.Name, len(text), err)
	}
	// Output:
	// chute.csv: 18 bytes, <nil>
	// refused: march.zip: ../away.csv: name of a member: wanted a name below the archive, got "../away.csv"
}
