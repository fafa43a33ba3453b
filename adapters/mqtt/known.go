package mqtt

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
)

// A key tells a message from others as far as MQTT can: by its packet identifier,
// topic and bytes.
type key struct {
	id  uint16
	sum [16]byte // of topic, a zero byte and payload
}

func keyOf(id uint16, topic string, payload []byte) key {
	h := sha256.New()
	h.Write([]byte(topic))
	h.Write([]byte{0})
	h.Write(payload)
	k := key{id: id}
	copy(k.sum[:], h.Sum(nil))
	return k
}

// identity names a message for the log: its number among those of the source,
// packet identifier and digest.
func (k key) identity(number uint64) string {
	return fmt.Sprintf("mqtt#%d#%d#%s", number, k.id, hex.EncodeToString(k.sum[:]))
}

// parseIdentity is the way back; false for anything else.
func parseIdentity(s string) (key, bool) {
	part := strings.Split(s, "#")
	if len(part) != 4 || part[0] != "mqtt" {
		return key{}, false
	}
	id, err := strconv.ParseUint(part[2], 10, 16)
	sum, err2 := hex.DecodeString(part[3])
	k := key{id: uint16(id)}
	if err != nil || err2 != nil || len(sum) != len(k.sum) || id == 0 {
		return key{}, false // QoS 0 has no identifier and never comes again
	}
	copy(k.sum[:], sum)
	return k, true
}

// known is what a broker may hand over again: messages of earlier connections in
// the order of their receipt. What it hands over is a run to the end of them,
// first on a connection, in their order.
type known struct {
	list []mark
	next int // in list, what must come next; -1 before the first
}

// A mark is one such message; its item is nil if it was taken, and if it was
// refused since, which makes it new when it comes.
type mark struct {
	key
	item  *item
	fresh bool
}

func (k *known) begin(list []mark) { k.list, k.next = list, -1 }

// rest is what has not come again so far.
func (k *known) rest() []mark { return k.list[max(k.next, 0):] }

func (k *known) clear() { k.list, k.next = nil, 0 }

// again reports whether a message that is marked as handed over again is one of
// them, and its item if it is out still.
func (k *known) again(m key) (it *item, is bool) {
	if k.next < 0 {
		k.next = k.first(m)
	}
	if k.next >= len(k.list) || k.list[k.next].key != m {
		k.clear()
		return nil, false
	}
	found := k.list[k.next]
	k.next++
	return found.item, !found.fresh
}

// first returns where the run may begin: at the message, with no packet
// identifier twice from there on, as all of them must be unacknowledged. It is
// the end of the list if there is no such place.
func (k *known) first(m key) int {
	seen := map[uint16]bool{}
	for i := len(k.list) - 1; i >= 0; i-- {
		if seen[k.list[i].id] {
			break
		}
		seen[k.list[i].id] = true
		if k.list[i].key == m {
			return i
		}
	}
	return len(k.list)
}

// settle notes what became of an item of an earlier connection.
func (k *known) settle(it *item, taken bool) {
	for i := range k.list {
		if k.list[i].item == it {
			k.list[i].item, k.list[i].fresh = nil, !taken
		}
	}
}
