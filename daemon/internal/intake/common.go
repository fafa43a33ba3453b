package intake

import (
	"context"
	"sync"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
)

// This file keeps what held records of one original have in common. A person looks
// at many of them in a row, and a list at all of them.

// maxCommon is how many mappings and heads are kept each; then they are forgotten.
const maxCommon = 8

// A common keeps mappings of the archive and heads of its originals, both of which
// never change under their hash. The zero value is ready for use.
type common struct {
	mu       sync.Mutex
	mappings map[string]commonMapping // by hash
	heads    map[headKey]adapters.Head
}

type commonMapping struct {
	inward *mapping.Inward
	bytes  []byte
}

type headKey struct {
	archive, member string
	inward          *mapping.Inward
}

// mapping is archivedMapping, which reads each only once.
func (k *common) mapping(in *Intake, hash string) (*mapping.Inward, []byte, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if m, ok := k.mappings[hash]; ok {
		return m.inward, m.bytes, nil
	}
	m, b, err := in.archivedMapping(hash)
	if err != nil {
		return nil, nil, err
	}
	if k.mappings == nil || len(k.mappings) >= maxCommon {
		k.mappings = map[string]commonMapping{}
	}
	k.mappings[hash] = commonMapping{m, b}
	return m, b, nil
}

// head is readHead, which reads each only once unless it is that of a message.
func (k *common) head(in *Intake, ctx context.Context, o original, member string) (adapters.Head, error) {
	if o.body != nil {
		return in.readHead(ctx, o, member)
	}
	key := headKey{o.archive, member, o.inward}
	k.mu.Lock()
	defer k.mu.Unlock()
	if h, ok := k.heads[key]; ok {
		return h, nil
	}
	h, err := in.readHead(ctx, o, member)
	if err != nil {
		return h, err
	}
	if k.heads == nil || len(k.heads) >= maxCommon {
		k.heads = map[headKey]adapters.Head{}
	}
	k.heads[key] = h
	return h, nil
}
