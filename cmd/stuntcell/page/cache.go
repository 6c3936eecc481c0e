package page

import "sync"

// keptPlays is how many rehearsals are kept: a page and its picture, its files, and the one before, to go back to.
const keptPlays = 8

// cache keeps what was rehearsed last. A page asks for a plan, then its picture does, then perhaps a file of it.
type cache struct {
	mu   sync.Mutex
	kept []*rehearsed // latest last
}

// get returns what was played under the conditions, or nil.
func (c *cache) get(of conditions) *rehearsed {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, r := range c.kept {
		if r.conditions == of {
			c.kept = append(append(c.kept[:i:i], c.kept[i+1:]...), r)
			return r
		}
	}
	return nil
}

func (c *cache) put(r *rehearsed) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.kept = append(c.kept, r)
	if len(c.kept) > keptPlays {
		c.kept = append(c.kept[:0:0], c.kept[1:]...)
	}
}
