package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"slices"
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

// flip turns one bit in the middle of the largest file that matches.
func flip(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: flip PATTERN")
	}
	var name string
	var b []byte
	for _, f := range matching(ts, args[0]) {
		x, err := os.ReadFile(f)
		ts.Check(err)
		if len(x) > len(b) {
			name, b = f, x
		}
	}
	b[len(b)/2] ^= 0x10
	st, err := os.Stat(name)
	ts.Check(err)
	ts.Check(os.Chmod(name, 0o600))
	ts.Check(os.WriteFile(name, b, 0o600))
	ts.Check(os.Chmod(name, st.Mode().Perm()))
	ts.Check(os.MkdirAll(ts.MkAbs(keptDamage), 0o755))
	ts.Check(os.WriteFile(keptAs(ts, name), b, 0o600))
	ts.Logf("flipped a bit in %s", name)
}

// sameTree checks that the damaged file is as the damage left it.
func sameTree(ts *testscript.TestScript, neg bool, args []string) {
	for _, f := range matching(ts, args[0]) {
		if was, err := os.ReadFile(keptAs(ts, f)); err == nil {
			if b, err := os.ReadFile(f); err != nil || string(b) != string(was) {
				ts.Fatalf("%s was written over: %d bytes, were %d (%v)", f, len(b), len(was), err)
			}
		}
	}
}

// truncateFile cuts bytes off the end of the newest file that matches.
func truncateFile(ts *testscript.TestScript, neg bool, args []string) {
	files := matching(ts, args[0])
	name := files[len(files)-1]
	st, err := os.Stat(name)
	ts.Check(err)
	ts.Check(os.Truncate(name, st.Size()-int64(number(ts, args[1]))))
}

func copyTree(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(os.CopyFS(ts.MkAbs(args[1]), os.DirFS(ts.MkAbs(args[0]))))
}
