package batch_test

import (
	"bytes"
	"context"
	"io"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/batch"
	"cardwright/internal/cardlab"
	"cardwright/internal/device"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// board is the small board image: two partitions, a FAT and an ext4, with files in both (testdata/README.md).
var board = sync.OnceValues(func() ([]byte, source.Facts) {
	image, err := source.Open(context.Background(), "../../testdata/small-board.img.xz", source.Options{})
	if err != nil {
		panic(err)
	}
	defer image.Close()
	held, err := io.ReadAll(image)
	if err != nil {
		panic(err)
	}
	return held, image.Facts()
})

// A reading is one reading of an image that lies in memory.
type reading struct {
	*bytes.Reader
	facts source.Facts
}

func (r reading) Facts() source.Facts { return r.facts }

func (r reading) DeclaredBytes() (int64, bool) { return r.facts.ImageBytes, true }

func (r reading) Close() error { return nil }

// A rig is a reader in memory, into which a test seats cards as a hand does.
type rig struct {
	name string

	mu   sync.Mutex // guards what follows
	seq  uint64
	card *cardlab.Card // nil: empty
	hung chan struct{} // opening takes until it is closed; nil: no time
	veil error         // of each look meanwhile; nil: it can be looked at
	away bool          // it shows as empty meanwhile, and what is in it stays
	open int           // cards that are open
}

func (r *rig) Place() string { return r.name }

// Look tells what is seated.
func (r *rig) Look() (device.Seat, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.veil != nil || r.away {
		return device.Seat{}, r.veil
	}
	seat := device.Seat{Present: r.card != nil, Seq: r.seq, Node: "/dev/" + r.name}
	if r.card != nil {
		seat.SizeBytes = r.card.SizeBytes()
	}
	return seat, nil
}

// Open opens the card that was seen.
func (r *rig) Open(_ context.Context, seat device.Seat) (batch.Opened, error) {
	r.mu.Lock()
	card, hung, same := r.card, r.hung, r.seq == seat.Seq
	if card != nil && same {
		r.open++
	}
	r.mu.Unlock()
	if card == nil || !same {
		return nil, &device.Refusal{Path: seat.Node, Reasons: []string{"there is no card in it"}, Err: device.ErrNotAllowed}
	}
	if hung != nil {
		<-hung
	}
	table, err := partition.Inspect(aligned{card}, card.SizeBytes(), 512)
	o := &opened{Card: card, rig: r}
	o.description = device.Description{Node: seat.Node, SizeBytes: card.SizeBytes(), Table: table}
	if err != nil {
		o.description.Unreadable = err.Error()
	}
	return o, nil
}

// seat puts a card in, whatever was there before.
func (r *rig) seat(card *cardlab.Card) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.card = card
	r.seq++
}

// hide makes looks fail with an error, or without one find nothing, until the function that it gives is called.
func (r *rig) hide(err error) (show func()) {
	set := func(veil error, away bool) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.veil, r.away = veil, away
	}
	set(err, err == nil)
	return func() { set(nil, false) }
}

// pull takes the card out.
func (r *rig) pull() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.card.PullSynced()
	r.card = nil
}

// An opened is an open card of a rig.
type opened struct {
	*cardlab.Card
	rig         *rig
	description device.Description
}

func (o *opened) Recheck() error { return nil }

func (o *opened) RereadTable() error { return device.ErrNoTable }

func (o *opened) Description() device.Description { return o.description }

func (o *opened) Close() error {
	o.rig.mu.Lock()
	defer o.rig.mu.Unlock()
	o.rig.open--
	return nil
}

// aligned reads whole sectors for whoever wants less.
type aligned struct{ card *cardlab.Card }

func (a aligned) ReadAt(p []byte, offsetBytes int64) (int, error) {
	buffer := flash.AlignedBuffer((len(p) + 8191) / 4096 * 4096)
	start := offsetBytes / 4096 * 4096
	room := min(int64(len(buffer)), a.card.SizeBytes()-start)
	if _, err := a.card.ReadAt(buffer[:room], start); err != nil {
		return 0, err
	}
	return copy(p, buffer[offsetBytes-start:room]), nil
}

// newCard makes a card of 32 MiB, which the board image fits on.
func newCard(t *testing.T, traits cardlab.Traits) *cardlab.Card {
	t.Helper()
	if traits.SizeBytes == 0 {
		traits.SizeBytes = 32 << 20
	}
	card, err := cardlab.New(traits)
	if err != nil {
		t.Fatal(err)
	}
	return card
}

// holding makes a card that holds something from its start on.
func holding(t *testing.T, held []byte) *cardlab.Card {
	t.Helper()
	card := newCard(t, cardlab.Traits{})
	buffer := flash.AlignedBuffer(len(held))
	copy(buffer, held)
	if _, err := card.WriteAt(buffer, 0); err != nil {
		t.Fatal(err)
	}
	if err := card.Flush(); err != nil {
		t.Fatal(err)
	}
	return card
}

// A bench is a batch at work in a test, with the events that it told.
type bench struct {
	t      *testing.T
	batch  *batch.Batch
	rigs   []*rig
	book   *logbook.Book
	record *logbook.Batch
	events chan batch.Event
	told   []batch.Event
	totals batch.Totals
	stuck  []string // bays that were told as such at the end
	err    error
	ended  chan struct{}
}

// begin starts a batch with so many bays, named a, b, ...; the options may be changed before.
func begin(t *testing.T, ctx context.Context, bays int, change func(*batch.Options)) *bench {
	t.Helper()
	return beginIn(t, ctx, filepath.Join(t.TempDir(), "logbook.db"), bays, change)
}

// beginIn starts a batch with a logbook that may have been used before.
func beginIn(t *testing.T, ctx context.Context, path string, bays int, change func(*batch.Options)) *bench {
	t.Helper()
	ctx, stop := context.WithCancel(ctx)
	held, facts := board()
	b := &bench{t: t, events: make(chan batch.Event, 1000), ended: make(chan struct{})}
	var err error
	if b.book, err = logbook.Open(ctx, path); err != nil {
		t.Fatal(err)
	}
	if b.record, err = b.book.OpenBatch(ctx, logbook.BatchOptions{Name: "hive", ImageSHA256: facts.ImageSHA256}); err != nil {
		t.Fatal(err)
	}
	o := batch.Options{
		Name: "hive", Facts: facts, Manifest: manifestOf(held), Book: b.book, Record: b.record,
		Image: func(context.Context) (batch.Image, error) { return reading{bytes.NewReader(held), facts}, nil },
		Tell:  func(e batch.Event) { b.events <- e },
	}
	for i := range bays {
		name := string(rune('a' + i))
		b.rigs = append(b.rigs, &rig{name: name})
		o.Bays = append(o.Bays, batch.Bay{Name: name, Device: "/dev/" + name, Slot: b.rigs[i]})
	}
	if change != nil {
		change(&o)
	}
	if b.batch, err = batch.Open(ctx, o); err != nil {
		t.Fatal(err)
	}
	go func() { // ends with the batch; awaited by end
		defer close(b.ended)
		b.totals, b.err = b.batch.Run(ctx)
	}()
	t.Cleanup(func() { // also where the test fails
		stop()
		<-b.ended
		b.record.Close()
		b.book.Close()
	})
	return b
}

// until waits for the next event of a kind, in a bay, and gives it.
func (b *bench) until(kind batch.Kind, bay string) batch.Event {
	b.t.Helper()
	for {
		select {
		case e := <-b.events:
			b.told = append(b.told, e)
			if e.Kind == kind && e.Bay == bay {
				return e
			}
		case <-time.After(time.Hour):
			b.t.Fatalf("bay %q told no %q; it told %v", bay, kind, b.kinds())
		}
	}
}

// end waits for the batch's end and closes what it used.
func (b *bench) end() batch.Totals {
	b.t.Helper()
	select {
	case <-b.ended:
	case <-time.After(24 * time.Hour):
		b.t.Fatalf("the batch does not end; it told %v", b.kinds())
	}
	b.batch.AwaitStuck(func(bays []string) { b.stuck = bays })
	for len(b.events) > 0 {
		b.told = append(b.told, <-b.events)
	}
	for _, r := range b.rigs {
		if r.open != 0 {
			b.t.Errorf("bay %s: %d cards were left open", r.name, r.open)
		}
	}
	if err := b.record.Close(); err != nil {
		b.t.Error(err)
	}
	if err := b.book.Close(); err != nil {
		b.t.Error(err)
	}
	return b.totals
}

// kinds lists what was told.
func (b *bench) kinds() (kinds []string) {
	for _, e := range b.told {
		kinds = append(kinds, e.Bay+" "+string(e.Kind))
	}
	return kinds
}

// expectHolds holds a card against the image.
func expectHolds(t *testing.T, card *cardlab.Card) {
	t.Helper()
	held, _ := board()
	if !bytes.Equal(card.Truth().Read(0, len(held)), held) {
		t.Error("the card does not hold the image")
	}
}

// labels lists what intact cards were labelled.
func labels(t batch.Totals) (found []string) {
	for _, c := range t.Cards {
		if c.Verdict == logbook.Intact {
			found = append(found, c.Label)
		}
	}
	slices.Sort(found)
	return found
}

// ofLength makes the batch's image longer: the board, and noise behind it.
func ofLength(o *batch.Options, lengthBytes int) {
	held, facts := board()
	held = append(bytes.Clone(held), make([]byte, lengthBytes-len(held))...)
	facts.ImageBytes = int64(len(held))
	o.Facts, o.Manifest = facts, manifestOf(held)
	o.Image = func(context.Context) (batch.Image, error) { return reading{bytes.NewReader(held), facts}, nil }
}

// openRecord opens a batch of another name in a logbook.
func openRecord(t *testing.T, book *logbook.Book, name string) *logbook.Batch {
	t.Helper()
	_, facts := board()
	record, err := book.OpenBatch(t.Context(), logbook.BatchOptions{Name: name, ImageSHA256: facts.ImageSHA256})
	if err != nil {
		t.Fatal(err)
	}
	return record
}

// flashOne carries out a batch of one card, and closes its record.
func flashOne(t *testing.T, o batch.Options) {
	t.Helper()
	bay := &rig{name: "earlier"}
	bay.seat(newCard(t, cardlab.Traits{}))
	o.Bays = []batch.Bay{{Name: "earlier", Slot: bay}}
	o.Tell = func(batch.Event) {}
	work, err := batch.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if totals, err := work.Run(t.Context()); err != nil || totals.Intact != 1 {
		t.Fatalf("%v, totals %+v", err, totals)
	}
	work.AwaitStuck(func([]string) {})
	if err := o.Record.Close(); err != nil {
		t.Fatal(err)
	}
}

// manifestOf digests an image.
func manifestOf(image []byte) *flash.Manifest {
	m := &flash.Manifest{}
	for block := range slices.Chunk(image, flash.BlockBytes) {
		m.Append(block)
	}
	return m
}
