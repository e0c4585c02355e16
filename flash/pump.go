package flash

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"
)

// DefaultPatience is how long a card may complete no call while other cards wait, before they go on without it.
const DefaultPatience = 20 * time.Second

// A Pump reads one image once, keeps its manifest and its head, and feeds every block after the head to each card. A slow
// card holds the others back, since the blocks come from one pool; a card that stands still is set aside.
type Pump struct {
	// LimitBytes is the size of the smallest card; a longer image ends the run. 0 sets no limit.
	LimitBytes int64
	// Patience replaces DefaultPatience where it isn't 0.
	Patience time.Duration
	// Free names the blocks that no card is given, for an image of just so many blocks. It never holds for the first and the last.
	Free []bool
	// Observe, where set, sees every block in order, the head included, and must not keep it.
	Observe func(b Block, data []byte)

	pool     *Pool
	feeds    []*Feed
	manifest Manifest
	head     []byte
	known    *Manifest // of an image that is Compared; nil: the digests are made here
}

// A Compared image gives no byte before the whole block that it lies in was compared with the image's manifest. Such blocks are not
// digested once more: cards are held against that manifest.
type Compared interface {
	io.Reader
	// Manifest is the whole image's. It does not change.
	Manifest() *Manifest
}

// NewPump makes a pump over a pool. The head keeps one buffer for as long as the pump lives, so the pool needs at least
// two, one more for each card, and a few to let decoder and digests work meanwhile.
func NewPump(pool *Pool) *Pump { return &Pump{pool: pool} }

// Feed adds a card, whose calls the meter sees. All cards are added before Run; each Feed must be drained or closed.
func (p *Pump) Feed(meter *Meter) *Feed {
	f := newFeed(meter, cap(p.pool.free))
	p.feeds = append(p.feeds, f)
	return f
}

// Manifest gives the digests of all blocks read so far. It is complete once Run returned nil.
func (p *Pump) Manifest() *Manifest { return &p.manifest }

// Head gives the first block, once Run returned or Feed.AwaitHead did. It must not be changed.
func (p *Pump) Head() []byte { return p.head }

// Run reads the image to its end and returns nil only when the image ended soundly. It also stops, with the cause, when
// the context ends (a read that hangs is then left behind after a second), when the image outgrows LimitBytes (ErrTooSmall),
// and when every card has given up (ErrNoCards). An image that does not have the blocks that Free or its own manifest speaks of is
// ErrOtherLength.
func (p *Pump) Run(ctx context.Context, image io.Reader) error {
	if compared, ok := image.(Compared); ok {
		p.known = compared.Manifest()
	}
	if last := len(p.Free) - 1; last >= 0 {
		p.manifest.Free = slices.Clone(p.Free)
		p.manifest.Free[0], p.manifest.Free[last] = false, false
	}
	reading, stop := context.WithCancel(ctx)
	filled := make(chan filling)
	go p.fill(reading, image, filled) // ends when reading does, or at the image's end; drain waits for it
	err := p.spread(ctx, filled)
	if err == nil && p.otherLength() {
		err = ErrOtherLength
	}
	stop()
	p.drain(filled)
	for _, f := range p.feeds {
		f.end(err)
	}
	return err
}

// otherLength tells whether an image that ended soundly is another one than was known beforehand.
func (p *Pump) otherLength() bool {
	return len(p.Free) > 0 && len(p.Free) != len(p.manifest.Blocks) || p.known != nil && p.known.ImageBytes != p.manifest.ImageBytes
}

// drain waits until the reading goroutine ended, but not for ever: a read from a pipe that nobody fills cannot be
// interrupted, and must not keep the operator from the report. Such a goroutine ends with its read, so the image must bear
// being closed meanwhile.
func (p *Pump) drain(filled <-chan filling) {
	grace := time.NewTimer(time.Second)
	defer grace.Stop()
	for {
		select {
		case f, ok := <-filled:
			if !ok {
				return
			}
			f.release()
		case <-grace.C:
			return
		}
	}
}

// A filling is one buffer as read from the image, with the error that ended the reading, io.EOF at a sound end.
type filling struct {
	*piece
	err error
}

// fill is the reading goroutine: decode into a buffer, hand it over, until an error. The error travels with its buffer.
func (p *Pump) fill(ctx context.Context, image io.Reader, filled chan<- filling) {
	defer close(filled)
	for {
		piece, err := p.pool.take(ctx)
		if err != nil {
			return
		}
		n, err := io.ReadFull(image, piece.buffer)
		piece.data = piece.buffer[:n]
		if errors.Is(err, io.ErrUnexpectedEOF) {
			err = readOn(image)
		}
		select {
		case filled <- filling{piece, err}:
		case <-ctx.Done():
			piece.release()
			return
		}
		if err != nil {
			return
		}
	}
}

// readOn asks a reader that ended within a block once more, since io.ReadFull hides whether the end was io.EOF itself or
// an error of that name from a truncated container. A reader must answer the same again.
func readOn(image io.Reader) error {
	n, err := image.Read(make([]byte, 1))
	if n != 0 || err == nil {
		return io.ErrNoProgress
	}
	return err
}

// spread digests each block and hands it to every feed. It never waits for a card: the pool's size does that.
func (p *Pump) spread(ctx context.Context, filled <-chan filling) error {
	watch := time.NewTicker(time.Second)
	defer watch.Stop()
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-watch.C:
			p.SetAside()
		case f, ok := <-filled:
			if !ok {
				return context.Cause(ctx)
			}
			if done, err := p.take(f); done {
				return err
			}
		}
		if p.abandoned() {
			return ErrNoCards
		}
	}
}

// take deals with one filling and tells whether it was the last.
func (p *Pump) take(f filling) (done bool, err error) {
	defer f.release()
	if f.err != nil && !errors.Is(f.err, io.EOF) {
		return true, f.err
	}
	if len(f.data) == 0 {
		return true, nil
	}
	if p.LimitBytes > 0 && p.manifest.ImageBytes+int64(len(f.data)) > p.LimitBytes {
		return true, fmt.Errorf("%w: the card has %d bytes and the image goes on", ErrTooSmall, p.LimitBytes)
	}
	if err := p.digest(f.data); err != nil {
		return true, err
	}
	f.Block = p.manifest.Block(len(p.manifest.Blocks) - 1)
	if p.Observe != nil {
		p.Observe(f.Block, f.data)
	}
	clear(f.buffer[len(f.data):]) // what fills up the last sector
	p.deal(f.piece)
	return f.err != nil, nil
}

// digest adds the next block to the manifest.
func (p *Pump) digest(data []byte) error {
	if p.known == nil {
		p.manifest.Append(data)
		return nil
	}
	next := len(p.manifest.Blocks)
	if next >= len(p.known.Blocks) || p.known.Block(next).LengthBytes != len(data) {
		return ErrOtherLength
	}
	p.manifest.Blocks = append(p.manifest.Blocks, p.known.Blocks[next])
	p.manifest.ImageBytes += int64(len(data))
	return nil
}

// deal keeps the head and hands every other block to the feeds, but for the free ones.
func (p *Pump) deal(piece *piece) {
	if piece.Index == 0 {
		piece.hold() // for as long as the pump lives
		p.head = piece.data
		for _, f := range p.feeds {
			f.gotHead()
		}
		return
	}
	if p.manifest.IsFree(piece.Index) {
		return
	}
	for _, f := range p.feeds {
		f.offer(piece)
	}
}

// SetAside gives up on cards that completed no write or flush for the pump's patience while another card waits for a block
// or has all of them on it. Run does so every second. Any goroutine may; once Run returned, its caller must, for as long as
// cards are written.
func (p *Pump) SetAside() {
	patience := p.Patience
	if patience == 0 {
		patience = DefaultPatience
	}
	for _, f := range p.feeds {
		if f.standsStill(patience) && slices.ContainsFunc(p.feeds, (*Feed).waits) {
			f.setAside()
		}
	}
}

// abandoned tells whether there were cards and none is left.
func (p *Pump) abandoned() bool {
	for _, f := range p.feeds {
		if !f.closed() {
			return false
		}
	}
	return len(p.feeds) > 0
}
