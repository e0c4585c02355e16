package flash_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/iotest"

	"cardwright/flash"
	"cardwright/internal/cardlab"
)

const mib = 1 << 20

// randomImage is n bytes that repeat nowhere.
func randomImage(n int, seed uint64) []byte {
	image := make([]byte, n)
	random := rand.NewChaCha8([32]byte{byte(seed)})
	_, _ = random.Read(image) // documented never to fail
	return image
}

func newCard(t *testing.T, traits cardlab.Traits) *cardlab.Card {
	t.Helper()
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

// A written is what one card's writer did.
type written struct {
	writer *flash.Writer
	meter  *flash.Meter
	err    error
}

// writeAll puts an image on cards as a job does, without proofs: clear, body, head.
func writeAll(ctx context.Context, image io.Reader, judge flash.Judge, cards ...flash.Card) (*flash.Pump, []written, error) {
	pump := flash.NewPump(flash.NewPool(4 + 2*len(cards)))
	outcomes := make([]written, len(cards))
	var cardsDone sync.WaitGroup
	for i, card := range cards {
		meter := &flash.Meter{}
		outcomes[i] = written{writer: flash.NewWriter(card, meter, judge), meter: meter}
		feed := pump.Feed(meter)
		cardsDone.Go(func() {
			defer feed.Close()
			outcomes[i].err = writeOne(ctx, pump, feed, outcomes[i].writer)
		})
	}
	err := pump.Run(ctx, image)
	cardsDone.Wait()
	return pump, outcomes, err
}

func writeOne(ctx context.Context, pump *flash.Pump, feed *flash.Feed, writer *flash.Writer) error {
	if err := feed.AwaitHead(ctx); err != nil {
		return err
	}
	if err := writer.Clear(); err != nil {
		return err
	}
	if err := writer.WriteBody(ctx, feed); err != nil {
		return err
	}
	return writer.WriteHead(ctx, pump.Head())
}

// Lengths around every edge that the pump has, in the ways that readers hand out bytes.
func TestEveryLengthLandsWhole(t *testing.T) {
	const cardBytes = 16 * mib
	readers := map[string]func(io.Reader) io.Reader{
		"whole": func(r io.Reader) io.Reader { return r }, "halves": iotest.HalfReader, "data with its end": iotest.DataErrReader,
	}
	for _, length := range []int{
		1, 511, 512, 513, 4095, 4096, 4097, mib, flash.BlockBytes - 1, flash.BlockBytes, flash.BlockBytes + 1,
		2*flash.BlockBytes - 513, 2*flash.BlockBytes + 1, cardBytes,
	} {
		for name, reader := range readers {
			t.Run(fmt.Sprintf("%d bytes, %s", length, name), func(t *testing.T) {
				image := randomImage(length, 1)
				card := newCard(t, cardlab.Traits{SizeBytes: cardBytes, OldContent: true, Seed: 7})
				before := card.Truth().Read(0, cardBytes)
				pump, outcomes, err := writeAll(t.Context(), reader(bytes.NewReader(image)), flash.Judge{}, card)
				if err != nil || outcomes[0].err != nil {
					t.Fatal(err, outcomes[0].err)
				}
				if got := pump.Manifest().ImageBytes; got != int64(length) {
					t.Errorf("the manifest holds %d bytes", got)
				}
				checkCard(t, card, image, before)
				if got := outcomes[0].meter.Look().WrittenBytes; got != int64(length) {
					t.Errorf("the meter shows %d bytes", got)
				}
				if got := outcomes[0].writer.Trace().Figures(true).Bytes; got != int64(length) {
					t.Errorf("the figures show %d bytes", got)
				}
			})
		}
	}
}

// checkCard wants the image, zeros to the end of its last sector, both cleared ranges zero, and else what was there before.
func checkCard(t *testing.T, card *cardlab.Card, image, before []byte) {
	t.Helper()
	want := bytes.Clone(before)
	clear(want[:mib])
	clear(want[len(want)-mib:])
	sector := card.SectorBytes()
	clear(want[:(len(image)+sector-1)/sector*sector])
	copy(want, image)
	if got := card.Truth().Read(0, len(want)); !bytes.Equal(got, want) {
		t.Errorf("the card differs from what was to be written, first at byte %d", firstDifference(got, want))
	}
	if left := card.Truth().UnsyncedBytes(); left != 0 {
		t.Errorf("%d bytes were never flushed", left)
	}
}

func firstDifference(a, b []byte) int {
	for i := range a {
		if a[i] != b[i] {
			return i
		}
	}
	return -1
}

func TestHeadIsWrittenLastAndItsFirstSectorsLastOfAll(t *testing.T) {
	image := randomImage(3*flash.BlockBytes+100, 2)
	card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib})
	var ops []string
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		ops = append(ops, fmt.Sprintf("%v %d+%d", op.Kind, op.OffsetBytes, op.LengthBytes))
		return cardlab.FaultNone
	})
	if _, outcomes, err := writeAll(t.Context(), bytes.NewReader(image), flash.Judge{}, card); err != nil || outcomes[0].err != nil {
		t.Fatal(err, outcomes[0].err)
	}
	want := []string{
		"write 0+1048576", "write 66060288+1048576", "flush 0+0",
		"write 4194304+4194304", "write 8388608+4194304", "write 12582912+512", "flush 0+0",
		"write 4096+4190208", "flush 0+0", "write 0+4096", "flush 0+0",
	}
	if fmt.Sprint(ops) != fmt.Sprint(want) {
		t.Errorf("the card saw\n%v\nand should have seen\n%v", ops, want)
	}
}

func TestSeveralCardsShareOneReading(t *testing.T) {
	image := randomImage(5*flash.BlockBytes, 3)
	cards := make([]flash.Card, 4)
	for i := range cards {
		cards[i] = newCard(t, cardlab.Traits{SizeBytes: 32 * mib})
	}
	source := &countingReader{Reader: bytes.NewReader(image)}
	_, outcomes, err := writeAll(t.Context(), source, flash.Judge{}, cards...)
	if err != nil {
		t.Fatal(err)
	}
	for i, card := range cards {
		if outcomes[i].err != nil {
			t.Errorf("card %d: %v", i, outcomes[i].err)
		}
		checkCard(t, card.(*cardlab.Card), image, make([]byte, 32*mib))
	}
	if source.bytes != int64(len(image)) {
		t.Errorf("%d bytes were read of an image of %d", source.bytes, len(image))
	}
}

type countingReader struct {
	io.Reader
	bytes int64
}

func (c *countingReader) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	c.bytes += int64(n)
	return n, err
}

func TestBadSourceLeavesNoHead(t *testing.T) {
	cause := errors.New("rotten")
	image := randomImage(3*flash.BlockBytes, 4)
	for _, good := range []int{0, 10, flash.BlockBytes, 2*flash.BlockBytes + 5, 3 * flash.BlockBytes} {
		card := newCard(t, cardlab.Traits{SizeBytes: 16 * mib, OldContent: true})
		source := io.MultiReader(bytes.NewReader(image[:good]), iotest.ErrReader(cause))
		_, outcomes, err := writeAll(t.Context(), source, flash.Judge{}, card)
		if !errors.Is(err, cause) || !errors.Is(outcomes[0].err, cause) {
			t.Errorf("after %d bytes: the pump says %v, the card %v", good, err, outcomes[0].err)
		}
		if asked := card.Truth().Asked(); good < flash.BlockBytes && len(asked) != 0 {
			t.Errorf("after %d bytes: the card was touched: %v", good, asked)
		}
		if held := card.Truth().Read(0, mib); good >= flash.BlockBytes && !bytes.Equal(held, make([]byte, mib)) {
			t.Errorf("after %d bytes: the head's place is not clear", good)
		}
	}
}

// A reader that ends inside a block with an error of its own, named like the end that io.ReadFull reports.
func TestTruncatedSourceIsNoEnd(t *testing.T) {
	source := io.MultiReader(bytes.NewReader(make([]byte, flash.BlockBytes+5)), iotest.ErrReader(io.ErrUnexpectedEOF))
	card := newCard(t, cardlab.Traits{SizeBytes: 16 * mib})
	_, outcomes, err := writeAll(t.Context(), source, flash.Judge{}, card)
	if !errors.Is(err, io.ErrUnexpectedEOF) || outcomes[0].err == nil {
		t.Errorf("a truncated source passed: pump %v, card %v", err, outcomes[0].err)
	}
}

func TestImageThatOutgrowsTheSmallestCardStopsAll(t *testing.T) {
	image := randomImage(4*flash.BlockBytes, 5)
	small := newCard(t, cardlab.Traits{SizeBytes: 12 * mib})
	large := newCard(t, cardlab.Traits{SizeBytes: 64 * mib})
	pump := flash.NewPump(flash.NewPool(6))
	pump.LimitBytes = small.SizeBytes()
	var cardsDone sync.WaitGroup
	errs := make([]error, 2)
	for i, card := range []flash.Card{small, large} {
		meter := &flash.Meter{}
		feed := pump.Feed(meter)
		cardsDone.Go(func() {
			defer feed.Close()
			errs[i] = writeOne(t.Context(), pump, feed, flash.NewWriter(card, meter, flash.Judge{}))
		})
	}
	err := pump.Run(t.Context(), bytes.NewReader(image))
	cardsDone.Wait()
	for _, e := range append(errs, err) {
		if !errors.Is(e, flash.ErrTooSmall) {
			t.Errorf("got %v", e)
		}
	}
}

func TestFirstErrorStays(t *testing.T) {
	image := randomImage(4*flash.BlockBytes, 6)
	card := newCard(t, cardlab.Traits{SizeBytes: 32 * mib, Bad: []cardlab.BadRange{
		{Span: cardlab.Span{OffsetBytes: 2 * flash.BlockBytes, LengthBytes: 512}, Write: true},
	}})
	pump, outcomes, err := writeAll(t.Context(), bytes.NewReader(image), flash.Judge{}, card)
	failed, ok := errors.AsType[*flash.Error](outcomes[0].err)
	if !ok || failed.Step != flash.StepBody || failed.OffsetBytes != 2*flash.BlockBytes {
		t.Fatalf("the card says %v", outcomes[0].err)
	}
	if err != nil && !errors.Is(err, flash.ErrNoCards) {
		t.Errorf("the pump says %v", err)
	}
	operations := card.Counts().Operations
	if again := outcomes[0].writer.WriteHead(t.Context(), pump.Head()); !errors.Is(again, failed) || card.Counts().Operations != operations {
		t.Errorf("after a failure the head's writing says %v and the card saw %d more calls", again, card.Counts().Operations-operations)
	}
	if err := outcomes[0].writer.Blank(); err != nil {
		t.Errorf("blanking after a failure: %v", err)
	}
}

// TestNothingBeginsAfterAnInterrupt has the head known and the context ended: which of the two is seen first is chance.
func TestNothingBeginsAfterAnInterrupt(t *testing.T) {
	pump := flash.NewPump(flash.NewPool(6))
	feed := pump.Feed(&flash.Meter{})
	defer feed.Close()
	if err := pump.Run(t.Context(), bytes.NewReader(make([]byte, mib))); err != nil {
		t.Fatal(err)
	}
	if err := feed.AwaitHead(t.Context()); err != nil {
		t.Fatal(err)
	}
	interrupted, interrupt := context.WithCancel(t.Context())
	interrupt()
	for range 100 {
		if err := feed.AwaitHead(interrupted); !errors.Is(err, context.Canceled) {
			t.Fatalf("after an interrupt: %v", err)
		}
	}
}

func TestInterruptStopsWithinABlock(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	card := newCard(t, cardlab.Traits{SizeBytes: 64 * mib})
	writes := 0
	card.Inject(func(op cardlab.Op) cardlab.Fault {
		if op.Kind == cardlab.OpWrite && op.LengthBytes == flash.BlockBytes {
			if writes++; writes == 3 {
				cancel()
			}
		}
		return cardlab.FaultNone
	})
	_, outcomes, err := writeAll(ctx, bytes.NewReader(randomImage(14*flash.BlockBytes, 8)), flash.Judge{}, card)
	if !errors.Is(outcomes[0].err, context.Canceled) {
		t.Errorf("the card says %v, the pump %v", outcomes[0].err, err)
	}
	if writes > 3 {
		t.Errorf("%d blocks were written, the interrupt came with the third", writes)
	}
}
