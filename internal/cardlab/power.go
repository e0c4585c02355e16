package cardlab

import "math/rand/v2"

// Pull takes the card out while it has power. What was synced stays; of the rest each sector is kept or lost, as the seed
// decides; what a lying flush withheld is lost. Calls under way end with flash.ErrGone and move nothing.
func (c *Card) Pull(seed uint64) {
	random := rand.New(rand.NewPCG(seed, 0))
	c.pull(func() bool { return random.Uint64()&1 == 0 })
}

// PullSynced takes the card out at the worst moment: all that was not synced is lost.
func (c *Card) PullSynced() {
	c.pull(func() bool { return false })
}

// Release ends every call that hangs or waits, now and later, with flash.ErrGone, as a reader does that gives up. Nothing
// is lost by it. It may be called more than once.
func (c *Card) Release() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.release()
}

// Plug plugs the card in again: it answers, its cache is empty, and After amounts count from zero. A card that takes no
// more writes stays that way. A card that is plugged in is released first.
func (c *Card) Plug() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.release()
	c.power = make(chan struct{})
	c.state = answering
	c.since = c.counts
	c.clock = busyClock{}
	c.nextBytes = 0
}

func (c *Card) pull(coin func() bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.release()
	c.medium.cut(coin)
	c.memory.forget()
}

// release needs mu held.
func (c *Card) release() {
	c.state = gone
	select {
	case <-c.power:
	default:
		close(c.power)
	}
}
