package json

// A scanner finds where a value of a JSON text ends, without looking at
// anything but quotes and brackets: so the elements of an array can be told
// apart however many there are, and one that is broken inside costs itself.
type scanner struct {
	depth   int
	inText  bool
	escape  bool
	started bool
}

// end returns the offset in s behind the value, or -1 if s ends before it does.
// It goes on where the call before it stopped. A value without brackets or
// quotes ends before the next comma, bracket or white space.
func (c *scanner) end(s string) int {
	for i := 0; i < len(s); i++ {
		b := s[i]
		switch {
		case c.inText:
			switch {
			case c.escape:
				c.escape = false
			case b == '\\':
				c.escape = true
			case b == '"':
				c.inText = false
				if c.depth == 0 {
					return i + 1
				}
			}
		case b == '"':
			c.inText = true
		case b == '{', b == '[':
			c.depth++
		case b == '}', b == ']':
			if c.depth == 0 {
				return i
			}
			if c.depth--; c.depth == 0 {
				return i + 1
			}
		case c.depth == 0 && (b == ',' || c.started && isSpace(b)):
			return i
		}
		c.started = true
	}
	return -1
}

func isSpace(b byte) bool { return b == ' ' || b == '\t' || b == '\n' || b == '\r' }
