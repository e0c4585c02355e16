package capacity

import (
	"bytes"
	"errors"
	"io"

	"cardwright/flash"
)

// A restorer puts back what a rescue holds: last written, first undone.
//
// What was kept may itself be stamps of the run, on a card that wraps round: then what was there before is in an older part, which
// is still to come, and the stamps are not put back.
type restorer struct {
	card    flash.Card
	file    io.ReaderAt
	stamper Stamper
	parts   []keptPart // in the order of writing
	careful bool       // touch only what is surely a stamp of this run: others may have used the card since
	meter   *Meter

	unit    int
	content []byte
	held    []byte
	// What became of it.
	left    []Range // neither stamps of the run nor what was kept, or not readable or writable
	missing bool    // something was noted there since it was last set back
}

// newRestorer makes the restorer of a card.
func newRestorer(card flash.Card, file io.ReaderAt, stamper Stamper, parts []keptPart, meter *Meter) *restorer {
	return &restorer{
		card: card, file: file, stamper: stamper, parts: parts, meter: meter,
		unit:    max(StampBytes, card.SectorBytes()),
		content: flash.AlignedBuffer(pieceBytes), held: flash.AlignedBuffer(pieceBytes),
	}
}

// restore puts everything back and tells whether all below limitBytes is as it was. On a card that takes no writes it may still be.
func (r *restorer) restore(limitBytes int64) (bool, error) {
	err := r.putBack()
	if err != nil && !errors.Is(err, flash.ErrReadOnly) {
		return false, err
	}
	back, failed := r.compare(limitBytes)
	switch {
	case back:
		return true, nil
	case err != nil:
		return false, err
	}
	return false, failed
}

// putBack writes everything back and flushes. Its error is of a card that does not answer, or of the file.
func (r *restorer) putBack() error {
	r.meter.enter("putting back")
	for i := len(r.parts) - 1; i >= 0; i-- {
		if i == 0 { // the card's head, if it was kept: whoever sees a table finds all else in its place
			if err := r.card.Flush(); isLost(err) {
				return failure(StepRestore, r.parts[0].span, err)
			}
		}
		if err := r.putBackPart(&r.parts[i]); err != nil {
			return err
		}
	}
	if err := errors.Join(r.card.Flush(), dropCache(r.card)); err != nil {
		return failure(StepRestore, span{}, err)
	}
	return nil
}

// putBackPart writes one part, in as few calls as what may be written allows.
func (r *restorer) putBackPart(part *keptPart) error {
	if !r.fits(part) {
		return nil
	}
	content, err := part.content(r.file, r.content)
	if errors.Is(err, errRescue) {
		return nil // compare tells whether it is missed
	}
	if err != nil {
		return err
	}
	if r.careful {
		if err := r.read(part, r.held); err != nil {
			return r.leave(part.span, Unreadable, err)
		}
	}
	for from := 0; from < len(content); {
		to := from
		for to < len(content) && r.mayPutBack(content, to) {
			to += r.unit
		}
		if to > from {
			if err := r.write(part.offsetBytes+int64(from), from, to); err != nil {
				return err
			}
			from = to
			continue
		}
		from += r.unit
	}
	return nil
}

// fits tells whether the card can hold a part at all: a file's word is not taken for it.
func (r *restorer) fits(part *keptPart) bool {
	unit := int64(r.unit)
	return part.offsetBytes >= 0 && part.offsetBytes%unit == 0 && part.lengthBytes%unit == 0 && part.offsetBytes <= r.card.SizeBytes()-part.lengthBytes
}

// mayPutBack tells whether a unit of a part is to be written.
func (r *restorer) mayPutBack(content []byte, at int) bool {
	return !r.isStamp(content[at:at+r.unit]) && (!r.careful || r.isStamp(r.held[at:at+r.unit]))
}

// isStamp tells whether any of a unit's stamps is one of the run.
func (r *restorer) isStamp(unit []byte) bool {
	for at := 0; at < len(unit); at += StampBytes {
		if r.stamper.isStampOf(unit[at:]) {
			return true
		}
	}
	return false
}

// write puts back a stretch of a part. The content moves to the buffer's start, as that alone is aligned for certain.
func (r *restorer) write(offsetBytes int64, from, to int) error {
	p := r.content[from:to]
	if from%flash.AlignBytes != 0 {
		p = flash.AlignedBuffer(to - from)
		copy(p, r.content[from:to])
	}
	if _, err := r.card.WriteAt(p, offsetBytes); err != nil {
		return r.leave(span{offsetBytes, int64(len(p))}, Unwritable, err)
	}
	r.meter.moved(len(p))
	return nil
}

// read reads what the card holds at a part.
func (r *restorer) read(part *keptPart, p []byte) error {
	_, err := r.card.ReadAt(p[:part.lengthBytes], part.offsetBytes)
	if err == nil {
		r.meter.moved(int(part.lengthBytes))
	}
	return err
}

// leave notes what could not be put back, and goes on where the card still answers.
func (r *restorer) leave(s span, kind Kind, err error) error {
	if isLost(err) {
		return failure(StepRestore, s, err)
	}
	r.leaves(Range{s.offsetBytes, s.lengthBytes, kind, -1})
	return nil
}

// leaves notes a range. It joins what lies side by side, since whoever used the card may have written to every sector of it.
func (r *restorer) leaves(left Range) {
	r.missing = true
	if last := len(r.left) - 1; last >= 0 && follows(r.left[last], left) {
		r.left[last].LengthBytes += left.LengthBytes
		return
	}
	r.left = append(r.left, left)
}

// compare reads everything back and tells whether all below limitBytes is as it was. What is not is added to those left.
func (r *restorer) compare(limitBytes int64) (bool, error) {
	r.meter.enter("comparing what was put back")
	r.missing = false
	for i := range r.parts {
		part := &r.parts[i]
		if part.offsetBytes >= limitBytes {
			continue
		}
		content, err := part.content(r.file, r.content)
		switch {
		case err != nil && !errors.Is(err, errRescue):
			return false, err
		case !r.fits(part) && err == nil: // kept through a reader with smaller sectors
			r.leaves(Range{part.offsetBytes, part.lengthBytes, Unwritable, -1})
			continue
		case !r.fits(part):
			continue
		}
		if err := r.read(part, r.held); err != nil {
			if err := r.leave(part.span, Unreadable, err); err != nil {
				return false, err
			}
			continue
		}
		for at := 0; at < int(part.lengthBytes) && part.offsetBytes+int64(at) < limitBytes; at += r.unit {
			is := r.held[at : at+r.unit]
			same := content != nil && bytes.Equal(content[at:at+r.unit], is)
			unknown := content == nil || r.isStamp(content[at:at+r.unit])
			if !same && (r.isStamp(is) || !unknown) {
				r.leaves(Range{part.offsetBytes + int64(at), int64(r.unit), Changed, -1})
			}
		}
	}
	return !r.missing, nil
}

// finds tells whether the card holds a stamp of the run at any part that was kept.
func (r *restorer) finds() (bool, error) {
	r.meter.enter("looking whose rescue this is")
	for i := range r.parts {
		part := &r.parts[i]
		if !r.fits(part) {
			continue
		}
		if err := r.read(part, r.held); isLost(err) {
			return false, failure(StepRestore, part.span, err)
		} else if err != nil {
			continue
		}
		for at := 0; at < int(part.lengthBytes); at += StampBytes {
			if r.stamper.isStampOf(r.held[at:]) {
				return true, nil
			}
		}
	}
	return false, nil
}
