//go:build device

package e2e_test

import (
	"fmt"
	"testing"

	"cardwright/internal/cardlab"
)

// TestBatchMemoryStaysBounded has a real image go to a card in each of four and of eight bays at once. Its decoding comes before
// the first card and shares the bound; each bay has a reading of the image of its own.
func TestBatchMemoryStaysBounded(t *testing.T) {
	image := mbrImage()
	for _, c := range []struct {
		bays  int
		bound int64
	}{{4, 200 * mib}, {8, 260 * mib}} {
		t.Run(fmt.Sprint(c.bays, " bays"), func(t *testing.T) {
			s := stackOf(t, image.path(t))
			var bays []*bay
			var cards []*seated
			for n := range c.bays {
				bays = append(bays, bayNamed(t, fmt.Sprint("bay-", n+1)))
				cards = append(cards, emulated(t, cardlab.Traits{SizeBytes: 400 * mib}))
				bays[n].seat(t, cards[n])
			}
			b := s.begin(t, bays, "--count", fmt.Sprint(c.bays))
			atOnce, atWork := 0, 0
			for e := range b.events() {
				switch e.Event {
				case "started":
					atWork++
					atOnce = max(atOnce, atWork)
				case "finished":
					atWork--
				}
			}
			r := b.wait()
			r.expectCode(t, 0)
			for _, card := range cards {
				card.expectHolds(t, image)
			}
			t.Logf("MEASURED a batch in %d bays: %.1f MiB at most, of %d MiB; %.1f s", c.bays, float64(r.maxRSSBytes)/mib, c.bound/mib,
				r.took.Seconds())
			if least := int64(c.bays * blockBytes); r.maxRSSBytes < least || r.maxRSSBytes > c.bound || atOnce < c.bays {
				t.Errorf("the program took %d bytes of memory, want %d to %d; %d cards at once", r.maxRSSBytes, least, c.bound, atOnce)
			}
		})
	}
}
