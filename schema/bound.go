package schema

import "math/bits"

// A bound is a decimal number: n/10^places.
type bound struct {
	n      int64
	places int
}

// boundOf reads a plain number of at most 18 digits.
func boundOf(b []byte) (bound, bool) {
	var v bound
	i, point := 0, false
	if len(b) > 0 && b[0] == '-' {
		i = 1
	}
	count := 0
	for j := i; j < len(b); j++ {
		c := b[j]
		if c == '.' && !point {
			point = true
			continue
		}
		if c < '0' || c > '9' || count == 18 {
			return v, false
		}
		count++
		v.n = v.n*10 + int64(c-'0')
		if point {
			v.places++
		}
	}
	for v.places > 0 && v.n%10 == 0 {
		v.n, v.places = v.n/10, v.places-1
	}
	if i == 1 {
		v.n = -v.n
	}
	return v, count > 0
}

// cmp compares two numbers; ok is false if that takes more than a machine word.
func (v bound) cmp(w bound) (int, bool) {
	a, okA := v.scaled(w.places - v.places)
	b, okB := w.scaled(v.places - w.places)
	switch {
	case !okA || !okB:
		return 0, false
	case a < b:
		return -1, true
	case a > b:
		return 1, true
	}
	return 0, true
}

func (v bound) scaled(places int) (int64, bool) {
	n, negative := uint64(v.n), v.n < 0
	if negative {
		n = -n
	}
	for ; places > 0; places-- {
		hi, lo := bits.Mul64(n, 10)
		if hi != 0 || lo > 1<<62 {
			return 0, false
		}
		n = lo
	}
	if negative {
		return -int64(n), true
	}
	return int64(n), true
}

// against judges that v lies on the given side of limit: 1 above, -1 below.
func (v bound) against(limit *bound, side int, equal bool) verdict {
	if limit == nil {
		return yes
	}
	c, ok := v.cmp(*limit)
	switch {
	case !ok:
		return unsure
	case c == side, c == 0 && equal:
		return yes
	}
	return no
}
