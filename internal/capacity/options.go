package capacity

import (
	"crypto/rand"
	"sync/atomic"
	"time"

	"cardwright/flash"
)

// The steps of a check, in an error of the card.
const (
	StepKeep    flash.Step = "keep"    // what will be overwritten is read
	StepStamp   flash.Step = "stamp"   // stamps are written and flushed
	StepCompare flash.Step = "compare" // they are read back
	StepRestore flash.Step = "restore" // what the card held is put back
	StepCheck   flash.Step = "check"   // none of them: the check was interrupted, or its own files failed
)

// Options say how a check is carried out.
type Options struct {
	// Seed is what the places of a quick check and the stamps of a full one are made of; empty: a random one, told in Result.Seed.
	Seed string
	// Erase lets a quick check neither keep nor put back what the card held.
	Erase bool
	// Folder is where rescues and the states of full checks lie. It is made where it is missing, for nobody else to read.
	Folder string
	// Card tells this card from others. Its size is asked of the card itself.
	Card Mark
	// Meter shows how far the check is, to whoever looks; nil: to nobody.
	Meter *Meter

	before func(call string) error // asked ahead of each change to a file, in tests
}

// A Mark tells a card from others as far as its reader shows it.
type Mark struct {
	CID       string `json:"cid"`  // its identification register, in hex; empty where the reader hides it
	Node      string `json:"node"` // the device node it was reached through
	SizeBytes int64  `json:"size_bytes"`
}

// seed is the seed asked for, or a random one.
func (o Options) seed() string {
	if o.Seed != "" {
		return o.Seed
	}
	return rand.Text()
}

// meter is the one given, or one that nobody looks at.
func (o Options) meter() *Meter {
	if o.Meter != nil {
		return o.Meter
	}
	return new(Meter)
}

// A Meter is what a running check shows to whoever looks, who neither waits nor is waited for. The zero value is ready.
type Meter struct {
	phase   atomic.Pointer[string]
	began   atomic.Int64 // when the phase did, in Unix nanoseconds
	done    atomic.Int64
	total   atomic.Int64
	atStart atomic.Int64 // done when the phase began
	rescue  atomic.Pointer[string]
}

// A Progress is one look at a Meter.
type Progress struct {
	Phase          string  // in words
	DoneBytes      int64   // written and read since the check began
	TotalBytes     int64   // what it will be in the end, as far as is known now
	BytesPerSecond float64 // within the phase
	Rescue         string  // the file with what a quick check has replaced so far; empty where nothing is replaced, or nothing kept
}

// Look gives the present state.
func (m *Meter) Look() Progress {
	p := Progress{DoneBytes: m.done.Load(), TotalBytes: m.total.Load()}
	if phase := m.phase.Load(); phase != nil {
		p.Phase = *phase
	}
	if rescue := m.rescue.Load(); rescue != nil {
		p.Rescue = *rescue
	}
	if seconds := time.Since(time.Unix(0, m.began.Load())).Seconds(); seconds > 0 {
		p.BytesPerSecond = float64(p.DoneBytes-m.atStart.Load()) / seconds
	}
	p.TotalBytes = max(p.TotalBytes, p.DoneBytes)
	return p
}

// enter says which phase the check is in now.
func (m *Meter) enter(phase string) {
	m.phase.Store(&phase)
	m.atStart.Store(m.done.Load())
	m.began.Store(time.Now().UnixNano())
}

// replaces says which file holds what is replaced from now on; empty: nothing is replaced any more.
func (m *Meter) replaces(rescue string) { m.rescue.Store(&rescue) }

// expect says that so many bytes more will be written or read than was known so far.
func (m *Meter) expect(bytes int64) { m.total.Add(bytes) }

// moved adds to the bytes that were written and read.
func (m *Meter) moved(bytes int) { m.done.Add(int64(bytes)) }
