package main

import (
	"bufio"
	"crypto/sha256"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"os"
)

// readLines reads the lines and makes nothing of them.
func readLines(in, _ string) error {
	f, err := os.Open(in)
	if err != nil {
		return err
	}
	defer f.Close()
	s := bufio.NewScanner(f)
	s.Buffer(make([]byte, 1<<16), 1<<20)
	for s.Scan() {
		continue
	}
	return s.Err()
}

// An exam is one nested event, of about 430 bytes in JSON.
type exam struct {
	ID     [8]byte `json:"id"`
	Kind   string  `json:"kind"`
	Animal struct {
		Tag         string `json:"tag"`
		Transponder string `json:"transponder"`
	} `json:"animal"`
	Occurred struct {
		Date string `json:"date"`
		Time string `json:"time"`
		Zone string `json:"zone"`
	} `json:"occurred"`
	Visit   string `json:"visit"`
	AsGiven struct {
		Pen    string `json:"pen"`
		Parity string `json:"parity"`
		Days   string `json:"daysInMilk"`
	} `json:"asGiven"`
	Finding struct {
		Foot     string `json:"foot"`
		Claw     string `json:"claw"`
		Zone     string `json:"zone"`
		Code     string `json:"code"`
		Severity string `json:"severity"`
	} `json:"finding"`
	Done struct {
		Block string `json:"block"`
		Wrap  string `json:"wrap"`
	} `json:"done"`
	Gait string `json:"gait"`
	Toe  string `json:"toeLengthMM"`
	Note string `json:"note"`
}

// handWritten is what somebody would write by hand for this one file.
func handWritten(in, out string) (err error) {
	f, err := os.Open(in)
	if err != nil {
		return err
	}
	defer f.Close()
	w, err := os.Create(out)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, w.Sync(), w.Close()) }()
	r := csv.NewReader(bufio.NewReaderSize(f, 1<<16))
	r.ReuseRecord, r.FieldsPerRecord, r.LazyQuotes = true, -1, true
	b := bufio.NewWriterSize(w, 1<<18)
	enc := json.NewEncoder(b)
	var e exam
	for n := 0; ; n++ {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			return b.Flush()
		}
		if err != nil {
			return err
		}
		if n == 0 || len(row) < 18 {
			continue
		}
		e.fill(row)
		if err := enc.Encode(&e); err != nil {
			return err
		}
		if n%512 == 0 {
			if err := errors.Join(b.Flush(), w.Sync()); err != nil {
				return err
			}
		}
	}
}

func (e *exam) fill(row []string) {
	h := sha256.New()
	for _, s := range row[1:10] {
		_, _ = io.WriteString(h, s)
	}
	copy(e.ID[:], h.Sum(nil))
	e.Kind = "examination"
	e.Animal.Tag, e.Animal.Transponder = row[0], row[1]
	e.Occurred.Date, e.Occurred.Time, e.Occurred.Zone = row[2], row[3], "Europe/Berlin"
	e.Visit, e.AsGiven.Pen, e.AsGiven.Parity, e.AsGiven.Days = row[4], row[5], row[6], row[7]
	e.Finding.Foot, e.Finding.Claw, e.Finding.Zone, e.Finding.Code, e.Finding.Severity = row[8], row[9], row[10], row[11], row[12]
	e.Done.Block, e.Done.Wrap, e.Gait, e.Toe, e.Note = row[13], row[14], row[15], row[16], row[17]
}
