package main

import (
	"cmp"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// matching returns the regular files of a pattern, oldest name first; ** stands
// for any folders.
func matching(ts *testscript.TestScript, pattern string) []string {
	before, after, deep := strings.Cut(ts.MkAbs(pattern), "/**/")
	var out []string
	if !deep {
		out, _ = filepath.Glob(before)
	} else {
		ts.Check(filepath.WalkDir(before, func(path string, d fs.DirEntry, err error) error {
			if ok, _ := filepath.Match(after, d.Name()); err == nil && d.Type().IsRegular() && ok {
				out = append(out, path)
			}
			return err
		}))
	}
	if len(out) == 0 {
		ts.Fatalf("no file matches %s", pattern)
	}
	slices.Sort(out)
	return out
}

// keptDamage is where a script keeps the files it has damaged, as they then were.
const keptDamage = ".damaged"

func keptAs(ts *testscript.TestScript, name string) string {
	return filepath.Join(ts.MkAbs(keptDamage), strings.ReplaceAll(name, string(filepath.Separator), "_"))
}

func keep(ts *testscript.TestScript, name string, b []byte) {
	ts.Check(os.MkdirAll(ts.MkAbs(keptDamage), 0o755))
	ts.Check(os.WriteFile(keptAs(ts, name), b, 0o600))
}

// flip turns one bit in the middle of a file that matches: the largest, or the
// oldest, middle or newest by its number.
func flip(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 || len(args) > 2 {
		ts.Fatalf("usage: flip PATTERN [oldest|middle|newest]")
	}
	name := chosen(ts, append(args, "largest")[:2])
	b, err := os.ReadFile(name)
	ts.Check(err)
	b[len(b)/2] ^= 0x10
	st, err := os.Stat(name)
	ts.Check(err)
	ts.Check(os.Chmod(name, 0o600))
	ts.Check(os.WriteFile(name, b, 0o600))
	ts.Check(os.Chmod(name, st.Mode().Perm()))
	keep(ts, name, b)
	ts.Logf("flipped a bit in %s", name)
}

// chosen returns a file that matches the pattern args[0].
func chosen(ts *testscript.TestScript, args []string) string {
	files := matching(ts, args[0])
	number := func(name string) int {
		n, err := strconv.Atoi(strings.TrimSuffix(filepath.Base(name), filepath.Ext(name)))
		ts.Check(err)
		return n
	}
	size := func(name string) int64 {
		st, err := os.Stat(name)
		ts.Check(err)
		return st.Size()
	}
	switch args[1] {
	case "largest":
		return slices.MaxFunc(files, func(a, b string) int { return cmp.Compare(size(a), size(b)) })
	case "oldest", "middle", "newest":
		files = slices.DeleteFunc(files, func(name string) bool { return strings.Contains(name, "/KV_") }) // of the log, not of cursors
		if len(files) < 3 {
			ts.Fatalf("%s matches %d files, wanted three or more", args[0], len(files))
		}
		slices.SortFunc(files, func(a, b string) int { return cmp.Compare(number(a), number(b)) })
		return files[map[string]int{"oldest": 0, "middle": len(files) / 2, "newest": len(files) - 1}[args[1]]]
	}
	ts.Fatalf("wanted largest, oldest, middle or newest, got %s", args[1])
	return ""
}

// sameTree checks that the damaged file is as the damage left it, and forgets it.
func sameTree(ts *testscript.TestScript, neg bool, args []string) {
	seen := false
	for _, f := range matching(ts, args[0]) {
		if was, err := os.ReadFile(keptAs(ts, f)); err == nil {
			seen = true
			ts.Check(os.Remove(keptAs(ts, f)))
			if b, err := os.ReadFile(f); err != nil || string(b) != string(was) {
				ts.Fatalf("%s was written over: %d bytes, were %d (%v)", f, len(b), len(was), err)
			}
		}
	}
	if !seen {
		ts.Fatalf("no file of %s was damaged", args[0])
	}
}

// truncateFile cuts bytes off the end of the newest file that matches.
func truncateFile(ts *testscript.TestScript, neg bool, args []string) {
	files := matching(ts, args[0])
	name := files[len(files)-1]
	st, err := os.Stat(name)
	ts.Check(err)
	ts.Check(os.Truncate(name, st.Size()-int64(number(ts, args[1]))))
	b, err := os.ReadFile(name)
	ts.Check(err)
	keep(ts, name, b)
}

func copyTree(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(os.CopyFS(ts.MkAbs(args[1]), os.DirFS(ts.MkAbs(args[0]))))
}
