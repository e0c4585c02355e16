package batch

import (
	"context"
	"time"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/device"
	"cardwright/internal/identity"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
	"cardwright/partition"
)

// A Bay is a reader's fixed place, and the name that the operator gave it.
type Bay struct {
	Name   string
	Device string // as the operator named it
	Slot   Slot
}

// A Slot is what a bay's cards are seated in.
type Slot interface {
	// Place is what the slot is bound to.
	Place() string
	// Look tells what is seated now. It writes nothing and takes no time worth speaking of.
	Look() (device.Seat, error)
	// Open opens the card that was seen. What may not be written, and a card that was swapped since, is a *device.Refusal.
	Open(ctx context.Context, seat device.Seat) (Opened, error)
}

// An Opened is a card that was opened for writing, and the reader that it is in.
type Opened interface {
	flash.Card
	job.Reader
	Description() device.Description
	Close() error
}

// An Image is one reading of the prepared image.
type Image interface {
	job.Image
	Close() error
}

// Options say what a batch is to do. Name, Bays, Facts, Manifest, Image, Book and Record are needed.
type Options struct {
	Name     string // of the batch
	Bays     []Bay
	Facts    source.Facts                             // of the image, all of them known
	Manifest *flash.Manifest                          // of the image
	Image    func(ctx context.Context) (Image, error) // begins one more reading of it, for one card
	Book     *logbook.Book                            // the runs are recorded in it
	Record   *logbook.Batch                           // numbers and rows are given out by it
	Wanted   int                                      // how many cards the batch has in all; 0: one for each row, else as many as come
	Rows     []project.Row                            // one for each card, in their order; nil: labels are made of the name and the number
	Files    *project.Files                           // put onto each card; nil for none
	Free     []partition.Range                        // of the image, left out on every card; none where files are put

	FloorBytesPerSecond float64            // 0: no floor
	Rated               identity.Claims    // what is printed on every card, as the operator typed it
	StallLimit          time.Duration      // 0: job.DefaultStallLimit
	OverwriteAnything   bool               // no card is held
	Conditions          logbook.Conditions // what all runs have in common

	Tell    func(Event)     // is told every event, by one goroutine at a time
	Changes <-chan struct{} // says that the kernel saw something come or go; nil: the slow poll must do
	Poll    time.Duration   // how often the bays are looked at beside that; 0: DefaultPoll
}

const (
	// DefaultPoll is how often bays are looked at where nothing says that something changed.
	DefaultPoll = 2 * time.Second
	// ReseatWithin is how soon a held card must be seated again for that to mean that it may be overwritten.
	ReseatWithin = 10 * time.Second
)
