package job

import (
	"cmp"
	"context"
	"io"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/device"
	"cardwright/internal/identity"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
	"cardwright/partition"
)

// An Image is an opened image: its decoded bytes, which end in io.EOF only when they are sound, and what is known of it.
type Image interface {
	io.Reader
	// Facts may be called at any time, also while another goroutine reads.
	Facts() source.Facts
	// DeclaredBytes is the image's length where the source tells it beforehand.
	DeclaredBytes() (int64, bool)
}

// A Reader is what holds a card beside its bytes: a reader that the kernel knows. An emulated card has none.
type Reader interface {
	// Recheck refuses a target that is no longer what was judged.
	Recheck() error
	// RereadTable asks the kernel to read the partition table again.
	RereadTable() error
}

// A Target is one card to work on.
type Target struct {
	Card       flash.Card
	Reader     Reader // nil for an emulated card
	Device     string // as the operator named it
	Label      string // what the operator wrote on the card; may be empty
	BatchID    int64  // of the batch that the card belongs to; 0: none
	Number     int64  // its sequence number there
	Conditions logbook.Conditions
	Identity   *identity.Card  // what the card's registers tell; nil where they are not known
	Twins      []string        // other places where this machine reads the same CID now
	Rated      identity.Claims // what is printed on the card, as the operator typed it; else as the logbook has it
	Meter      *flash.Meter    // shows the progress; nil for none
	// Files are put onto the image's boot partition, on this card alone. A check takes no notice of them.
	Files []project.File
}

// watch makes sure that the calls to the card are seen while they are under way.
func (t *Target) watch() {
	if t.Meter == nil {
		t.Meter = &flash.Meter{}
	}
	t.Card = flash.Watch(t.Card, t.Meter)
}

// rereadTable asks the kernel to read the card's partition table again, and tells whether it did.
func (t *Target) rereadTable() bool {
	if t.Reader == nil {
		return false
	}
	t.Meter.Calling(flash.CallControl, 0, 0)
	defer t.Meter.Returned()
	return t.Reader.RereadTable() == nil
}

// Options are what a job is asked for beside its image and targets. The zero value records nothing and asks for nothing.
type Options struct {
	Book                *logbook.Book // nil: nothing is recorded
	Unrecorded          error         // why Book is nil, where a run that is not recorded shall say so
	FloorBytesPerSecond float64       // 0: no floor
	// Free are ranges of the image, in order, whose content the image leaves open, as partition.FreeSpace gives them: blocks that
	// lie wholly within them are neither written nor compared. An image whose length is not known is taken whole.
	Free []partition.Range
	// Again opens the same image once more, to find out where wrong content comes from; nil where it can be read only once.
	Again      func(context.Context) (io.ReadCloser, error)
	StallLimit time.Duration // how long one call to a card may take; 0: DefaultStallLimit
	// Prepared says that the image needs no decoding, so that it is read as fast as it is needed, with fewer buffers.
	Prepared bool
}

// stallLimit is the limit that holds.
func (o Options) stallLimit() time.Duration { return cmp.Or(o.StallLimit, DefaultStallLimit) }

// sourceBuffers is how many buffers the reading of the image takes.
func (o Options) sourceBuffers() int {
	if o.Prepared {
		return buffersForPrepared
	}
	return buffersForSource
}

// A Result is what became of an image and of each card, in the order of the targets.
type Result struct {
	Image source.Facts
	Cards []logbook.Run
	// Rest is closed once nothing is going on any more, also with cards that were not waited for: one of those is blanked when
	// its call returns, if the program still runs then.
	Rest <-chan struct{}
}

// ConditionsOf adds what is known of a reader and its card to the conditions that all runs of a program have in common.
func ConditionsOf(d device.Description, common logbook.Conditions) logbook.Conditions {
	common.ReaderModel, common.PortPath, common.Node = d.Model, d.PortPath, d.Node
	common.LinkSpeed, common.CardRegisterCID = d.LinkSpeed, d.CID
	common.BusMode, common.BusBytesPerSecond = d.Bus.Mode, d.Bus.BytesPerSecond
	return common
}

// newRun is the part of a run that is known before anything happens.
func newRun(t Target, operation logbook.Operation) logbook.Run {
	run := logbook.Run{
		Device: t.Device, Label: t.Label, BatchID: t.BatchID, Number: t.Number, Operation: operation, StartedAt: time.Now().UTC(),
		Verdict: logbook.Unfinished, Pace: flash.PaceUnjudged, Conditions: t.Conditions,
		Findings: []partition.Finding{}, Files: []logbook.RecordedFile{},
	}
	run.Registers = RegistersOf(t.Identity)
	run.Conditions.Direct = t.Card.Direct()
	run.Conditions.CardSizeBytes = t.Card.SizeBytes()
	claim := t.claim()
	run.Conditions.Claim, run.Conditions.ClaimBytesPerSecond = claim.Marks, claim.BytesPerSecond
	run.Conditions.ClaimSource = claim.source
	return run
}
