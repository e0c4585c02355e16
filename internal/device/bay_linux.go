package device

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
)

// A Bay is a reader's fixed place: its port path where it has one, so that the reader is the same under another node name, and
// another reader that was given its old name is not. Without a port path it is the kernel's name for it. A Bay never changes,
// and several goroutines may use it.
type Bay struct {
	roots Roots
	port  string    // empty where there is none
	name  string    // the kernel's, of a bay without port path
	by    Transport // the same
}

// A Seat is what a bay holds at one moment. Two that are equal hold the same card, where the kernel counts media; where it does
// not, cards of one size look alike.
type Seat struct {
	Present   bool
	Seq       uint64    // the count of media: another card has another number; 0 where the kernel does not count
	Number    DevNumber // of the reader; zero where the kernel shows none in this place
	Node      string    // the reader's node; empty where the kernel shows none in this place
	SizeBytes int64     // 0 without a card
}

// BindBay finds the place of the reader at path, links followed. No card need be in it. What can never be a reader for cards,
// or whose place is not its own, is a *Refusal; what is in it is judged each time that Open opens it, not here.
func BindBay(path string, roots Roots) (*Bay, error) {
	_, info, err := find(path)
	if err != nil {
		return nil, err
	}
	number, isNode := blockNumber(info)
	if !isNode {
		return nil, refuse(path, ErrNotADisk, "it is %s; a card reader is needed", kindOf(info.Mode()))
	}
	return bindNumber(path, number, roots.withDefaults())
}

func bindNumber(path string, number DevNumber, roots Roots) (*Bay, error) {
	s, err := ReadSnapshot(roots)
	if err != nil {
		return nil, refuse(path, fmt.Errorf("%w: %w", ErrNotAllowed, err), "%v", err)
	}
	d, err := s.wholeDisk(path, number)
	if err != nil {
		return nil, err
	}
	b := &Bay{roots: roots, port: d.PortPath}
	if b.port == "" {
		b.name, b.by = d.Name, d.Transport
	}
	reasons := neverABay(s, d)
	if len(reasons) == 0 {
		reasons = b.doubts(s, d)
	}
	if len(reasons) > 0 {
		return nil, &Refusal{Path: path, Reasons: reasons, Err: ErrNotAllowed}
	}
	return b, nil
}

// neverABay gives the reasons that no change of cards will lift.
func neverABay(s *Snapshot, d *Disk) []string {
	j := &judging{snapshot: s, disk: d, graph: newGraph(s)}
	switch {
	case d.Transport == TransportDM || d.Transport == TransportMD:
		j.say("it is put together of other disks, not a card reader")
		return j.reasons
	case !cardLike(d) && d.Transport != TransportLoop:
		// A fixed disk stays what it is now.
		return Judge(s, d, Policy{FixedOK: true}).Reasons
	}
	j.kind()
	j.ownGaps()
	for _, c := range j.graph.contacts(d) {
		for i := range s.Mounts {
			if m := &s.Mounts[i]; m.on(c.node) && j.ofSystem(m) {
				j.say(holdsSystem)
			}
		}
	}
	return distinct(j.reasons)
}

// Place tells what the bay is bound to: a port path such as "1-2.3:lun1" or "mmc0", else a node such as "/dev/loop7". Two bays
// of one place are one.
func (b *Bay) Place() string {
	if b.port != "" {
		return b.port
	}
	return b.roots.node(&Disk{Name: b.name})
}

// shows tells whether a disk stands in this bay. The hardware areas of an MMC device share their disk's port, and are no cards.
func (b *Bay) shows(d *Disk) bool {
	if d.AreaOf != "" || areaName(d.Name) {
		return false
	}
	if b.port != "" {
		return d.PortPath == b.port
	}
	return d.Name == b.name && d.PortPath == "" && d.Transport == b.by
}

// doubts tells what speaks against the disk being the one in this bay.
func (b *Bay) doubts(s *Snapshot, d *Disk) []string {
	if !b.shows(d) {
		return []string{fmt.Sprintf("%s is not at %s", d.Name, b.Place())}
	}
	var here []string
	for i := range s.Disks {
		if b.shows(&s.Disks[i]) {
			here = append(here, s.Disks[i].Name)
		}
	}
	if len(here) > 1 {
		return []string{b.crowded(here)}
	}
	return nil
}

func (b *Bay) crowded(names []string) string {
	return fmt.Sprintf("which disk is the one at %s cannot be told: %s are there", b.Place(), strings.Join(names, " and "))
}

// Look tells what is in the bay now. It reads few files of the kernel and opens nothing, but for a reader whose medium the
// kernel does not watch: that is opened for reading, so that the kernel looks. An error says that it cannot be told; a reader
// that is not plugged in is an empty seat.
func (b *Bay) Look() (Seat, error) {
	seat, watched, err := b.look()
	if err != nil || watched || seat.Node == "" {
		return seat, err
	}
	wake(seat.Node) // also an open that fails makes the kernel look
	seat, _, err = b.look()
	return seat, err
}

// look tells besides whether the kernel would notice by itself that the card was changed.
func (b *Bay) look() (seat Seat, watched bool, err error) {
	r, names, err := newReader(b.roots)
	if err != nil {
		return Seat{}, false, err
	}
	var here []string
	var found Disk
	for _, name := range names {
		if d := r.locate(name); b.shows(&d) {
			here, found = append(here, name), d
		}
	}
	switch len(here) {
	case 0:
		return Seat{}, true, nil
	case 1:
		return r.seat(&found)
	}
	return Seat{}, false, &Refusal{Path: b.Place(), Reasons: []string{b.crowded(here)}, Err: ErrNotAllowed}
}

// seat reads of a disk what tells which card is in it.
func (r *reader) seat(d *Disk) (seat Seat, watched bool, err error) {
	a := &attributes{dir: r.paths[d.Name]}
	seat = Seat{Seq: diskSeq(a), Number: a.devNumber("dev"), Node: r.roots.node(d), SizeBytes: sizeBytes(a)}
	d.Removable = a.flag("removable")
	watched = !d.Removable || !cardLike(d) || r.watches(a)
	switch {
	case !a.exists("dev"):
		return Seat{}, true, nil // it was taken away meanwhile
	case len(a.gaps) > 0:
		return Seat{}, false, fmt.Errorf("%s: its %s is not known: %s", seat.Node, a.gaps[0].Field, a.gaps[0].Why)
	}
	if seat.Present = seat.SizeBytes > 0; !seat.Present {
		seat.Seq = 0 // of no card
	}
	return seat, watched, nil
}

// watches tells whether the kernel looks for a change of the medium, or is told of it (block/disk-events.c of the kernel tells
// what these files mean). What they do not tell counts as no: then the reader is asked, which does no harm.
func (r *reader) watches(a *attributes) bool {
	for _, event := range strings.Fields(a.text("events_async")) {
		if event == "media_change" {
			return true
		}
	}
	every := a.text("events_poll_msecs")
	if every == "-1" {
		all := &attributes{dir: filepath.Join(r.sys, "module", "block", "parameters")}
		every = all.text("events_dfl_poll_msecs")
	}
	return every != "" && every != "0"
}

// seatIn is a seat of a bay, as the caller of Open saw it.
type seatIn struct {
	bay  *Bay
	seen Seat
}

// contradictions tells why a disk is not the one that was seen in the bay.
func (in *seatIn) contradictions(s *Snapshot, d *Disk) []string {
	reasons := in.bay.doubts(s, d)
	if d.DiskSeq != in.seen.Seq || d.Dev != in.seen.Number || d.SizeBytes != in.seen.SizeBytes {
		reasons = append(reasons, "the card was changed since it was seen")
	}
	return reasons
}

// Open opens the card that Look saw in the bay, as the package's Open does. What is not that card, or no longer in this bay, is
// a *Refusal, now and when the card is looked at again by Recheck. The options' roots are those of the bay.
func (b *Bay) Open(ctx context.Context, seen Seat, o Options) (*Card, error) {
	if !seen.Present {
		return nil, refuse(b.Place(), ErrNotAllowed, "there is no card in it")
	}
	now, err := b.Look()
	if err != nil {
		return nil, err
	}
	switch {
	case !now.Present:
		return nil, refuse(b.Place(), ErrChanged, "there is no card in it any more")
	case now != seen:
		return nil, refuse(b.Place(), ErrChanged, "the card was changed since it was seen")
	}
	o.Roots = b.roots
	return open(ctx, &Card{path: seen.Node, options: o, seat: &seatIn{bay: b, seen: seen}})
}
