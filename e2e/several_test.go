//go:build device

package e2e_test

import (
	"testing"
	"time"

	"cardwright/internal/cardlab"
)

// TestSeveralCardsAtOnce writes to four cards, one of them slow: all end intact, and the slow one shows as the time that
// the others waited for the source.
func TestSeveralCardsAtOnce(t *testing.T) {
	image := gptImage()
	slow := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 4, WriteBytesPerSecond: 12_000_000})
	cards := []*seated{slow}
	for seed := range uint64(3) {
		cards = append(cards, seat(t, cardlab.Traits{SizeBytes: 256 * mib, Seed: 10 + seed}))
	}
	document := decode[flashDocument](t, run(t, 0, flashTo(image.path(t), cards)...).stdout)
	if len(document.Cards) != len(cards) {
		t.Fatalf("%d cards are told, want %d", len(document.Cards), len(cards))
	}
	for i, told := range document.Cards {
		if told.Device != cards[i].path {
			t.Errorf("card %d is told as %s, want %s", i, told.Device, cards[i].path)
		}
		cards[i].expectHolds(t, image)
		expectIntact(t, told, image)
		waited := *told.SourceWait / *told.TimeToFlash
		if isSlow := cards[i] == slow; isSlow != (waited < 0.1) {
			t.Errorf("%s waited %.0f %% of its time; it is the slow card: %v", told.Device, 100*waited, isSlow)
		}
	}
}

// TestSilentCardIsSetAside has one card stop answering while two others wait for it. They go on without it after 20 s, and
// the report does not wait for it either. The kernel keeps a process until its last call returned, so the reader gives up
// in the end, as real ones do.
func TestSilentCardIsSetAside(t *testing.T) {
	const patience = 20 * time.Second
	image := gptImage()
	silent := seat(t, cardlab.Traits{
		SizeBytes: 192 * mib, Seed: 5, SilentAfter: cardlab.After{WrittenBytes: 40 * mib},
	})
	cards := []*seated{
		seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 6}), silent, seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 7}),
	}
	p := start(t, command{args: flashTo(image.path(t), cards)})
	p.stdout.awaitText(t, "\n}\n", patience+time.Minute)
	if took := time.Since(p.began); took < patience {
		t.Errorf("the report came after %v, which is too early to give up on a card", took)
	}
	silent.Release()
	r := p.wait()
	r.expectCode(t, 5)
	document := decode[flashDocument](t, r.stdout)
	for i, told := range document.Cards {
		if cards[i] != silent {
			cards[i].expectHolds(t, image)
			expectIntact(t, told, image)
			continue
		}
		if told.Verdict != "unfinished" || told.Error == nil || told.Error.Step != "body" {
			t.Errorf("the silent card is told as %+v, %+v", told, told.Error)
		}
	}
}

// flashTo are the arguments that write an image to cards without a question.
func flashTo(imagePath string, cards []*seated) []string {
	args := []string{"flash", imagePath, "--fixed-ok", "--yes", "--json"}
	for _, card := range cards {
		args = append(args, "--to", card.path)
	}
	return args
}
