package packed

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"unicode/utf8"

	"dewclaw/events"

	"github.com/klauspost/compress/zip"
	"golang.org/x/text/encoding/charmap"
)

var errTooMany = errors.New("too many members")

// zipMembers yields the members of a zip in the order of its directory.
func zipMembers(src *source, size int64, where string, b *budget, yield func(Member, error) bool) {
	n := 0
	z, err := zip.NewReaderWithOptions(src, size, zip.ReaderOptions{NameDecoder: func(h *zip.FileHeader) error {
		if n++; n > b.limits.Members {
			return errTooMany
		}
		// APPNOTE 6.3.10, appendix D.1: without the UTF-8 flag a name is in code page 437.
		if !utf8.ValidString(h.Name) {
			h.Name, _ = charmap.CodePage437.NewDecoder().String(h.Name)
		}
		return nil
	}})
	switch {
	case errors.Is(err, errTooMany):
		yield(Member{}, &events.Fault{
			Kind: events.ErrInvalid, Where: where, What: "members of the zip",
			Wanted: fmt.Sprintf("at most %d", b.limits.Members), Got: "more",
			Hints: []string{"pack the files into several archives"},
		})
		return
	case err != nil && !errors.Is(err, zip.ErrInsecurePath):
		yield(Member{}, readFault(where, src, err))
		return
	}
	times := map[string]int{}
	for _, f := range z.File {
		if isWorkbook(f.Name) {
			yield(Member{}, foreignFault(where, workbook))
			return
		}
		times[f.Name]++
	}
	for _, f := range z.File {
		if !f.FileInfo().IsDir() && !zipMember(f, times[f.Name], where, src, b, yield) {
			return
		}
		if b.err != nil {
			yield(Member{}, b.err)
			return
		}
	}
}

func zipMember(f *zip.File, times int, where string, src *source, b *budget, yield func(Member, error) bool) bool {
	m := Member{Name: label(f.Name), Size: int64(f.UncompressedSize64)}
	where += ": " + m.Name
	if m.Ignored = ignored(f.Name); m.Ignored != "" {
		return yield(m, nil)
	}
	if err := refuseMember(f, times, where); err != nil {
		return yield(m, err)
	}
	rc, err := f.Open()
	if err != nil {
		return yield(m, readFault(where, src, err))
	}
	defer rc.Close()
	r := bufio.NewReaderSize(&guarded{r: rc, where: where, src: src, b: b}, headSize)
	if head, _ := r.Peek(headSize); sniff(head) == gzipped {
		m.Size = -1
		m.Reader, err = newGunzip(r, where, src, b)
	} else {
		m.Reader, err = r, refuseArchive(where, r)
	}
	if err != nil {
		m.Reader = nil
	}
	return yield(m, err)
}

// refuseMember says what is wrong with a member before it is read.
func refuseMember(f *zip.File, times int, where string) error {
	refuse := func(what, wanted, got, hint string) error {
		return &events.Fault{Kind: events.ErrInvalid, Where: where, What: what, Wanted: wanted, Got: got, Hints: []string{hint}}
	}
	const encrypted = 1 // bit 0 of the flags: APPNOTE 6.3.10, 4.4.4
	switch mode := f.Mode(); {
	case !below(f.Name):
		return refuse("name of a member", "a name below the archive", strconv.Quote(f.Name), "pack it again without leading folders")
	case times > 1:
		return refuse("name of a member", "one member of that name", strconv.Itoa(times), "keep the one that is meant and pack it again")
	case mode&fs.ModeSymlink != 0:
		return refuse("kind of a member", "a file", "a symlink", "pack the file it points to")
	case !mode.IsRegular():
		return refuse("kind of a member", "a file", mode.Type().String(), "pack files only")
	case f.Flags&encrypted != 0:
		return refuse("a member", "readable bytes", "encrypted ones", "pack it again without a password")
	case f.Method != zip.Store && f.Method != zip.Deflate:
		return refuse("packing method of a member", "0 (store) or 8 (deflate)", strconv.Itoa(int(f.Method)), "pack it again as a plain zip")
	}
	return nil
}

// ignored says why a member is not data: files that operating systems add.
func ignored(name string) string {
	switch {
	case !below(name):
		return ""
	case strings.HasPrefix(name, "__MACOSX/"):
		return "a resource fork"
	case strings.HasPrefix(path.Base(name), "."):
		return "a hidden file"
	}
	return ""
}

// below reports whether a name stays below the archive, on every system.
func below(name string) bool {
	return filepath.IsLocal(name) && !strings.Contains(name, `\`) && (len(name) < 2 || name[1] != ':')
}

// label returns a name that may be printed: as it is, or as a Go string literal.
func label(name string) string {
	for _, r := range name {
		if !strconv.IsPrint(r) {
			return strconv.Quote(name)
		}
	}
	if name == "" || name[0] == '"' {
		return strconv.Quote(name)
	}
	return name
}
