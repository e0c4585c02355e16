package flash

import (
	"context"
	"errors"
	"io"
	"slices"
	"time"
)

// A Writer puts one image on one card, in the order Clear, Discard, WriteBody, perhaps Rewrite, WriteHead, and measures the card
// meanwhile. Its first error stays: every later call but Blank gives it again and touches nothing. One goroutine uses a Writer.
type Writer struct {
	card  Card
	meter *Meter
	judge Judge
	trace Trace
	err   error
	end   int64 // the offset up to which the last write went

	judged time.Time // when the pace was last told
}

// NewWriter makes a writer for a card. The judge tells the pace while writing goes on.
func NewWriter(card Card, meter *Meter, judge Judge) *Writer {
	return &Writer{card: Watch(card, meter), meter: meter, judge: judge}
}

// Trace gives what was measured so far.
func (w *Writer) Trace() *Trace { return &w.trace }

// Clear zeroes the card's first and last ClearBytes and flushes, so that no old table survives at either end. It counts
// in no figure.
func (w *Writer) Clear() error {
	w.meter.Enter(StepClear)
	if w.err != nil {
		return w.err
	}
	zeros := AlignedBuffer(int(min(ClearBytes, w.card.SizeBytes())))
	for _, offsetBytes := range []int64{0, w.card.SizeBytes() - int64(len(zeros))} {
		if _, err := w.card.WriteAt(zeros, offsetBytes); err != nil {
			return w.fail(StepClear, offsetBytes, len(zeros), err)
		}
	}
	if err := w.card.Flush(); err != nil {
		return w.fail(StepClear, 0, 0, err)
	}
	return nil
}

// discardBytes is how much one call discards at the most, so that an interrupt, and who looks at the meter, need not wait long.
const discardBytes = 64 * BlockBytes

// Discard tells the card that it need not keep what it holds in the free blocks of the image that is to come. It counts in no
// figure and nothing is lost where it fails: the blocks are left out all the same. The error is the card's or the context's;
// ErrNoDiscard where the card cannot be told, or nothing is free.
func (w *Writer) Discard(ctx context.Context, free []bool) error {
	discarder, able := w.card.(Discarder)
	if !able || w.err != nil || !slices.Contains(free, true) {
		return ErrNoDiscard
	}
	for i := 0; i < len(free); {
		first := i
		for i < len(free) && free[i] && i-first < discardBytes/BlockBytes {
			i++
		}
		if i == first {
			i++
			continue
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if err := discarder.Discard(int64(first)*BlockBytes, int64(i-first)*BlockBytes); err != nil {
			return err
		}
	}
	return nil
}

// WriteBody writes every block that the feed gives and flushes. It returns nil only when the image ended soundly and all of
// it was taken; the error is an *Error, for StepSource where the image ended it.
func (w *Writer) WriteBody(ctx context.Context, feed *Feed) error {
	w.meter.Enter(StepBody)
	defer w.trace.close()
	for w.err == nil {
		p, err := feed.next(ctx)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return w.fail(stepOf(err), w.end, 0, err)
		}
		err = w.write(StepBody, p.data[:w.fillUp(p.LengthBytes)], p.OffsetBytes, p.LengthBytes)
		p.release()
		if err != nil {
			return err
		}
		w.judgeNow()
	}
	return w.flush(StepBody)
}

// judgeNow shows the pace so far, at most once a second.
func (w *Writer) judgeNow() {
	if w.trace.bytes < JudgedFromBytes || time.Since(w.judged) < time.Second {
		return
	}
	w.judged = time.Now()
	judgement := w.judge.Judge(&w.trace)
	w.meter.pace.Store(&judgement)
}

// WriteHead writes the first block, which lies in a buffer that goes on in zeros behind its length: all but its first
// LastBytes, a flush, then those, and a flush. Only then is the card bootable. The context is asked before each of the two
// writes, since a flush before it may have taken long enough for the card to be given up.
func (w *Writer) WriteHead(ctx context.Context, head []byte) error {
	w.meter.Enter(StepHead)
	defer w.trace.close()
	whole := head[:w.fillUp(len(head))]
	if last := LastBytes; len(whole) > last && ctx.Err() == nil {
		if err := w.write(StepHead, whole[last:], int64(last), len(head)-last); err != nil {
			return err
		}
		if err := w.flush(StepHead); err != nil {
			return err
		}
	}
	if ctx.Err() != nil {
		return w.fail(StepHead, 0, 0, context.Cause(ctx))
	}
	first := whole[:min(LastBytes, len(whole))]
	if err := w.write(StepHead, first, 0, min(LastBytes, len(head))); err != nil {
		return err
	}
	return w.flush(StepHead)
}

// Rewrite writes a part of a block that was proven, whole sectors of it in a buffer as a Card takes it. It counts in no figure.
// FlushRewritten makes it stay.
func (w *Writer) Rewrite(ctx context.Context, part []byte, offsetBytes int64) error {
	if w.err != nil {
		return w.err
	}
	if ctx.Err() != nil {
		return w.fail(StepFiles, offsetBytes, 0, context.Cause(ctx))
	}
	n, err := w.card.WriteAt(part, offsetBytes)
	if err == nil && n < len(part) {
		err = io.ErrShortWrite
	}
	if err != nil {
		return w.fail(StepFiles, offsetBytes, len(part), err)
	}
	w.end = offsetBytes + int64(len(part))
	return nil
}

// FlushRewritten returns once every part that was rewritten has reached the medium.
func (w *Writer) FlushRewritten() error {
	if w.err != nil {
		return w.err
	}
	if err := w.card.Flush(); err != nil {
		return w.fail(StepFiles, w.end, 0, err)
	}
	return nil
}

// Blank zeroes the card's first ClearBytes again, so that a card that failed holds nothing that boots or mounts. It works
// after an error too, as far as the card still takes writes.
func (w *Writer) Blank() error {
	zeros := AlignedBuffer(int(min(ClearBytes, w.card.SizeBytes())))
	if _, err := w.card.WriteAt(zeros, 0); err != nil {
		return &Error{Step: StepClear, LengthBytes: int64(len(zeros)), Err: err}
	}
	if err := w.card.Flush(); err != nil {
		return &Error{Step: StepClear, Err: err}
	}
	return nil
}

// write puts one buffer on the card and measures it; imageBytes is how much of it belongs to the image.
func (w *Writer) write(step Step, buffer []byte, offsetBytes int64, imageBytes int) error {
	if w.err != nil {
		return w.err
	}
	if offsetBytes+int64(len(buffer)) > w.card.SizeBytes() {
		return w.fail(step, offsetBytes, len(buffer), ErrTooSmall)
	}
	if w.trace.since.IsZero() {
		w.trace.open()
	}
	began := time.Now()
	n, err := w.card.WriteAt(buffer, offsetBytes)
	busy := time.Since(began)
	if err == nil && n < len(buffer) {
		err = io.ErrShortWrite
	}
	if err != nil {
		return w.fail(step, offsetBytes, len(buffer), err)
	}
	w.trace.wrote(offsetBytes, imageBytes, began, busy)
	w.end = offsetBytes + int64(len(buffer))
	w.meter.wrote(imageBytes, w.end, busy)
	return nil
}

func (w *Writer) flush(step Step) error {
	if w.err != nil {
		return w.err
	}
	if w.trace.since.IsZero() { // nothing was written: the image is its head alone
		return nil
	}
	began := time.Now()
	err := w.card.Flush()
	busy := time.Since(began)
	if err != nil {
		return w.fail(step, w.end, 0, err)
	}
	w.trace.flushed(w.end, began, busy)
	w.meter.wrote(0, w.end, busy)
	return nil
}

// fillUp rounds a length up to whole sectors. Buffers go on in zeros after the image's last byte.
func (w *Writer) fillUp(lengthBytes int) int {
	sector := w.card.SectorBytes()
	return (lengthBytes + sector - 1) / sector * sector
}

func (w *Writer) fail(step Step, offsetBytes int64, lengthBytes int, err error) error {
	w.trace.close()
	w.err = &Error{Step: step, OffsetBytes: offsetBytes, LengthBytes: int64(lengthBytes), Err: err}
	return w.err
}

// stepOf sorts why blocks ended early: in the writing of the body, or in the source.
func stepOf(err error) Step {
	if errors.Is(err, ErrHeldOthersBack) || errors.Is(err, ErrTooSmall) || errors.Is(err, context.Canceled) {
		return StepBody
	}
	return StepSource
}
