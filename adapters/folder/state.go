package folder

import (
	"cmp"
	"hash/maphash"
	"io/fs"
	"time"
)

// A state is what tells one content of a name from another without reading it.
type state struct {
	size  int64
	time  int64 // of change, nanoseconds
	inode uint64
}

func stateOf(fi fs.FileInfo) state {
	return state{fi.Size(), fi.ModTime().UnixNano(), inode(fi)}
}

func (st state) file(name string) File {
	return File{label(name), st.size, time.Unix(0, st.time)}
}

// A candidate is a file that may be handed over: waiting until it rests, or
// ready since it does.
type candidate struct {
	name  string
	state state
	first time.Time // when it was first seen
	due   time.Time // when to look again
}

// byTime orders candidates as they are handed over.
func byTime(a, b candidate) int {
	return cmp.Or(cmp.Compare(a.state.time, b.state.time), cmp.Compare(a.name, b.name))
}

// A readyHeap is ordered by time of change, then name.
type readyHeap []candidate

func (h readyHeap) Len() int           { return len(h) }
func (h readyHeap) Less(i, j int) bool { return byTime(h[i], h[j]) < 0 }
func (h readyHeap) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }
func (h *readyHeap) Push(x any)        { *h = append(*h, x.(candidate)) }
func (h *readyHeap) Pop() any {
	old := *h
	c := old[len(old)-1]
	*h = old[:len(old)-1]
	return c
}

// A memory keeps a hash of something under the hash of a name: for folders of a
// million files, 24 bytes each. That two names share a hash by chance costs a
// question to Known or a reading, never a file.
type memory struct {
	seed maphash.Seed
	m    map[uint64]remembered
	gen  uint32
}

type remembered struct {
	what uint64
	gen  uint32
}

func newMemory() memory {
	return memory{seed: maphash.MakeSeed(), m: map[uint64]remembered{}}
}

func (m *memory) key(name string) uint64 { return maphash.String(m.seed, name) }

func (m *memory) set(name string, st state) {
	m.m[m.key(name)] = remembered{maphash.Comparable(m.seed, st), m.gen}
}

// has reports whether a name was last set to st, and notes that it is in use.
func (m *memory) has(name string, st state) bool {
	k := m.key(name)
	r, ok := m.m[k]
	if !ok {
		return false
	}
	m.m[k] = remembered{r.what, m.gen}
	return r.what == maphash.Comparable(m.seed, st)
}

// begin starts a round of use; end drops what was not in use in this one and in
// some rounds before.
func (m *memory) begin() { m.gen++ }

func (m *memory) end(before uint32) {
	for k, r := range m.m {
		if m.gen-r.gen > before {
			delete(m.m, k)
		}
	}
}
