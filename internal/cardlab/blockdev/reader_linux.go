package blockdev

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"

	"golang.org/x/sys/unix"

	"cardwright/internal/cardlab"
)

// ErrSeated says that a card is in the reader already.
var ErrSeated = errors.New("a card is in the reader")

// A Reader is a loop device that stays while cards are seated and pulled, as in a card reader. One hand works it: its methods
// are not for several goroutines at once. Programs may use the device meanwhile as they like.
type Reader struct {
	number int // of the loop device
	loop   loopDevice
	seated *backing // what the kernel still holds, or may hold; nil when the reader is known to be empty

	once sync.Once
	err  error // of Close
}

// NewReader adds a loop device that is not there yet, with nothing in it. The kernel may hand it to another program, while it
// is empty, only where no other loop device is free. It needs what Attach needs.
func NewReader(ctx context.Context) (*Reader, error) {
	for number := firstReader; number < firstReader+readersMost; number++ {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		_, err := control(unix.LOOP_CTL_ADD, number)
		if errors.Is(err, unix.EEXIST) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("add loop device %d: %w", number, err)
		}
		r := &Reader{number: number, loop: loopDevice{name: "loop" + strconv.Itoa(number)}}
		if err := r.loop.makeNode(); err != nil {
			return nil, errors.Join(err, r.Close())
		}
		return r, nil
	}
	return nil, fmt.Errorf("every number for a reader's loop device is taken: %w", unix.EEXIST)
}

// Path is the block device, such as /dev/loop2048.
func (r *Reader) Path() string { return r.loop.path() }

// Seat plugs a card in and shows it to the kernel. Where another program still holds the card before it open, Seat waits for
// it until the context ends; its error then wraps EBUSY.
func (r *Reader) Seat(ctx context.Context, card *cardlab.Card) error {
	if r.seated != nil && !r.seated.file.pulled.Load() {
		return ErrSeated
	}
	if err := r.Empty(ctx); err != nil {
		return err
	}
	card.Plug()
	file, err := newBacking(card)
	if err != nil {
		return err
	}
	// The device may be taken though it was free: a program that opens it alone holds off whoever would attach.
	var attachErr error
	err = r.loop.await(ctx, func() bool {
		attachErr = r.loop.attach(file.path(), card.SectorBytes())
		return !errors.Is(attachErr, unix.EBUSY)
	})
	if err == nil {
		err = attachErr
	}
	if err != nil {
		return errors.Join(err, file.unmount())
	}
	file.file.live.Store(true)
	r.seated = file
	return nil
}

// Pull takes the card out, with the loss of all that was not synced. Every call from then on fails with EIO, as do those that
// are under way; the device is empty as soon as nobody holds it open, which Pull does not wait for. Without a card it does
// nothing.
func (r *Reader) Pull() error {
	if r.seated == nil || r.seated.file.pulled.Swap(true) {
		return nil
	}
	r.seated.file.card.PullSynced()
	return r.loop.release()
}

// Empty waits until the card that was pulled is gone from the kernel, too. When the context ends first, its error wraps EBUSY.
func (r *Reader) Empty(ctx context.Context) error {
	if err := r.loop.await(ctx, r.loop.free); err != nil || r.seated == nil {
		return err
	}
	err := r.seated.unmount()
	r.seated = nil
	return err
}

// Close pulls the card and takes the reader away. An error that wraps EBUSY says that another program holds the device open:
// the card then goes when that program closes it, but the reader's device stays. Closing twice is fine.
func (r *Reader) Close() error {
	r.once.Do(func() { r.err = r.close() })
	return r.err
}

func (r *Reader) close() error {
	err := r.Pull()
	ctx, cancel := context.WithTimeout(context.Background(), detachPatience)
	defer cancel()
	if err := errors.Join(err, r.Empty(ctx)); err != nil {
		if r.seated != nil {
			err = errors.Join(err, r.seated.unmount())
		}
		return err
	}
	var removeErr error
	err = r.loop.await(ctx, func() bool {
		_, removeErr = control(unix.LOOP_CTL_REMOVE, r.number)
		return !errors.Is(removeErr, unix.EBUSY)
	})
	return errors.Join(err, removeErr)
}
