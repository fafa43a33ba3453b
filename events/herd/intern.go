package herd

import (
	"bytes"

	"dewclaw/events"
)

// naming returns the number of the way s names its animal.
func (f *follower) naming(farm id) (id, error) {
	s := &f.s
	k := append(f.key[:0], byte(farm), byte(farm>>8), byte(farm>>16), byte(farm>>24))
	k = append(append(k, s.animal...), s.derived...)
	f.key = k
	passing := bytes.Contains(s.animal, []byte(`"temporary"`)) || bytes.Contains(s.animal, []byte(`"place"`))
	if !passing {
		if n, ok := f.namings[string(k)]; ok {
			return n, nil
		}
	}
	n, err := f.slowNaming(farm)
	if err != nil || passing {
		return n, err
	}
	if len(f.namings) >= maxNamings {
		clear(f.namings)
	}
	f.namings[string(k)] = n
	return n, nil
}

func (f *follower) slowNaming(farm id) (id, error) {
	s := &f.s
	var d decoder
	var given, derived []events.Identifier
	if s.animal != nil {
		given = d.identifiers(s.animal)
	}
	if s.derived != nil {
		derived = d.identifiers(s.derived)
	}
	if d.err != nil {
		return 0, d.err
	}
	visit := string(s.visit)
	if visit == "" {
		visit = recordOf(string(s.entity))
	}
	key := namingKey(idents(normalized(given, derived)), visit)
	row, err := f.db.prepared("SELECT id FROM namings WHERE farm=? AND key=?").first(farm, key)
	if err != nil {
		return 0, err
	}
	if row != nil {
		return id(intOf(row[0])), nil
	}
	if err := f.db.prepared("INSERT INTO namings(farm, key, used) VALUES(?,?,0)").exec(farm, key); err != nil {
		return 0, err
	}
	return f.lastID()
}
