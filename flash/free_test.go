package flash_test

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"sync"
	"testing"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

// writeFreeing puts an image on a card without its free blocks.
func writeFreeing(t *testing.T, image []byte, free []bool, card flash.Card) (*flash.Pump, *flash.Writer, error) {
	t.Helper()
	pump, meter := flash.NewPump(flash.NewPool(6)), &flash.Meter{}
	pump.Free = free
	writer, feed := flash.NewWriter(card, meter, flash.Judge{}), pump.Feed(meter)
	var (
		done    sync.WaitGroup
		writing error
	)
	done.Go(func() {
		defer feed.Close()
		writing = writeOne(t.Context(), pump, feed, writer)
	})
	err := pump.Run(t.Context(), bytes.NewReader(image))
	done.Wait()
	if err == nil {
		err = writing
	}
	return pump, writer, err
}

// Free blocks are digested as all others are and given to no card; the first and the last are never free, whatever is asked for.
func TestFreeBlocksAreDigestedAndNotWritten(t *testing.T) {
	image := randomImage(5*flash.BlockBytes+700, 3)
	card := newCard(t, cardlab.Traits{SizeBytes: 32 * mib, OldContent: true, Seed: 8})
	before := card.Truth().Read(0, 32*mib)
	asked := []bool{true, false, true, true, false, true}
	pump, writer, err := writeFreeing(t, image, asked, card)
	if err != nil {
		t.Fatal(err)
	}
	m := pump.Manifest()
	if len(m.Blocks) != 6 || m.ImageBytes != int64(len(image)) || m.FreeBytes() != 2*flash.BlockBytes {
		t.Errorf("%d blocks, %d bytes, %d of them free", len(m.Blocks), m.ImageBytes, m.FreeBytes())
	}
	var whole flash.Manifest
	for at := 0; at < len(image); at += flash.BlockBytes {
		whole.Append(image[at:min(len(image), at+flash.BlockBytes)])
	}
	if !slices.Equal(m.Blocks, whole.Blocks) {
		t.Error("the digests are not those of the whole image")
	}
	for i := range m.Blocks {
		b := m.Block(i)
		want := image[b.OffsetBytes:][:b.LengthBytes]
		if free := i == 2 || i == 3; free {
			want = before[b.OffsetBytes:][:b.LengthBytes]
		} else if m.IsFree(i) {
			t.Errorf("block %d is free", i)
		}
		if !bytes.Equal(card.Truth().Read(b.OffsetBytes, b.LengthBytes), want) {
			t.Errorf("block %d is not on the card as it should be", i)
		}
	}
	if figures := writer.Trace().Figures(true); figures.Bytes != int64(len(image)-2*flash.BlockBytes) {
		t.Errorf("%+v", figures)
	}
	if asked[0] != true || asked[5] != true {
		t.Error("the caller's list was changed")
	}
}

func TestImageOfAnotherLengthThanItsFreeBlocksIsNone(t *testing.T) {
	image := randomImage(3*flash.BlockBytes, 4)
	for _, blocks := range []int{1, 2, 4, 9} {
		free := make([]bool, blocks)
		free[blocks/2] = true
		_, _, err := writeFreeing(t, image, free, newCard(t, cardlab.Traits{SizeBytes: 32 * mib}))
		if !errors.Is(err, flash.ErrOtherLength) {
			t.Errorf("%d blocks: %v", blocks, err)
		}
	}
}

// A discardingCard notes what it is told to discard, and what the meter shows meanwhile.
type discardingCard struct {
	flash.Card
	meter  *flash.Meter
	told   [][2]int64
	fails  error
	onCall func()
}

func (d *discardingCard) Discard(offsetBytes, lengthBytes int64) error {
	d.told = append(d.told, [2]int64{offsetBytes, lengthBytes})
	if call, under := d.meter.Call(); !under || call.Kind != flash.CallDiscard || call.OffsetBytes != offsetBytes || !call.HasPlace() {
		return errors.New("the meter does not show the call")
	}
	if d.onCall != nil {
		d.onCall()
	}
	return d.fails
}

func TestDiscardTellsEachRunOfFreeBlocks(t *testing.T) {
	meter := &flash.Meter{}
	free := make([]bool, 100)
	for i := range free {
		free[i] = i == 1 || i >= 10 && i < 90
	}
	card := &discardingCard{Card: newCard(t, cardlab.Traits{SizeBytes: 512 * mib}), meter: meter}
	if err := flash.NewWriter(card, meter, flash.Judge{}).Discard(t.Context(), free); err != nil {
		t.Fatal(err)
	}
	const block = flash.BlockBytes
	want := [][2]int64{{block, block}, {10 * block, 64 * block}, {74 * block, 16 * block}}
	if !slices.Equal(card.told, want) {
		t.Errorf("%v", card.told)
	}
	card.told, card.fails = nil, errors.New("fails")
	if err := flash.NewWriter(card, meter, flash.Judge{}).Discard(t.Context(), free); !errors.Is(err, card.fails) || len(card.told) != 1 {
		t.Errorf("%v after %v", err, card.told)
	}
	ctx, cancel := context.WithCancel(t.Context())
	card.told, card.fails, card.onCall = nil, nil, cancel
	if err := flash.NewWriter(card, meter, flash.Judge{}).Discard(ctx, free); !errors.Is(err, context.Canceled) || len(card.told) != 1 {
		t.Errorf("interrupted: %v after %v", err, card.told)
	}
}

// A card that cannot be told, and one with nothing free, are told apart from a discard that happened.
func TestWithoutADiscarderNothingIsDiscarded(t *testing.T) {
	meter := &flash.Meter{}
	plain := struct{ flash.Card }{newCard(t, cardlab.Traits{SizeBytes: 32 * mib})}
	if err := flash.NewWriter(plain, meter, flash.Judge{}).Discard(t.Context(), []bool{false, true, false}); !errors.Is(err, flash.ErrNoDiscard) {
		t.Error(err)
	}
	card := &discardingCard{Card: plain, meter: meter}
	for _, free := range [][]bool{nil, {false, false}} {
		if err := flash.NewWriter(card, meter, flash.Judge{}).Discard(t.Context(), free); !errors.Is(err, flash.ErrNoDiscard) || card.told != nil {
			t.Errorf("%v, %v", err, card.told)
		}
	}
}
